"""The words that everything speaks in: quantities, events, the keeper's words, forms of settings, local time."""
