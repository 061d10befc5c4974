"""The studio that makes the demo photos and their truth; not needed to grade photos."""
