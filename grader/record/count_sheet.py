"""The count sheet: a CSV for the containers that are due, filled in on the bench and read again."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from grader.record.entries import FoundEntry
from grader.record.look import ContainerNow
from grader.record.store import Refused

TOLD = ("label", "stuck_on", "donor", "grade", "cuttings")
ASKED = ("found_on", "rooted", "callused", "dead", "last_count", "height_mm", "caliper_mm", "note")
COLUMNS = (*TOLD, *ASKED)
FORMULA_SIGNS = ("=", "+", "-", "@", "'", "\t", "\r")
"""A spreadsheet runs a text that begins so."""
_YES = {"yes", "y", "x", "1", "true"}
_NO = {"", "no", "n", "0", "false"}
_SEPARATORS = ",;\t"


def count_sheet(items: Sequence[ContainerNow], day: date) -> bytes:
    """Return the sheet to fill in: a line a container; sizes of several plants are divided by blanks."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for item in items:
        told = (item.label, item.stuck_on or item.first_day, item.donor, item.grade, item.n_now)
        writer.writerow([_plain(str(value)) for value in (*told, day)] + [""] * (len(ASKED) - 1))
    # A spreadsheet takes UTF-8 for granted only with this mark.
    return out.getvalue().encode("utf-8-sig")


def read_count_sheet(path: Path, today: date) -> tuple[FoundEntry, ...]:
    """Return the counts of a filled-in sheet; lines without any count are left out.

    Raises
    ------
    Refused
        Names file, line and column.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as problem:
        raise Refused(f"{path} cannot be read ({problem.strerror}).", "Give the filled-in sheet.") from None
    except UnicodeDecodeError:
        raise Refused(f"{path} is not a text file.", "Save it as CSV (UTF-8).") from None
    first = text.splitlines()[0] if text.strip() else ""
    separator = max(_SEPARATORS, key=first.count)
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator)
    missing = [name for name in ("label", "rooted") if name not in (reader.fieldnames or ())]
    if missing:
        raise Refused(
            f"{path}: the column {missing[0]} is missing.", "Begin with: grader record due --csv FILE."
        )
    entries = []
    lines: dict[tuple[str, date], int] = {}
    for row in reader:
        cells = {
            str(name): (value or "").strip() for name, value in row.items() if not isinstance(value, list)
        }
        entry = _entry(cells, f"{path}, line {reader.line_num}", path, today)
        if entry is None:
            continue
        key = (entry.label.upper(), entry.found_on)
        if key in lines:
            raise Refused(
                f"{path}, line {reader.line_num}: {entry.label} stands in line {lines[key]} too.",
                "Keep the right line.",
            )
        lines[key] = reader.line_num
        entries.append(entry)
    return tuple(entries)


def _entry(cells: dict[str, str], where: str, path: Path, today: date) -> FoundEntry | None:
    counts = {
        name: _whole(cells.get(name, ""), f"{where}: {name}") for name in ("rooted", "callused", "dead")
    }
    if all(count is None for count in counts.values()):
        filled = [name for name in ("last_count", "height_mm", "caliper_mm") if cells.get(name)]
        if filled:
            raise Refused(
                f"{where}: {filled[0]} is filled in, but no count is.", "Fill in rooted, 0 if none."
            )
        return None
    if not cells.get("label"):
        raise Refused(f"{where}: the label is missing.", "Fill it in.")
    word = cells.get("last_count", "").lower()
    if word not in _YES | _NO:
        raise Refused(f'{where}: last_count is "{word}".', "Write yes or no.")
    return FoundEntry(
        label=_unmarked(cells["label"]),
        found_on=_day(cells.get("found_on", ""), where, today),
        **counts,
        is_final=word in _YES,
        sizes_mm={
            name: sizes
            for name in ("height_mm", "caliper_mm")
            if (sizes := _sizes(cells.get(name, ""), f"{where}: {name}"))
        },
        note=_unmarked(cells.get("note", "")),
        source=str(path),
    )


def _whole(text: str, where: str) -> int | None:
    if not text:
        return None
    if not re.fullmatch(r"\d{1,6}(\.0+)?", text):
        raise Refused(
            f'{where} is "{text}".', "Write a whole number, or leave it empty if it was not counted."
        )
    return int(float(text))


def _sizes(text: str, where: str) -> tuple[float, ...]:
    try:
        return tuple(float(part.replace(",", ".")) for part in text.split())
    except ValueError:
        raise Refused(f'{where} is "{text}".', "Write sizes in mm, divided by blanks: 85 92.5 78.") from None


def _day(text: str, where: str, today: date) -> date:
    try:
        return date.fromisoformat(text) if text else today
    except ValueError:
        raise Refused(
            f'{where}: found_on is "{text}".', "Write year-month-day, such as 2026-02-28."
        ) from None


def _plain(text: str) -> str:
    return f"'{text}" if text[:1] in FORMULA_SIGNS else text


def _unmarked(text: str) -> str:
    return text[1:] if text.startswith("'") else text
