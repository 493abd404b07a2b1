"""The one way through: `advance`, from a batch of the stream to the state after it and what must be said."""
