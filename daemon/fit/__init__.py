"""The daily fit of each chamber's model, in a process of its own."""
