"""pasturepot: the monthly review of a small dairy that makes set yogurt from ewes' milk."""

__version__ = "0.1.0"
