"""Errors meant for the person at the bench.

::

    GraderError                 anything that ends with a sentence and advice, never a traceback
    +-- PhotoProblem            this photo cannot be used; the batch goes on
    +-- TargetsProblem          the size-target file is wrong: names file, line and remedy
    +-- OutputProblem           results cannot be written

Programmer errors stay ValueError and TypeError and are not caught.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What the command returns to the shell. A bad grade is not an error."""

    ALL_GRADED = 0
    SOME_SKIPPED = 1
    USAGE = 2
    NOTHING_GRADED = 3


class GraderError(Exception):
    """An error with a sentence for the person and advice on what to do."""

    def __init__(self, message: str, advice: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice


class PhotoProblem(GraderError):
    """This photo cannot be measured.

    ``reason`` is a short stable word for tables: "not a picture", "no mat", "too dark", ...
    """

    def __init__(self, reason: str, message: str, advice: str) -> None:
        super().__init__(message, advice)
        self.reason = reason


class TargetsProblem(GraderError):
    """The size-target file cannot be used; the message names file, line and key."""


class OutputProblem(GraderError):
    """Results cannot be written where they were asked for."""
