"""What was stuck together and counted: the units of all statistics.

A unit is a container as it was stuck. Containers between which cuttings went over are one unit from then on,
since nobody can tell afterwards which cutting came from where.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from grader.record.entries import DAYS_PER_WEEK
from grader.record.look import ContainerNow, Finding, containers
from grader.records import Values
from grader.traits.catalogue import TRAITS

MIXED = "mixed"
"""Value of something that differs inside a unit."""
FACTORS = {
    "grade": "grade",
    "size_group": "size group",
    "donor": "donor plant",
    "cutter": "cutter",
    "stuck_on": "date stuck",
    "hormone": "hormone",
    "medium": "medium",
    "heat": "bottom heat",
}
"""What units can be told apart by, and its words."""
CONDITIONS = ("donor", "stuck_on", "hormone", "medium", "heat")
"""What must be alike for sizes to be compared fairly."""


@dataclass(frozen=True, slots=True, eq=False)
class Unit:
    """Cuttings stuck together and counted."""

    labels: tuple[str, ...]
    species: str
    n_stuck: int
    n_rooted: int
    n_callused: int
    n_dead: int
    weeks: float
    """From sticking to the count that is used."""
    factors: Mapping[str, str]
    """Keys of FACTORS -> value; "" if not told, MIXED if it differs inside."""
    sizes: Mapping[str, Values]
    """Measurement -> values of its cuttings, as far as measured."""
    heights_mm: tuple[float, ...]
    calipers_mm: tuple[float, ...]

    @property
    def take(self) -> float:
        """Share rooted."""
        return self.n_rooted / self.n_stuck

    @property
    def conditions(self) -> tuple[str, ...]:
        """Everything but size and grade."""
        return tuple(self.factors[name] for name in CONDITIONS)


@dataclass(frozen=True, slots=True)
class NotYet:
    """A unit that tells nothing yet, and why."""

    label: str
    why: str


def units_of(db: sqlite3.Connection) -> tuple[tuple[Unit, ...], tuple[NotYet, ...]]:
    """Return the units that are counted, and those that are not with the reason."""
    everything = {item.label: item for item in containers(db)}
    found: list[Unit] = []
    waiting: list[NotYet] = []
    for group in _connected(everything):
        unit = _unit(db, group)
        (found if isinstance(unit, Unit) else waiting).append(unit)  # type: ignore[arg-type]
    return tuple(found), tuple(waiting)


def _connected(everything: Mapping[str, ContainerNow]) -> list[list[ContainerNow]]:
    """Return the containers, those together between which cuttings went over."""
    groups: list[list[ContainerNow]] = []
    seen: set[str] = set()
    for label in everything:
        todo, group = [label], []
        while todo:
            current = todo.pop()
            if current in seen:
                continue
            seen.add(current)
            group.append(everything[current])
            for move in everything[current].transfers:
                todo += [move.from_label, move.to_label]
        if group:
            groups.append(group)
    return groups


def _unit(db: sqlite3.Connection, group: list[ContainerNow]) -> Unit | NotYet:
    stuck = [item for item in group if item.stuck_on]
    counts = _counts(group)
    if isinstance(counts, str):
        return NotYet(stuck[0].label, counts)
    first = max(item.stuck_on for item in stuck if item.stuck_on)
    last = max(count.found_on for count in counts)
    marks = ", ".join("?" * len(stuck))
    ids = [item.id for item in stuck]
    rows = db.execute(
        "SELECT s.grade, s.size_group, s.group_trait, s.group_from, s.group_below, coalesce(d.name, ''), "
        "s.cutter, s.stuck_on, s.hormone, s.medium, s.heat_c, s.species FROM sticking_now s "
        f"LEFT JOIN donor d ON d.id = s.donor_id WHERE s.container_id IN ({marks})",
        ids,
    ).fetchall()
    told = [
        {
            "grade": row[0], "size_group": group_words(row[2], row[3], row[4]) if row[2] else row[1],
            "donor": row[5], "cutter": row[6], "stuck_on": row[7], "hormone": row[8], "medium": row[9],
            "heat": f"{row[10]:g} °C" if row[10] is not None else "",
        }
        for row in rows
    ]  # fmt: skip
    return Unit(
        labels=tuple(item.label for item in stuck),
        species=_common([str(row[11]) for row in rows]),
        n_stuck=sum(item.n_stuck for item in stuck),
        n_rooted=sum(count.rooted or 0 for count in counts),
        n_callused=sum(count.callused or 0 for count in counts),
        n_dead=sum(count.dead or 0 for count in counts),
        weeks=(last - first).days / DAYS_PER_WEEK,
        factors={name: _common([each[name] for each in told]) for name in FACTORS},
        sizes=_measured(db, ids),
        heights_mm=_grown(db, group, "height_mm"),
        calipers_mm=_grown(db, group, "caliper_mm"),
    )


def _counts(group: list[ContainerNow]) -> list[Finding] | str:
    """Return the counts to add up, each cutting in one of them, or why there are none."""
    if len(group) > 1:
        chosen = _counts_around_moves(group)
        if chosen is None:
            return "cuttings went over to another container and not all were counted since"
    else:
        if not group[0].findings:
            return f"not counted yet, due {group[0].due_on}"
        chosen = [(group[0], group[0].findings[-1])]
    for item, last in chosen:
        if last.rooted is None:
            return "the rooted were not counted"
        settled = last.rooted + (last.dead or 0) >= item.n_counted(last.found_on)
        if not (last.is_final or settled or (item.due_on or date.max) <= last.found_on):
            return f"counted on {last.found_on}, before it was due on {item.due_on}"
    return [last for _item, last in chosen]


def _counts_around_moves(group: list[ContainerNow]) -> list[tuple[ContainerNow, Finding]] | None:
    moved_on = [move.moved_on for item in group for move in item.transfers]
    holding = [item for item in group if item.n_now > 0]
    if all(item.findings and item.findings[-1].found_on > max(moved_on) for item in holding):
        return [(item, item.findings[-1]) for item in holding]
    stuck = [item for item in group if item.stuck_on]
    before = {
        item.label: [finding for finding in item.findings if finding.found_on <= min(moved_on)]
        for item in stuck
    }
    if all(before.values()):
        return [(item, before[item.label][-1]) for item in stuck]
    return None


def _common(values: list[str]) -> str:
    return values[0] if len(set(values)) == 1 else MIXED


def _measured(db: sqlite3.Connection, ids: list[int]) -> dict[str, Values]:
    marks = ", ".join("?" * len(ids))
    found: dict[str, list[float]] = {}
    for trait, value in db.execute(
        "SELECT m.trait, m.value FROM measurement m JOIN placement p ON p.cutting_id = m.cutting_id "
        f"WHERE p.container_id IN ({marks}) ORDER BY m.id",
        ids,
    ):
        found.setdefault(trait, []).append(value)
    return {trait: np.array(values) for trait, values in found.items()}


def _grown(db: sqlite3.Connection, group: list[ContainerNow], trait: str) -> tuple[float, ...]:
    """Return the sizes of the latest measuring in each container."""
    sizes: list[float] = []
    for item in group:
        for finding in reversed(item.findings):
            rows = db.execute(
                "SELECT value FROM size WHERE finding_id = ? AND trait = ?", (finding.id, trait)
            )
            values = [float(row[0]) for row in rows]
            if values:
                sizes += values
                break
    return tuple(sizes)


def group_words(trait: str, low: float | None, high: float | None) -> str:
    """Return a size group in words.

    Examples
    --------
    >>> group_words("base_diameter_mm", 1.5, 2.5)
    'base diameter 1.5 to 2.5 mm'
    >>> group_words("total_length_mm", None, 75.0)
    'total length below 75 mm'
    """
    known = TRAITS.get(trait)
    words, unit = (known.words, f" {known.unit}".rstrip()) if known else (trait, "")
    if low is None and high is None:
        return f"{words}, all sizes"
    if low is None:
        return f"{words} below {high:g}{unit}"
    return f"{words} from {low:g}{unit}" if high is None else f"{words} {low:g} to {high:g}{unit}"
