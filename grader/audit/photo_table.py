"""A table that says more of photos than the results do: whose, which tray, which print, which repeat.

CSV with a heading; ``photo`` is the name of the photo, or as much of its path as makes it the only one::

    photo,cutter,donor,day,tray,mat
    monday/tray1.jpg,Ann,bed 7,2026-03-02,1,print B

    photo,tray,repeat,person
    r1.jpg,gauge 1,1,Ann
    r2.jpg,gauge 1,2,Ann

What the table says is stronger than what the results say; an empty cell says nothing.
"""

from __future__ import annotations

import csv
import difflib
import io
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath

from grader.errors import GraderError

KEYS = ("cutter", "donor", "species", "day", "tray", "mat", "repeat", "person")
COLUMNS = ("photo", *KEYS, "targets")
"""Those of the table that grading reads; its targets are no matter here."""
MOST_BYTES = 10_000_000
"""Far more than a year's photos."""
_HINT = f"A CSV table, UTF-8, its first line names the columns: photo, and some of {', '.join(KEYS)}."


class TableProblem(GraderError):
    """A table of photos cannot be understood; the message names file and line."""


def read_photo_table(path: Path) -> dict[str, dict[str, str]]:
    """Return what a table says: name of the photo -> column -> value.

    Raises
    ------
    TableProblem
        If it cannot be read or understood.
    """
    rows = _rows(path)
    if not rows:
        raise TableProblem(f"{path} is empty.", _HINT)
    line, columns = rows[0][0], [cell.lower() for cell in rows[0][1]]
    for column in columns:
        if column not in COLUMNS:
            near = difflib.get_close_matches(column, COLUMNS, n=1)
            meant = f' Did you mean "{near[0]}"?' if near else ""
            raise TableProblem(f'{path}, line {line}: there is no column "{column}".{meant}', _HINT)
    if "photo" not in columns or len(set(columns)) < len(columns):
        raise TableProblem(f"{path}, line {line}: photo is missing, or a column stands twice.", _HINT)
    table: dict[str, dict[str, str]] = {}
    for line, cells in rows[1:]:
        if len(cells) > len(columns):
            raise TableProblem(
                f"{path}, line {line}: {len(cells)} values for {len(columns)} columns.",
                'Put a value that holds a comma in "quotes".',
            )
        said = dict(zip(columns, cells, strict=False))
        name = _plain(said.pop("photo", ""))
        if not name or name in table:
            raise TableProblem(
                f"{path}, line {line}: the photo is not named, or named twice.", "One line for each photo."
            )
        table[name] = {key: value for key, value in said.items() if value}
    return table


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        text = data.decode("utf-8-sig")
    except OSError as problem:
        raise TableProblem(f"{path} cannot be read ({problem.strerror}).", _HINT) from None
    except UnicodeDecodeError:
        raise TableProblem(f"{path} is not UTF-8 text.", _HINT) from None
    if len(data) > MOST_BYTES or "\0" in text:
        raise TableProblem(f"{path} is no table of photos.", _HINT)
    first = text.split("\n", 1)[0]
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=";" if ";" in first and "," not in first else ","
    )
    try:
        rows = [(reader.line_num, [cell.strip() for cell in cells]) for cells in reader]
    except csv.Error as problem:
        raise TableProblem(f"{path}, line {reader.line_num}: {problem}.", _HINT) from None
    return [(line, cells) for line, cells in rows if any(cells)]


def match(table: Mapping[str, Mapping[str, str]], files: Sequence[str], path: Path) -> dict[int, str]:
    """Return for photos, by their place in ``files``, the line of the table that speaks of them.

    Raises
    ------
    TableProblem
        If a line names no photo, or more than one.
    """
    found: dict[int, str] = {}
    parts = [PurePosixPath(_plain(file)).parts for file in files]
    for name in table:
        wanted = PurePosixPath(name).parts
        hits = [i for i, has in enumerate(parts) if has[-len(wanted) :] == wanted]
        if not hits:
            near = difflib.get_close_matches(wanted[-1], [has[-1] for has in parts if has], n=1)
            meant = f' Did you mean "{near[0]}"?' if near else ""
            raise TableProblem(
                f'{path}: the results hold no photo "{name}".{meant}', "Use the name of the photo."
            )
        if len({files[i] for i in hits}) > 1:
            raise TableProblem(
                f'{path}: "{name}" could be {files[hits[0]]} or {files[hits[1]]}.',
                "Write the name with its folder.",
            )
        found |= dict.fromkeys(hits, name)
    return found


def _plain(name: str) -> str:
    return unicodedata.normalize("NFC", name.replace("\\", "/").removeprefix("./"))
