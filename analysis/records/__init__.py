"""records."""
