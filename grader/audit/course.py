"""How a trait moved over time: a straight line through tray averages, and the control charts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from grader.audit.aims import Zone
from grader.audit.charts import LEAST_TRAYS, STEADY_TRAYS, Chart, between_sd, xbar_s
from grader.audit.samples import Sample, trays_of

LEAST_FOR_LINE = 4
"""Trays: a line through fewer says nothing."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Change from the first tray to the last along a straight line, with its 95 % interval."""

    change: float
    low: float
    high: float
    n_trays: int

    @property
    def is_clear(self) -> bool:
        """Whether the interval leaves out no change at all."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """One trait of one cutter over its trays."""

    trait: str
    trend: Trend | None
    own: tuple[Chart, Chart] | None
    """Averages and standard deviations, limits from the cutter's own steady period."""
    against_targets: Chart | None
    """Averages, limits from the targets."""
    n_left_out: int
    """Trays with fewer than 2 cuttings."""


def trend(means: Sequence[float]) -> Trend | None:
    """Return the change over trays; None for too few.

    Least squares on tray averages in order of time; trays count alike.
    """
    n = len(means)
    if n < LEAST_FOR_LINE:
        return None
    line = stats.linregress(np.arange(n, dtype=np.float64), np.asarray(means, dtype=np.float64))
    change, se = float(line.slope) * (n - 1), float(line.stderr) * (n - 1)
    half = float(stats.t.ppf(0.975, n - 2)) * se
    return Trend(change, change - half, change + half, n)


def course(samples: Sequence[Sample], trait: str, zone: Zone) -> Course:
    """Return how a trait moved over the trays of one cutter."""
    every = trays_of(samples, trait)
    trays = [tray for tray in every if len(tray) > 1]
    line = trend([float(tray.mean()) for tray in trays])
    if len(trays) < LEAST_TRAYS or not any(float(np.ptp(tray)) > 0.0 for tray in trays):
        return Course(trait, line, None, None, len(every) - len(trays))
    n_steady = STEADY_TRAYS if len(trays) > STEADY_TRAYS else None
    own = xbar_s(trays, n_steady, between_sd(trays[:n_steady]))
    against = None
    if math.isfinite(zone.low) or math.isfinite(zone.high):
        words = "where an average belongs, and 3 sigma of chance"
        against, _ = xbar_s(trays, n_steady, between_sd(trays[:n_steady]), (zone.low, zone.high), words)
    return Course(trait, line, own, against, len(every) - len(trays))
