"""Lab files in the habits of many laboratories, all invented, each with the rows that should come of it."""
