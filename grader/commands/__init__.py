"""What can be typed after ``grader``: one file a command.

Everything slow is imported inside the commands, so that help is quick.
"""
