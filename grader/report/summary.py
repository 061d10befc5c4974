"""The batch at a glance: counts by grade, faults by how often, values beside their limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.frames import Points
from grader.report.rows import PhotoRows, Row, measured_of
from grader.traits.catalogue import TRAITS, number_text
from grader.verdict.rules import RULES

GRADES = ("1", "2", "cull", "unsure")
PLOTTED = ("total_length_mm", "stripped_length_mm", "base_diameter_mm", "foliage_area_mm2")
_LEVEL = {"cull": "allowed", "2": "wanted", "": "noted"}


@dataclass(frozen=True, slots=True)
class FaultCount:
    """How often one rule is broken."""

    code: str
    flag: str
    n_sure: int
    n_unsure: int

    @property
    def n_all(self) -> int:
        """Sure and doubtful ones."""
        return self.n_sure + self.n_unsure


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """The values of one measurement under one set of targets."""

    trait: str
    targets: str
    values: Points
    """(N,) in the stored unit; what could not be measured is left out."""
    n_missing: int
    limits: Mapping[str, float]
    """"wanted_min", "allowed_max", ... -> limit in the stored unit."""

    def facts(self) -> list[tuple[str, str]]:
        """Return what the picture shows, in words: (name, value) pairs."""
        trait = TRAITS[self.trait]
        facts = [("measured", f"{len(self.values)}")]
        if self.n_missing:
            facts.append(("not measurable", f"{self.n_missing}"))
        if len(self.values):
            low, middle, high = np.percentile(self.values, [0, 50, 100])
            spots = (("smallest", low), ("median", middle), ("largest", high))
            facts += [(name, number_text(trait, float(value))) for name, value in spots]
        for key, limit in self.limits.items():
            level, side = key.split("_")
            beyond = self.values < limit if side == "min" else self.values > limit
            words = "at least" if side == "min" else "at most"
            outside = f"{int(beyond.sum())} {'below' if side == 'min' else 'above'}"
            facts.append((f"{level} {words}", f"{number_text(trait, limit)}: {outside}"))
        return facts


def grade_counts(rows: Sequence[Row]) -> dict[str, int]:
    """Return how many cuttings have each grade, in the order of grades, none left out."""
    counts = Counter(row.grade for row in rows)
    return {grade: counts[grade] for grade in GRADES}


def fault_counts(rows: Sequence[Row]) -> list[FaultCount]:
    """Return how often each rule is broken, most often first; what is only pointed out does not count."""
    flags: dict[str, str] = {}
    sure: Counter[str] = Counter()
    unsure: Counter[str] = Counter()
    for row in rows:
        for fault in row.faults:
            if fault.is_deciding:
                flags[fault.code] = fault.flag
                (sure if fault.is_sure else unsure)[fault.code] += 1
    counts = [FaultCount(code, flag, sure[code], unsure[code]) for code, flag in flags.items()]
    return sorted(counts, key=lambda count: (-count.n_sure, -count.n_unsure, count.code))


def spreads_of(photos: Sequence[Mapping[str, Any]]) -> list[Spread]:
    """Return the values of the plotted measurements, apart for each set of targets.

    Parameters
    ----------
    photos : sequence of mappings
        Graded photos of results.json.
    """
    by_targets: dict[str, list[Mapping[str, Any]]] = {}
    for photo in photos:
        for cutting in photo["cuttings"]:
            by_targets.setdefault(cutting["targets"], []).append(cutting)
    return [
        _spread(trait, targets, cuttings) for targets, cuttings in by_targets.items() for trait in PLOTTED
    ]


def _spread(trait: str, targets: str, cuttings: list[Mapping[str, Any]]) -> Spread:
    values = np.array([measured_of(cutting["traits"].get(trait)).value for cutting in cuttings], dtype=float)
    known = values[np.isfinite(values)]
    return Spread(trait, targets, known, len(values) - len(known), limits_of(trait, cuttings))


def limits_of(trait: str, cuttings: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """Return the limits that some cuttings were judged by, from their rules."""
    limits: dict[str, float] = {}
    for cutting in cuttings[:1]:  # all have the same targets
        for rule in cutting["rules"]:
            known = RULES.get(rule["rule"])
            if known is not None and rule["trait"] == trait and rule["limit"] is not None:
                limits[f"{_LEVEL.get(rule['grade_if_failed'], 'noted')}_{known.side.value}"] = rule["limit"]
    order = ("allowed_min", "wanted_min", "wanted_max", "allowed_max", "noted_min", "noted_max")
    return {key: limits[key] for key in order if key in limits}


def n_cuttings(photos: Sequence[PhotoRows]) -> int:
    """Return how many cuttings there are on all photos."""
    return sum(len(photo.rows) for photo in photos)
