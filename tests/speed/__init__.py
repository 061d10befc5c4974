"""Time and memory of grading: ``python -m tests.speed``. Not a test: times depend on the machine."""
