"""Enter what was stuck and what was found; corrections are new rows, nothing is overwritten."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from datetime import date
from enum import Enum

from grader.record.entries import SIZE_TRAITS, CuttingEntry, FoundEntry, StuckEntry, clean_label
from grader.record.look import container, container_id
from grader.record.rules import check_container, check_count, check_day, check_label
from grader.record.store import Record, Refused, now, writing


class Entered(Enum):
    """What became of an entry."""

    NEW = "entered"
    CORRECTED = "corrected"
    ALREADY = "already in the record"


_STUCK_COLUMNS = (
    "stuck_on, n_stuck, species, donor_id, grade, cutter, size_group, group_trait, group_from, group_below, "
    "medium, hormone, heat_c, due_weeks, note, source"
)
_COUNT_COLUMNS = "n_rooted, n_callused, n_dead, is_final, note"
HEAT_RANGE_C = (0.0, 45.0)
"""Bottom heat beyond it kills cuttings, or is in Fahrenheit."""


def enter_stuck(
    record: Record, entries: Sequence[StuckEntry], today: date, *, correct: bool = False
) -> tuple[Entered, ...]:
    """Enter containers as stuck: all of them, or none.

    Raises
    ------
    Refused
        If one contradicts the record or itself.
    """
    with writing(record) as db:
        return tuple(_stuck(db, entry, today, correct) for entry in entries)


def _stuck(db: sqlite3.Connection, entry: StuckEntry, today: date, correct: bool) -> Entered:
    label = clean_label(entry.label)
    check_label(label)
    check_count(entry.n_stuck, f"{label}: cuttings stuck")
    check_day(entry.stuck_on, today, f"{label}: sticking")
    _check_conditions(label, entry)
    values = _stuck_values(db, entry)
    row = db.execute("SELECT id FROM container WHERE label = ?", (label,)).fetchone()
    container_row = row[0] if row else _insert(db, "container", "label, entered_at", (label, now()))
    before = db.execute(
        f"SELECT {_STUCK_COLUMNS}, id FROM sticking_now WHERE container_id = ?", (container_row,)
    ).fetchone()
    if row and before is None:
        raise Refused(
            f"{label} took cuttings over from another container; it cannot be stuck as well.",
            "Use another label.",
        )
    # Where it came in from does not make it another sticking.
    if before and before[:-2] == values[:-1]:
        _place(db, container_row, entry.cuttings)
        return Entered.ALREADY
    if before and not correct:
        raise Refused(
            f"{label} is already in the record: {before[1]} cuttings stuck on {before[0]}.",
            f"To correct it add --correct; to see it: grader record show {label}.",
        )
    columns = f"container_id, {_STUCK_COLUMNS}, entered_at, replaces"
    _insert(db, "sticking", columns, (container_row, *values, now(), before[-1] if before else None))
    _place(db, container_row, entry.cuttings)
    check_container(container(db, label))
    return Entered.CORRECTED if before else Entered.NEW


def _check_conditions(label: str, entry: StuckEntry) -> None:
    low, high = HEAT_RANGE_C
    if math.isfinite(entry.heat_c) and not low <= entry.heat_c <= high:
        celsius = (entry.heat_c - 32.0) / 1.8
        hint = f"If that was Fahrenheit, give {celsius:.0f}." if low <= celsius <= high else ""
        raise Refused(
            f"{label}: bottom heat of {entry.heat_c:g} °C cannot be right.",
            hint or "Give what the thermostat keeps, in °C.",
        )
    if not (math.isfinite(entry.due_weeks) and entry.due_weeks > 0.0):
        raise Refused(
            f"{label}: it cannot be due after {entry.due_weeks:g} weeks.",
            "Give the weeks from sticking to the count.",
        )


def _stuck_values(db: sqlite3.Connection, entry: StuckEntry) -> tuple[object, ...]:
    donor = entry.donor.strip()
    donor_id = None
    if donor:
        row = db.execute("SELECT id FROM donor WHERE name = ?", (donor,)).fetchone()
        donor_id = row[0] if row else _insert(db, "donor", "name, entered_at", (donor, now()))
    return (
        entry.stuck_on.isoformat(),
        entry.n_stuck,
        entry.species.strip(),
        donor_id,
        entry.grade.strip(),
        entry.cutter.strip(),
        entry.size_group,
        entry.group_trait,
        _finite(entry.group_from),
        _finite(entry.group_below),
        entry.medium.strip(),
        entry.hormone.strip(),
        _finite(entry.heat_c),
        entry.due_weeks,
        entry.note.strip(),
        entry.source,
    )


def _place(db: sqlite3.Connection, container_row: int, cuttings: Sequence[CuttingEntry]) -> None:
    for cutting in cuttings:
        key = (cutting.photo_sha256, cutting.number)
        row = db.execute("SELECT id FROM cutting WHERE photo_sha256 = ? AND number = ?", key).fetchone()
        if row is None:
            columns = "photo_sha256, number, photo, grade, cutter, entered_at"
            cutting_id = _insert(
                db, "cutting", columns, (*key, cutting.photo, cutting.grade, cutting.cutter, now())
            )
            db.executemany(
                "INSERT INTO measurement (cutting_id, trait, value, sigma) VALUES (?, ?, ?, ?)",
                [
                    (cutting_id, trait, value, _finite(sigma))
                    for trait, (value, sigma) in cutting.traits.items()
                    if math.isfinite(value)
                ],
            )
        else:
            cutting_id = row[0]
        there = db.execute(
            "SELECT c.id, c.label FROM placement p JOIN container c ON c.id = p.container_id "
            "WHERE p.cutting_id = ?",
            (cutting_id,),
        ).fetchone()
        if there is None:
            _insert(db, "placement", "container_id, cutting_id", (container_row, cutting_id))
        elif there[0] != container_row:
            raise Refused(
                f"Cutting {cutting.number} of photo {cutting.photo} is in container {there[1]} already.",
                "A cutting is stuck once. Was the same photo sorted twice? Keep the sheet that was used.",
            )


def enter_found(
    record: Record, entries: Sequence[FoundEntry], today: date, *, correct: bool = False
) -> tuple[Entered, ...]:
    """Enter counts: all of them, or none.

    Raises
    ------
    Refused
        If one contradicts the record or itself.
    """
    with writing(record) as db:
        return tuple(_found(db, entry, today, correct) for entry in entries)


def withdraw_found(record: Record, label: str, day: date) -> None:
    """Take back the count of a day, entered for the wrong container; it stays in the history.

    Raises
    ------
    Refused
        If there is none.
    """
    with writing(record) as db:
        row_id = container_id(db, label)
        row = db.execute(
            "SELECT id FROM finding_now WHERE container_id = ? AND found_on = ?", (row_id, day.isoformat())
        ).fetchone()
        if row is None:
            raise Refused(
                f"{clean_label(label)} has no count of {day}.",
                f"What stands there: grader record show {clean_label(label)}.",
            )
        columns = "container_id, found_on, note, source, entered_at, withdrawn, replaces"
        _insert(db, "finding", columns, (row_id, day.isoformat(), "", "command", now(), 1, row[0]))


def _found(db: sqlite3.Connection, entry: FoundEntry, today: date, correct: bool) -> Entered:
    label = clean_label(entry.label)
    row_id = container_id(db, label)
    check_day(entry.found_on, today, f"{label}: the count")
    _check_found(label, entry)
    day = entry.found_on.isoformat()
    before = db.execute(
        f"SELECT {_COUNT_COLUMNS}, withdrawn, id FROM finding f WHERE container_id = ? AND found_on = ? "
        "AND NOT EXISTS (SELECT 1 FROM finding r WHERE r.replaces = f.id)",
        (row_id, day),
    ).fetchone()
    values = (*entry.counts(), int(entry.is_final), entry.note.strip())
    stands = before is not None and not before[-2]
    if stands and before[:-2] == values and _sizes_of(db, before[-1]) == _sizes(entry):
        return Entered.ALREADY
    if stands and not correct:
        told = ", ".join(
            f"{'not counted' if n is None else n} {word}" for n, word in zip(before, _WORDS, strict=False)
        )
        raise Refused(
            f"{label} has another count of {day} already: {told}.",
            "If the new one is right, add --correct: the old one stays in the history.",
        )
    if correct and not stands:
        raise Refused(
            f"{label} has no count of {day} that could be corrected.",
            f"Its counts: grader record show {label}.",
        )
    columns = f"container_id, found_on, {_COUNT_COLUMNS}, source, entered_at, replaces"
    replaced = before[-1] if before else None
    finding = _insert(db, "finding", columns, (row_id, day, *values, entry.source, now(), replaced))
    for trait, size in _sizes(entry):
        _insert(db, "size", "finding_id, trait, value", (finding, trait, size))
    check_container(container(db, label))
    return Entered.CORRECTED if stands else Entered.NEW


_WORDS = ("rooted", "callused", "dead")


def _check_found(label: str, entry: FoundEntry) -> None:
    if all(count is None for count in entry.counts()):
        raise Refused(f"{label}: no count is given.", "Give --rooted, --callused or --dead.")
    for count, word in zip(entry.counts(), _WORDS, strict=True):
        if count is not None and count < 0:
            raise Refused(f"{label}: {count} {word} cannot be.", "Counts start at 0.")
    if entry.is_final and entry.rooted is None:
        raise Refused(
            f"{label}: a last count needs the number rooted.",
            "Give --rooted, 0 if none.",
        )
    for trait, sizes in entry.sizes_mm.items():
        if trait not in SIZE_TRAITS:
            raise Refused(f"{label}: {trait} is not known.", f"Known: {', '.join(SIZE_TRAITS)}.")
        if any(not (math.isfinite(size) and size > 0.0) for size in sizes):
            raise Refused(
                f"{label}: a {SIZE_TRAITS[trait]} is not above 0 mm.",
                "Give sizes in mm.",
            )
        if entry.rooted is not None and len(sizes) > entry.rooted:
            raise Refused(
                f"{label}: {len(sizes)} sizes are more than the {entry.rooted} rooted.",
                "Measure rooted plants only.",
            )


def _sizes(entry: FoundEntry) -> list[tuple[str, float]]:
    return sorted((trait, float(size)) for trait, sizes in entry.sizes_mm.items() for size in sizes)


def _sizes_of(db: sqlite3.Connection, finding: int) -> list[tuple[str, float]]:
    rows = db.execute("SELECT trait, value FROM size WHERE finding_id = ?", (finding,))
    return sorted((str(row[0]), float(row[1])) for row in rows)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _insert(db: sqlite3.Connection, table: str, columns: str, values: tuple[object, ...]) -> int:
    marks = ", ".join("?" * len(values))
    return int(db.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", values).lastrowid or 0)
