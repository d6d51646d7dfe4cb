"""label."""
