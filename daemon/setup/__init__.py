"""The guided start: asks, looks, proposes, writes the config."""
