"""milk."""
