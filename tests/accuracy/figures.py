"""Many readings -> the figures that the goals speak of."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.accuracy.compare import Comparison
from tests.accuracy.reading import Reading

INTERVAL_SIGMAS = 1.96
"""Half width of a 95 % interval in standard uncertainties."""


@dataclass(frozen=True, slots=True)
class Figures:
    """How well one trait is measured; nan where there is nothing to say."""

    n: int
    """Values compared."""
    cannot_tell: int
    """No value, though there is a true one."""
    says_none: int
    """Said not to exist, though there is a true value."""
    bias: float
    rmse: float
    p95: float
    worst: float
    coverage: float
    """Share of stated 95 % intervals that hold the truth."""
    mean_sigma: float


def figures(readings: Iterable[Reading]) -> Figures:
    """Return the figures of the readings of one trait.

    The 95th percentile is that of the absolute error, linearly interpolated.
    """
    readings = list(readings)
    told = [reading for reading in readings if not math.isnan(reading.found)]
    none = sum(reading.says_none for reading in readings)
    missing = len(readings) - len(told) - none
    if not told:
        return Figures(0, missing, none, *(math.nan,) * 6)
    error = np.array([reading.error for reading in told])
    sigma = np.array([reading.error_sigma for reading in told])
    has_sigma = np.isfinite(sigma)
    holds = np.abs(error) <= INTERVAL_SIGMAS * sigma
    return Figures(
        n=len(told),
        cannot_tell=missing,
        says_none=none,
        bias=float(error.mean()),
        rmse=float(np.sqrt(np.mean(error**2))),
        p95=float(np.percentile(np.abs(error), 95)),
        worst=float(np.abs(error).max()),
        coverage=float(holds.mean()),
        mean_sigma=float(sigma[has_sigma].mean()) if has_sigma.any() else math.nan,
    )


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts over several photos."""

    photos: int
    skipped: int
    cuttings: int
    missed: int
    invented: int
    merged: int
    set_aside_wrongly: int
    reported: int
    wrong_end: int
    position_p95_mm: float
    """The largest, over photos, of the 95th percentile over the lay area."""
    position_max_mm: float
    grades_sure: int
    grades_equal: int
    unsure: int
    unsure_far: int
    """Unsure, though the truth is further than three stated uncertainties from every limit."""
    confusion: tuple[tuple[str, str, int], ...]
    """(true grade, given grade, count)."""

    @property
    def lost(self) -> int:
        """Missed, invented, merged without a word, or set aside though nothing was wrong."""
        return self.missed + self.invented + self.merged + self.set_aside_wrongly

    @property
    def grade_share(self) -> float:
        """Share of equal grades among those not unsure."""
        return self.grades_equal / self.grades_sure if self.grades_sure else math.nan


def tally(comparisons: Sequence[Comparison]) -> Tally:
    """Return the counts over some photos."""
    grades = [pair for item in comparisons for pair in item.grades]
    sure = [pair for pair in grades if pair.given != "unsure"]
    unsure = [pair for pair in grades if pair.given == "unsure"]
    fields = [item.position_error_mm for item in comparisons if item.position_error_mm is not None]
    fields = [field for field in fields if len(field)]
    counts = Counter((pair.true_grade, pair.given) for pair in grades)
    return Tally(
        photos=len(comparisons),
        skipped=sum(bool(item.skipped) for item in comparisons),
        cuttings=sum(item.n_true for item in comparisons),
        missed=sum(len(item.missed) for item in comparisons),
        invented=sum(len(item.invented) for item in comparisons),
        merged=sum(len(item.merged) for item in comparisons),
        set_aside_wrongly=sum(len(item.set_aside_wrongly) for item in comparisons),
        reported=sum(len(item.reported) for item in comparisons),
        wrong_end=sum(len(item.wrong_end) for item in comparisons),
        position_p95_mm=max((float(np.percentile(field, 95)) for field in fields), default=math.nan),
        position_max_mm=max((float(field.max()) for field in fields), default=math.nan),
        grades_sure=len(sure),
        grades_equal=sum(pair.given == pair.true_grade for pair in sure),
        unsure=len(unsure),
        unsure_far=sum(pair.is_far for pair in unsure),
        confusion=tuple((true, given, n) for (true, given), n in sorted(counts.items())),
    )


def by_trait(comparisons: Sequence[Comparison]) -> dict[str, Figures]:
    """Return the figures of every trait over some photos, in the order of the readings."""
    return _grouped(reading for item in comparisons for reading in item.readings)


def by_place(comparisons: Sequence[Comparison]) -> dict[str, Figures]:
    """Return the figures of both ends and of the axis over some photos."""
    return _grouped(reading for item in comparisons for reading in item.places)


def _grouped(readings: Iterable[Reading]) -> dict[str, Figures]:
    groups: dict[str, list[Reading]] = {}
    for reading in readings:
        groups.setdefault(reading.trait, []).append(reading)
    return {trait: figures(group) for trait, group in groups.items()}
