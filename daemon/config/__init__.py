"""The one config file: read, validated, explained, edited."""
