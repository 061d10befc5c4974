"""Who made the cuttings of a photo, from which plant, by which targets: options, folder names, a table.

The closer to the photo, the stronger: a line in a table beside the photo, else the innermost folder named
``key=value``, else the option.
"""

from __future__ import annotations

import csv
import difflib
import io
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from grader.errors import GraderError

KEYS = ("cutter", "donor", "species", "targets", "day", "tray", "mat", "repeat", "person")
"""What a photo may carry; the last five are for ``grader audit``."""
TABLE_NAME = "photos.csv"
"""Read where it lies in a folder with photos; for the photos there and in its sub-folders."""
TABLE_COLUMNS = ("photo", *KEYS)
MOST_TABLE_BYTES = 10_000_000
"""A line a photo: far more than a year's photos; beyond it the file is something else."""
_SAVE = "Save it from the spreadsheet as CSV, UTF-8."
_HINT = f"A folder may be named key=value, with a key of {', '.join(KEYS)}; several go apart by commas."


class BatchDataProblem(GraderError):
    """A folder's name or a table says something that cannot be understood; the message names it."""


@dataclass(frozen=True, slots=True)
class Origin:
    """What is known of a photo besides its picture."""

    batch: Mapping[str, str] = field(default_factory=dict)
    """Cutter, donor, species, as far as given."""
    targets: str = ""
    """A shipped set or a path; empty: those of the run."""


class Origins:
    """Looks up photos; each table is read once."""

    def __init__(self, options: Mapping[str, str]) -> None:
        self._options = dict(options)
        self._tables: dict[Path, dict[str, dict[str, str]]] = {}

    def of(self, photo: Path) -> Origin:
        """Return what a photo carries.

        Raises
        ------
        BatchDataProblem
            If a folder's name or a table cannot be understood.
        """
        known = dict(self._options)
        path = photo.absolute()
        for folder in reversed(path.parents):
            known |= from_folder_name(folder)
        # A table further in speaks for fewer photos, so it is the stronger one.
        for folder in reversed(path.parents):
            line = self._table(folder).get(_key(path.relative_to(folder).as_posix()), {})
            known |= {key: value for key, value in line.items() if key != "line"}
        return Origin(
            batch={key: known[key] for key in KEYS if key != "targets" and known.get(key)},
            targets=known.get("targets", ""),
        )

    def unmatched(self, photos: Sequence[Path]) -> list[str]:
        """Return a sentence for each line of the tables read that names none of the photos."""
        here = {photo.absolute() for photo in photos}
        told = []
        for folder, lines in self._tables.items():
            names = {_key(p.relative_to(folder).as_posix()) for p in here if p.is_relative_to(folder)}
            told += [
                f"{folder / TABLE_NAME}, line {line['line']}: there is no photo {name!r} in this folder"
                for name, line in lines.items()
                if name not in names
            ]
        return told

    def _table(self, folder: Path) -> dict[str, dict[str, str]]:
        if folder not in self._tables:
            path = folder / TABLE_NAME
            self._tables[folder] = read_table(path) if path.is_file() else {}
        return self._tables[folder]


def from_folder_name(folder: Path) -> dict[str, str]:
    """Return what the name of a folder says.

    Raises
    ------
    BatchDataProblem
        If a key is misspelt, has no value, or two stand without a comma.

    Examples
    --------
    >>> from_folder_name(Path("cutter=Ann, donor=bed 7"))
    {'cutter': 'Ann', 'donor': 'bed 7'}
    >>> from_folder_name(Path("monday"))
    {}
    """
    said: dict[str, str] = {}
    if "=" not in folder.name:
        return said
    for part in folder.name.split(","):
        name, equals, value = (text.strip() for text in part.partition("="))
        key = name.lower()
        if not equals or key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, n=1, cutoff=0.7)
            if near or said:
                meant = f" Did you mean {near[0]}?" if near else ""
                raise BatchDataProblem(f"The folder {folder} has a part {part.strip()!r}.{meant}", _HINT)
            return {}  # Some other folder with an equals sign in its name.
        if not value or any(f"{other}=" in value.lower().replace(" =", "=") for other in KEYS):
            raise BatchDataProblem(f"The folder {folder} does not say plainly what {key} is.", _HINT)
        if key == "targets" and value.lower().endswith(".toml"):
            value = str(folder / value)
        said[key] = value
    return said


