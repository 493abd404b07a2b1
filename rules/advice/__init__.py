"""What to change, by how much and why: cause, plan, search, and whether it worked."""
