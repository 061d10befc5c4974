"""What the record teaches: take by group, curves, suggested targets, what to stick next."""
