"""Containers move; cuttings go from one into another."""

from __future__ import annotations

import sqlite3
from datetime import date

from grader.record.entries import clean_label
from grader.record.look import container, container_id
from grader.record.rules import check_container, check_count, check_day, check_label
from grader.record.store import Record, Refused, now, writing


def move(record: Record, label: str, place: str, day: date, today: date) -> None:
    """Enter where a container stands from a day on.

    Raises
    ------
    Refused
        If the label is unknown, the place empty or the day impossible.
    """
    check_day(day, today, "Moving")
    if not place.strip():
        raise Refused("The place has no name.", "Give it with --to.")
    with writing(record) as db:
        item = container(db, label)
        if day < item.first_day:
            raise Refused(
                f"{item.label}: moved on {day}, before it was stuck on {item.first_day}.",
                "Check the two dates.",
            )
        db.execute(
            "INSERT INTO place (container_id, moved_on, place, entered_at) VALUES (?, ?, ?, ?)",
            (item.id, day.isoformat(), place.strip(), now()),
        )


def split(record: Record, label: str, into: str, n: int, day: date, today: date) -> None:
    """Move some cuttings into a new container.

    Raises
    ------
    Refused
        If the label is unknown, the new one is taken, or there are not as many.
    """
    check_day(day, today, "Splitting")
    check_count(n, "Cuttings moved")
    new = clean_label(into)
    check_label(new)
    with writing(record) as db:
        source = container_id(db, label)
        if db.execute("SELECT 1 FROM container WHERE label = ?", (new,)).fetchone():
            raise Refused(
                f"{new} is in the record already.",
                "Give a new label, or use: grader record merge.",
            )
        target = db.execute("INSERT INTO container (label, entered_at) VALUES (?, ?)", (new, now())).lastrowid
        _transfer(db, source, int(target or 0), day, n)
        check_container(container(db, label))
        check_container(container(db, new))


def merge(record: Record, label: str, into: str, day: date, today: date) -> int:
    """Move all cuttings of a container into another one; return how many.

    Raises
    ------
    Refused
        If a label is unknown, both are the same, or it is empty.
    """
    check_day(day, today, "Merging")
    with writing(record) as db:
        source, target = container(db, label), container(db, into)
        if source.id == target.id:
            raise Refused("A container cannot be merged with itself.", "")
        n = source.n_on(day)
        if n <= 0:
            raise Refused(
                f"{source.label} holds no cuttings on {day}.",
                f"What stands there: grader record show {source.label}.",
            )
        _transfer(db, source.id, target.id, day, n)
        check_container(container(db, source.label))
        check_container(container(db, target.label))
        return n


def _transfer(db: sqlite3.Connection, source: int, target: int, day: date, n: int) -> None:
    db.execute(
        "INSERT INTO transfer (from_id, to_id, moved_on, n, entered_at) VALUES (?, ?, ?, ?, ?)",
        (source, target, day.isoformat(), n, now()),
    )
