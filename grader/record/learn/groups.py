"""Take, growth and cost of each group, and what each donor plant gives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from grader.record.learn.shares import (
    CONFIDENCE,
    Difference,
    Share,
    Spread,
    by_factor,
    difference,
    share_of,
    spread_inside,
)
from grader.record.learn.units import FACTORS, Unit
from grader.traits.catalogue import TRAITS

CLASS_WIDTH = {"base_diameter_mm": 0.5, "total_length_mm": 10.0}
"""Measurement -> width of the classes that containers are told in by their mean, in its unit."""
CLASS_WORDS = {"base_diameter_mm": "wood thickness", "total_length_mm": "length"}
PER_PLANTS = 100
"""Rooted plants that a cost is told for."""
WEEKS_PER_MONTH = 365.25 / 12 / 7


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean and its interval; nan where one container does not tell."""

    value: float
    low: float
    high: float
    n: int


@dataclass(frozen=True, slots=True)
class GroupTold:
    """One group of a table."""

    name: str
    share: Share
    from_rest: Difference | None
    """Its take less that of all others; None if there are no others."""
    height_mm: Interval | None
    caliper_mm: Interval | None
    months: float
    containers_for_100: Interval
    """Containers for 100 rooted plants."""


@dataclass(frozen=True, slots=True)
class Table:
    """All groups of one factor."""

    factor: str
    words: str
    groups: tuple[GroupTold, ...]
    spread: Spread
    n_left_out: int
    """Containers in which the factor is not told or mixed."""


@dataclass(frozen=True, slots=True)
class DonorTold:
    """What one donor plant gives."""

    name: str
    n_cuttings: int
    """Measured."""
    length_mm: Interval
    diameter_mm: Interval
    share: Share
    from_rest: Difference | None
    """With the interval that allows for all plants compared."""


def tables_of(units: Sequence[Unit]) -> tuple[Table, ...]:
    """Return a table for each factor that tells at least two groups; where none does, that of the grade."""
    sorted_by = [("size_group", FACTORS["size_group"], by_factor(units, "size_group"))]
    sorted_by += [(t, CLASS_WORDS[t], classes(units, t, width)) for t, width in CLASS_WIDTH.items()]
    sorted_by += [(name, FACTORS[name], by_factor(units, name)) for name in FACTORS if name != "size_group"]
    telling = [item for item in sorted_by if len(item[2]) > 1]
    telling = telling or [("grade", FACTORS["grade"], by_factor(units, "grade"))]
    return tuple(_table(units, *item) for item in telling if item[2])


def classes(units: Sequence[Unit], trait: str, width: float) -> dict[str, list[Unit]]:
    """Return units by classes of their mean size, ascending."""
    found: dict[int, list[Unit]] = {}
    for unit in units:
        values = unit.sizes.get(trait)
        if values is not None and 2 * len(values) >= unit.n_stuck:
            found.setdefault(math.floor(float(values.mean()) / width), []).append(unit)
    known = TRAITS[trait]
    return {f"{k * width:g} to {(k + 1) * width:g} {known.unit}": found[k] for k in sorted(found)}


def _table(units: Sequence[Unit], factor: str, words: str, groups: dict[str, list[Unit]]) -> Table:
    spread = spread_inside(list(groups.values()))
    n_in = sum(len(group) for group in groups.values())
    told = []
    for name, group in groups.items():
        rest = [unit for other, members in groups.items() if other != name for unit in members]
        share = share_of(group, spread)
        told.append(
            GroupTold(
                name,
                share,
                difference(group, rest, spread) if rest else None,
                mean_of([unit.heights_mm for unit in group]),
                mean_of([unit.calipers_mm for unit in group]),
                float(np.mean([unit.weeks for unit in group])) / WEEKS_PER_MONTH,
                _containers_for_100(group, share),
            )
        )
    return Table(factor, words, tuple(told), spread, len(units) - n_in)


def _containers_for_100(group: Sequence[Unit], share: Share) -> Interval:
    per_container = share.n_stuck / sum(len(unit.labels) for unit in group)
    most, value, least = (
        PER_PLANTS / (per_container * take) if take > 0.0 else math.inf
        for take in (share.low, share.value, share.high)
    )
    return Interval(value, least, most, share.n_units)


def mean_of(samples: Sequence[Sequence[float]], confidence: float = CONFIDENCE) -> Interval | None:
    """Return the mean over containers, each one value, with Student's interval; None without any."""
    from scipy import stats

    means = [float(np.mean(sample)) for sample in samples if len(sample)]
    if not means:
        return None
    value = float(np.mean(means))
    if len(means) == 1:
        return Interval(value, math.nan, math.nan, 1)
    reach = (
        stats.t.ppf((1.0 + confidence) / 2.0, len(means) - 1) * np.std(means, ddof=1) / math.sqrt(len(means))
    )
    return Interval(value, value - float(reach), value + float(reach), len(means))


def donors_of(units: Sequence[Unit]) -> tuple[DonorTold, ...]:
    """Return the donor plants, best take first; their differences allow for all of them (Bonferroni)."""
    groups = by_factor(units, "donor")
    spread = spread_inside(list(groups.values()))
    confidence = 1.0 - (1.0 - CONFIDENCE) / max(1, len(groups))
    told = []
    for name, group in groups.items():
        rest = [unit for other, members in groups.items() if other != name for unit in members]
        nothing = Interval(math.nan, math.nan, math.nan, 0)
        told.append(
            DonorTold(
                name,
                sum(len(unit.sizes.get("total_length_mm", ())) for unit in group),
                mean_of([tuple(unit.sizes.get("total_length_mm", ())) for unit in group]) or nothing,
                mean_of([tuple(unit.sizes.get("base_diameter_mm", ())) for unit in group]) or nothing,
                share_of(group, spread),
                difference(group, rest, spread, confidence) if rest else None,
            )
        )
    return tuple(sorted(told, key=lambda donor: -donor.share.value))
