"""What the dairy wrote down: schemas, months, findings, the season as of a day, checks, the empty season folder."""
