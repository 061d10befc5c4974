"""The size targets: what a grower wants of a cutting, as read from a target file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from grader.verdict.rules import Level, Side

POLICIES = ("guarded", "simple", "guarded-acceptance", "guarded-rejection")
"""What becomes of a value inside the guard band of a limit.

The names are those of ILAC-G8:09/2019; the guard band is w = guard_factor * u either side of the limit
(JCGM 106:2012, clause 8.3).

guarded             unsure: neither is proven (ISO 14253-1:2017 with w = U = 2 u, guard_factor = 2)
simple              the measured value decides: shared risk, up to 50 % at the limit
guarded-acceptance  a fault: only what is proven good is accepted
guarded-rejection   met: only what is proven bad is rejected
"""
DOUBTFUL = ("unsure", "keep", "set-aside")
"""What the person wants done with doubtful cuttings: tell, take the measured value, or count as a fault."""
GUARD_FACTOR = 1.645
"""Standard uncertainties either side of a limit: one-sided 95 % of a normal distribution (JCGM 106:2012)."""
_HASH_DIGITS = 12


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of one measurement, in its own unit; nan where none is set."""

    trait: str
    by_key: Mapping[str, float]
    """wanted_min, wanted_max, allowed_min, allowed_max, noted_min, noted_max -> value."""
    source: str

    def get(self, level: Level, side: Side) -> float:
        """Return one limit, nan if it is not set."""
        return self.by_key.get(f"{level.value}_{side.value}", math.nan)


@dataclass(frozen=True, slots=True)
class Targets:
    """A whole target file."""

    name: str
    version: str
    species: str
    notes: str
    policy: str
    guard_factor: float
    upper_pieces: bool
    """Whether upper pieces of a divided shoot are wanted as cuttings."""
    advice_source: str
    """Where that comes from."""
    limits: Mapping[str, Limits]
    """By name of the measurement; only those that have limits."""
    path: Path
    sha256: str
    """Of the file's bytes."""
    doubtful: str = DOUBTFUL[0]
    """One of DOUBTFUL; no part of the file: the person says it for each run."""

    @property
    def id(self) -> str:
        """Name, version and first digits of the hash: tells which limits a grade was given by."""
        return f"{self.name} {self.version} ({self.sha256[:_HASH_DIGITS]})"

    def get(self, trait: str, level: Level, side: Side) -> float:
        """Return one limit in the unit of the measurement, nan if it is not set."""
        limits = self.limits.get(trait)
        return limits.get(level, side) if limits else math.nan
