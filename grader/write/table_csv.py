"""cuttings.csv: one row a cutting, for spreadsheets."""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from grader.records import Cutting, GradedPhoto, Measured, PhotoResult
from grader.traits.catalogue import TRAITS, Trait, is_absent
from grader.write.files import write_pieces

_FORMULA_STARTS = ("=", "+", "-", "@")
"""A spreadsheet runs a cell that begins with one of these, or with tab or new line (OWASP, CSV Injection)."""
_AFTER_SEPARATOR = re.compile(r"(;\s*)(?=[=+@-])")
"""Where the comma is the decimal sign, a spreadsheet parts cells at semicolons: a formula may begin there."""

SHA_COLUMN = "photo sha256"
"""Tells which photo a row is from, whatever the file is called."""


def safe_cell(text: str) -> str:
    """Return a text that a spreadsheet shows instead of running it.

    Examples
    --------
    >>> safe_cell("=1+2"), safe_cell("tray 1")
    ("'=1+2", 'tray 1')
    >>> safe_cell("a;=1+2"), safe_cell("two\\nlines \\x9b")
    ("a;'=1+2", 'two\\\\nlines \\\\x9b')
    """
    # Control codes would steer a terminal in which the table is looked at, and a new line would tear the row.
    text = "".join(ch if ch.isprintable() else ascii(ch)[1:-1] for ch in text)
    text = _AFTER_SEPARATOR.sub(r"\1'", text)
    return "'" + text if text.lstrip().startswith(_FORMULA_STARTS) else text


def header() -> list[str]:
    """Return the names of the columns, each with its unit."""
    columns = ["photo", "taken at", "cutter", "donor", "species", "number", "cell", "grade", "flags"]
    for trait in TRAITS.values():
        columns += _trait_columns(trait)
    return [*columns, "reason", "advice", "targets", "print scale", "mat", SHA_COLUMN]


def _trait_columns(trait: Trait) -> list[str]:
    unit = f" ({trait.unit})" if trait.unit else ""
    columns = [trait.words + unit, f"{trait.words} uncertainty{unit}"]
    return [*columns, f"{trait.words} ({trait.other_unit})"] if trait.mm_per_other else columns


def csv_text(results: Sequence[PhotoResult]) -> str:
    """Return the table; photos that were skipped have no rows."""
    return "".join(csv_pieces(results))


def csv_pieces(results: Sequence[PhotoResult]) -> Iterator[str]:
    """Yield the table photo by photo: thousands need no more memory than one."""
    yield csv_head()
    for result in results:
        yield csv_rows(result)


def csv_head() -> str:
    """Return the line with the names of the columns."""
    return _csv_lines([header()])


def csv_rows(result: PhotoResult) -> str:
    """Return the rows of a photo; one that was skipped has none."""
    if not isinstance(result, GradedPhoto):
        return ""
    return _csv_lines([_row(result, cutting) for cutting in result.cuttings])


def _csv_lines(rows: list[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(rows)  # RFC 4180
    return out.getvalue()


def write_csv(path: Path, results: Sequence[PhotoResult]) -> None:
    """Write the table; the mark at its start tells spreadsheets that it is UTF-8.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    write_pieces(path, _encoded(results))


def _encoded(results: Sequence[PhotoResult]) -> Iterator[bytes]:
    yield codecs.BOM_UTF8
    for piece in csv_pieces(results):
        yield piece.encode("utf-8")


def _row(graded: GradedPhoto, cutting: Cutting) -> list[str]:
    batch = graded.batch
    grade = cutting.grade
    flags = dict.fromkeys(o.flag for o in grade.outcomes if o.outcome.value == "fail")
    row = [
        safe_cell(str(graded.path)),
        graded.taken_at.isoformat(sep=" ") if graded.taken_at else "",
        *(safe_cell(batch.get(key, "")) for key in ("cutter", "donor", "species")),
        str(cutting.number),
        cutting.cell,
        grade.grade,
        "; ".join(flags),
    ]
    for name, trait in TRAITS.items():
        row += _trait_cells(trait, cutting.traits.get(name))
    return [
        *row,
        safe_cell(grade.reason),
        safe_cell(grade.advice),
        safe_cell(grade.targets_id),
        f"{graded.pose.print_scale:.5f}",
        safe_cell(graded.pose.mat_id),
        graded.sha256,
    ]


def _trait_cells(trait: Trait, measured: Measured | None) -> list[str]:
    n = len(_trait_columns(trait))
    if measured is None or math.isnan(measured.value):
        return ["none" if measured is not None and is_absent(measured) else ""] + [""] * (n - 1)
    shown, sigma = (value * trait.shown_per_stored for value in (measured.value, measured.sigma))
    # One decimal more than printed for people, so that sums and means are not rounded twice.
    cells = [
        f"{shown:.{trait.decimals + (0 if trait.is_count else 1)}f}",
        f"{sigma:.{trait.decimals + 2}f}" if math.isfinite(sigma) else "",
    ]
    return [*cells, f"{measured.value / trait.mm_per_other:.4f}"] if trait.mm_per_other else cells
