"""Audit of a technique: what a cutter does again and again, told apart from chance, the mat and the tool.

``samples.py`` says what is counted, ``findings.py`` what is concluded; the rest is arithmetic, one subject a
file, and the pages that tell it.
"""