def read_table(path: Path) -> dict[str, dict[str, str]]:
    """Return photo name -> what its line says, with the number of the line under "line".

    Raises
    ------
    BatchDataProblem
        If the table cannot be understood; the message names file and line.
    """
    text = _table_text(path)
    first = text.split("\n", 1)[0]
    # Spreadsheets write semicolons where the comma is the decimal sign.
    delimiter = ";" if ";" in first and "," not in first else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    columns: list[str] = []
    lines: dict[str, dict[str, str]] = {}
    try:
        for cells in reader:
            values = [cell.strip() for cell in cells]
            if not any(values):
                continue
            if not columns:
                columns = _columns(values, path, reader.line_num)
                continue
            _add_line(lines, columns, values, path, reader.line_num)
    except csv.Error as problem:
        raise BatchDataProblem(
            f"{path}, line {reader.line_num}: this is no table ({problem}).",
            _SAVE,
        ) from problem
    if not columns:
        raise BatchDataProblem(f"{path} is empty.", _columns_hint())
    return lines


def _table_text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(MOST_TABLE_BYTES + 1)
        if len(data) > MOST_TABLE_BYTES:
            raise BatchDataProblem(f"{path} is too large for a table of photos.", _columns_hint())
        if b"\0" in data:
            line = data[: data.index(b"\0")].count(b"\n") + 1
            raise BatchDataProblem(f"{path}, line {line}: this is no table.", _SAVE)
        return data.decode("utf-8-sig")
    except OSError as problem:
        raise BatchDataProblem(
            f"{path} cannot be read ({problem.strerror}).", "Check who may read it, or take it away."
        ) from problem
    except UnicodeDecodeError as problem:
        line = data[: problem.start].count(b"\n") + 1
        raise BatchDataProblem(f"{path}, line {line}: this is not UTF-8 text.", _SAVE) from problem


def _columns_hint() -> str:
    return f"Its first line names the columns: {', '.join(TABLE_COLUMNS)}; photo must be there."


def _columns(values: list[str], path: Path, line: int) -> list[str]:
    columns = [value.lower() for value in values]
    for column in columns:
        if column not in TABLE_COLUMNS:
            near = difflib.get_close_matches(column, TABLE_COLUMNS, n=1)
            meant = f" Did you mean {near[0]}?" if near else ""
            raise BatchDataProblem(
                f"{path}, line {line}: there is no column {column!r}.{meant}", _columns_hint()
            )
        if columns.count(column) > 1:
            raise BatchDataProblem(
                f"{path}, line {line}: the column {column!r} is there twice.", _columns_hint()
            )
    if "photo" not in columns:
        raise BatchDataProblem(f"{path}, line {line}: the column photo is missing.", _columns_hint())
    return columns


def _add_line(
    lines: dict[str, dict[str, str]], columns: list[str], values: list[str], path: Path, number: int
) -> None:
    if len(values) > len(columns) and any(values[len(columns) :]):
        raise BatchDataProblem(
            f"{path}, line {number}: there are {len(values)} values for {len(columns)} columns.",
            'Put a value that holds a comma in "quotes".',
        )
    line = {column: value for column, value in zip(columns, values, strict=False) if value}
    name = line.pop("photo", "").replace("\\", "/")
    if not name:
        raise BatchDataProblem(f"{path}, line {number}: the name of the photo is missing.", _columns_hint())
    if _key(name) in lines:
        other = lines[_key(name)]["line"]
        raise BatchDataProblem(
            f"{path}, line {number}: {name!r} stands in line {other} already.",
            "Take one of the two lines out.",
        )
    targets = line.get("targets", "")
    if targets.lower().endswith(".toml"):
        line["targets"] = str(path.parent / targets)
    lines[_key(name)] = line | {"line": str(number)}


def _key(name: str) -> str:
    """Return a name as it is compared: accents may be written in two ways in Unicode."""
    return unicodedata.normalize("NFC", name.removeprefix("./"))
