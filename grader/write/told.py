"""All that is said and written of one photo, as text: made where the photo was worked on."""

from __future__ import annotations

import io
from dataclasses import dataclass

from rich.console import Console

from grader.records import GradedPhoto, PhotoResult
from grader.write.results import photo_json
from grader.write.table_csv import csv_rows
from grader.write.terminal import show_photo

PIPE_WIDTH = 120
"""Columns of the table where the output is no terminal."""


@dataclass(frozen=True, slots=True)
class Look:
    """What the person's terminal can show."""

    width: int
    """Columns."""
    is_terminal: bool
    encoding: str

    @staticmethod
    def of(console: Console) -> Look:
        """Return the look of the terminal, or pipe, that a console writes to."""
        is_terminal = console.is_terminal
        return Look(console.width if is_terminal else PIPE_WIDTH, is_terminal, console.encoding)


@dataclass(frozen=True, slots=True)
class PhotoText:
    """One photo in words."""

    json: str
    """Its part of results.json."""
    csv: str
    """Its rows of cuttings.csv; empty for a photo that was skipped."""
    shown: str
    """What the terminal shows."""
    is_graded: bool
    grades: tuple[str, ...]
    n_aside: int
    mat_id: str
    print_scale: float
    print_scale_source: str


def photo_text(result: PhotoResult, look: Look) -> PhotoText:
    """Return a photo in words."""
    graded = result if isinstance(result, GradedPhoto) else None
    return PhotoText(
        json=photo_json(result),
        csv=csv_rows(result),
        shown=_shown(result, look),
        is_graded=graded is not None,
        grades=tuple(cutting.grade.grade for cutting in graded.cuttings) if graded else (),
        n_aside=len(graded.set_aside) if graded else 0,
        mat_id=graded.pose.mat_id if graded else "",
        print_scale=graded.pose.print_scale if graded else 1.0,
        print_scale_source=graded.pose.print_scale_source if graded else "",
    )


def _shown(result: PhotoResult, look: Look) -> str:
    """Return what the terminal shows; what its encoding lacks is replaced."""
    written = io.BytesIO()
    file = io.TextIOWrapper(written, look.encoding, errors="backslashreplace", newline="")
    show_photo(Console(file=file, width=look.width, force_terminal=look.is_terminal or None), result)
    file.flush()
    return written.getvalue().decode(look.encoding)
