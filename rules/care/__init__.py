"""The care routine: what is due, what the keeper did and saw, how the garden grows, who looks after it meanwhile."""
