"""How well a photo measures, without grading what lies on it."""
