"""review."""
