"""setting."""
