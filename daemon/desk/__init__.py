"""What a command does for the keeper: words handed over, lists, tuning, replay, salt checks."""
