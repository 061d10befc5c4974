"""Batch data of a photo, written to the table beside the photos that ``grader grade`` reads."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Mapping
from pathlib import Path

from grader.batch.origin import TABLE_NAME, read_table
from grader.bench.refused import Refused
from grader.write.files import write_atomic

COLUMNS = ("photo", "cutter", "donor", "species", "targets")
"""Of a table that is begun here."""
FORMULA_SIGNS = ("=", "+", "-", "@")
"""A spreadsheet takes a cell that begins so for a formula."""


def clean_value(name: str, value: str, most_characters: int) -> str:
    """Return a text as it goes into the table: one line, no outer spaces.

    Raises
    ------
    Refused
        If it holds what no name holds, is too long, or a spreadsheet would run it.

    Examples
    --------
    >>> clean_value("donor", "  bed   7 ", 100)
    'bed 7'
    """
    text = " ".join(unicodedata.normalize("NFC", value).split())
    if len(text) > most_characters:
        raise Refused(
            422, f"The {name} is too long.", f"Use at most {most_characters} characters.", f"{name} too long"
        )
    if not text.isprintable():
        raise Refused(
            422, f"The {name} holds characters that cannot be shown.", "Type it again.", f"{name} not text"
        )
    if text.startswith(FORMULA_SIGNS):
        raise Refused(
            422,
            f'The {name} begins with "{text[0]}", which a spreadsheet takes for a formula.',
            "Begin it with a letter or a digit.",
            f"{name} like a formula",
        )
    return text


def table_text(folder: Path) -> str | None:
    """Return the table as it is, None if there is none.

    Raises
    ------
    BatchDataProblem
        If it cannot be understood.
    OSError
        If it cannot be read.
    """
    path = folder / TABLE_NAME
    if not path.is_file():
        return None
    read_table(path)
    with path.open(encoding="utf-8-sig", newline="") as file:
        return file.read()


def add_line(folder: Path, photo: str, values: Mapping[str, str]) -> None:
    """Write a line for a photo; lines that are there stay as they are.

    Raises
    ------
    BatchDataProblem
        If the table that is there cannot be understood.
    OutputProblem, OSError
        If it cannot be written.
    """
    text = table_text(folder)
    line = {"photo": photo, **{key: value for key, value in values.items() if value}}
    put_table(folder, _begun(line) if text is None else _extended(text, line))


def put_table(folder: Path, text: str | None) -> None:
    """Write the whole table, or take it away if there was none."""
    if text is None:
        (folder / TABLE_NAME).unlink(missing_ok=True)
    else:
        # With a mark in front, without which spreadsheets take UTF-8 for something else.
        write_atomic(folder / TABLE_NAME, text.encode("utf-8-sig"))


def _begun(line: Mapping[str, str]) -> str:
    return _row(COLUMNS, ",") + _row([line.get(column, "") for column in COLUMNS], ",")


def _extended(text: str, line: Mapping[str, str]) -> str:
    first = text.split("\n", 1)[0]
    delimiter = ";" if ";" in first and "," not in first else ","  # as read_table decides
    rows = [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter) if any(row)]
    columns = [cell.strip().lower() for cell in rows[0]]
    missing = [column for column in line if column not in columns]
    if missing:
        rows = [[*rows[0], *missing], *([*row[: len(columns)], *_pad(row, columns)] for row in rows[1:])]
        columns += missing
        text = "".join(_row(row, delimiter) for row in rows)
    if not text.endswith("\n"):
        text += "\n"
    return text + _row([line.get(column, "") for column in columns], delimiter)


def _pad(row: list[str], columns: list[str]) -> list[str]:
    """Return the empty cells that a short line lacks, so that new columns stand at its end."""
    return [""] * max(0, len(columns) - len(row))


def _row(cells: list[str] | tuple[str, ...], delimiter: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerow(cells)
    return out.getvalue()
