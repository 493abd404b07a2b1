"""The life of all alarms along the stream: changes of condition, the keeper's words, and what ends by itself."""
