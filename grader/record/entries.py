"""What is entered into the record, as plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

DUE_WEEKS = 12.0
"""When to count unless told: redcedar hardwood cuttings under mist were counted after 12 weeks (Henry,
Blazich and Hinesley 1992, HortScience 27(12):1272-1274), Atlantic white cedar too (1997, HortScience
32(2):315)."""
MOST_IN_A_CONTAINER = 5000
"""Above it somebody mixed up two numbers; a large tray holds some hundred."""
DAYS_PER_WEEK = 7.0
SIZE_TRAITS = {"height_mm": "height", "caliper_mm": "caliper"}
"""What is measured on rooted plants, all in mm."""


@dataclass(frozen=True, slots=True)
class CuttingEntry:
    """One measured cutting; named by the SHA-256 of its photo and its number on it."""

    photo_sha256: str
    number: int
    photo: str
    grade: str
    cutter: str
    traits: Mapping[str, tuple[float, float]]
    """Name of the measurement -> value, standard uncertainty; only those that exist."""


@dataclass(frozen=True, slots=True)
class StuckEntry:
    """One container as it was stuck."""

    label: str
    stuck_on: date
    n_stuck: int
    species: str = ""
    donor: str = ""
    grade: str = ""
    cutter: str = ""
    size_group: str = ""
    """Id of the size group on the sticking sheet."""
    group_trait: str = ""
    group_from: float = -math.inf
    group_below: float = math.inf
    medium: str = ""
    hormone: str = ""
    heat_c: float = math.nan
    """Temperature that the bottom heat keeps, degrees Celsius; nan if there is none or it is not told."""
    due_weeks: float = DUE_WEEKS
    note: str = ""
    source: str = ""
    """How it came in: "command", or the file."""
    cuttings: tuple[CuttingEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class FoundEntry:
    """What was found in one container on one day: totals since sticking."""

    label: str
    found_on: date
    rooted: int | None = None
    """Rooted so far, those potted on included; None if not counted."""
    callused: int | None = None
    """With callus only, that day."""
    dead: int | None = None
    """Dead so far, those thrown away included."""
    is_final: bool = False
    """The last count: what has no roots now will not get them."""
    sizes_mm: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Measurement of rooted plants -> their sizes in mm."""
    note: str = ""
    source: str = "command"

    def counts(self) -> tuple[int | None, int | None, int | None]:
        """Return rooted, callused, dead."""
        return (self.rooted, self.callused, self.dead)


def clean_label(text: str) -> str:
    """Return a label as it is kept: scanners add blanks and line ends, people write small letters.

    Examples
    --------
    >>> clean_label(" cg1-7k3qf2zc-a-01\\r\\n")
    'CG1-7K3QF2ZC-A-01'
    """
    return " ".join(text.split()).upper()
