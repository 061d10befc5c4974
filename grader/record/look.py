"""Look into the record: what stands for one container now, and what stood there before."""

from __future__ import annotations

import difflib
import sqlite3
from dataclasses import dataclass
from datetime import date, timedelta

from grader.record.entries import DAYS_PER_WEEK, clean_label
from grader.record.store import Refused

_MOST_LABELS_TOLD = 3
_LIKE = 0.7
"""One wrong sign of four is still alike."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """Cuttings that went from one container into another."""

    from_label: str
    to_label: str
    moved_on: date
    n: int


@dataclass(frozen=True, slots=True)
class Finding:
    """One count as it stands."""

    id: int
    found_on: date
    rooted: int | None
    callused: int | None
    dead: int | None
    is_final: bool
    note: str
    entered_at: str


@dataclass(frozen=True, slots=True)
class ContainerNow:
    """One container as it stands."""

    id: int
    label: str
    stuck_on: date | None
    """None for a container that only took cuttings over from others."""
    n_stuck: int
    species: str
    donor: str
    grade: str
    size_group: str
    due_on: date | None
    findings: tuple[Finding, ...]
    """By day."""
    transfers: tuple[Transfer, ...]
    """Into and out of it, by day."""
    place: str

    def n_on(self, day: date) -> int:
        """Return how many cuttings it held at the end of a day, dead ones included."""
        n = self.n_stuck if self.stuck_on is None or self.stuck_on <= day else 0
        for move in self.transfers:
            if move.moved_on <= day:
                n += move.n if move.to_label == self.label else -move.n
        return n

    def n_counted(self, day: date) -> int:
        """Return how many a count of that day can be of: before or after moves of the same day."""
        return max(self.n_on(day), self.n_on(day - timedelta(days=1)))

    @property
    def n_now(self) -> int:
        """How many cuttings it holds."""
        return self.n_on(date.max)

    @property
    def first_day(self) -> date:
        """When the first cuttings came into it."""
        return self.stuck_on or min(move.moved_on for move in self.transfers)

    @property
    def is_counted_out(self) -> bool:
        """Whether nothing more is to be found: a last count, or all are rooted or dead."""
        if not self.findings:
            return self.n_now == 0
        last = self.findings[-1]
        settled = (last.rooted or 0) + (last.dead or 0)
        return last.is_final or settled >= self.n_counted(last.found_on)


def labels(db: sqlite3.Connection) -> tuple[str, ...]:
    """Return the labels of all containers, oldest first."""
    return tuple(row[0] for row in db.execute("SELECT label FROM container ORDER BY id"))


def container_id(db: sqlite3.Connection, label: str) -> int:
    """Return the row of a container.

    Raises
    ------
    Refused
        If no container has this label; names those that look like it.
    """
    wanted = clean_label(label)
    row = db.execute("SELECT id FROM container WHERE label = ?", (wanted,)).fetchone()
    if row:
        return int(row[0])
    near = difflib.get_close_matches(wanted, labels(db), n=_MOST_LABELS_TOLD, cutoff=_LIKE)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    raise Refused(
        f'No container with the label "{wanted}" is in the record.',
        f"{hint}All labels: grader record show. A new one is entered with: grader record stuck {wanted}.",
    )


def container(db: sqlite3.Connection, label: str) -> ContainerNow:
    """Return one container as it stands.

    Raises
    ------
    Refused
        If no container has this label.
    """
    row_id = container_id(db, label)
    stuck = db.execute(
        "SELECT s.stuck_on, s.n_stuck, s.species, coalesce(d.name, ''), s.grade, s.size_group, s.due_weeks "
        "FROM sticking_now s LEFT JOIN donor d ON d.id = s.donor_id WHERE s.container_id = ?",
        (row_id,),
    ).fetchone()
    place = db.execute(
        "SELECT place FROM place WHERE container_id = ? ORDER BY moved_on DESC, id DESC LIMIT 1", (row_id,)
    ).fetchone()
    name = str(db.execute("SELECT label FROM container WHERE id = ?", (row_id,)).fetchone()[0])
    stuck_on = date.fromisoformat(stuck[0]) if stuck else None
    transfers = _transfers(db, row_id)
    return ContainerNow(
        id=row_id,
        label=name,
        stuck_on=stuck_on,
        n_stuck=int(stuck[1]) if stuck else 0,
        species=stuck[2] if stuck else "",
        donor=stuck[3] if stuck else "",
        grade=stuck[4] if stuck else "",
        size_group=stuck[5] if stuck else "",
        due_on=_due_on(db, row_id),
        findings=_findings(db, row_id),
        transfers=transfers,
        place=place[0] if place else "",
    )


def containers(db: sqlite3.Connection) -> tuple[ContainerNow, ...]:
    """Return all containers as they stand, oldest first."""
    return tuple(container(db, label) for label in labels(db))


def due(db: sqlite3.Connection, day: date) -> tuple[ContainerNow, ...]:
    """Return the containers to count on a day: time is up, cuttings are in it, the last count is not made."""
    found = []
    for item in containers(db):
        is_due = item.due_on is None or item.due_on <= day
        counted_lately = bool(item.findings) and item.findings[-1].found_on >= day
        if is_due and item.n_now > 0 and not item.is_counted_out and not counted_lately:
            found.append(item)
    return tuple(sorted(found, key=lambda item: (item.due_on or item.first_day, item.label)))


def _due_on(db: sqlite3.Connection, row_id: int) -> date | None:
    """Return when to count: weeks after the last sticking of what is in it, by way of others too."""
    rows = db.execute(
        "WITH RECURSIVE origin(id) AS (VALUES (?) UNION SELECT t.from_id FROM transfer t JOIN origin o "
        "ON t.to_id = o.id) SELECT s.stuck_on, s.due_weeks FROM sticking_now s "
        "JOIN origin o ON o.id = s.container_id",
        (row_id,),
    )
    days = [date.fromisoformat(row[0]) + timedelta(days=round(row[1] * DAYS_PER_WEEK)) for row in rows]
    return max(days, default=None)


def _findings(db: sqlite3.Connection, row_id: int) -> tuple[Finding, ...]:
    rows = db.execute(
        "SELECT id, found_on, n_rooted, n_callused, n_dead, is_final, note, entered_at FROM finding_now "
        "WHERE container_id = ? ORDER BY found_on, id",
        (row_id,),
    )
    return tuple(
        Finding(r[0], date.fromisoformat(r[1]), r[2], r[3], r[4], bool(r[5]), r[6], r[7]) for r in rows
    )


def _transfers(db: sqlite3.Connection, row_id: int) -> tuple[Transfer, ...]:
    rows = db.execute(
        "SELECT a.label, b.label, t.moved_on, t.n FROM transfer t JOIN container a ON a.id = t.from_id "
        "JOIN container b ON b.id = t.to_id WHERE t.from_id = ? OR t.to_id = ? ORDER BY t.moved_on, t.id",
        (row_id, row_id),
    )
    return tuple(Transfer(r[0], r[1], date.fromisoformat(r[2]), int(r[3])) for r in rows)
