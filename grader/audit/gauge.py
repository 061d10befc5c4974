"""How much of what is seen comes from measuring: repeatability and reproducibility.

Two methods on the same readings: average and range, and analysis of variance.  AIAG, "Measurement Systems
Analysis", 4th edition 2010, chapter III section B; factors: :func:`grader.audit.constants.k_factor`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from grader.audit.constants import k_factor

NDC_FACTOR = 1.41
"""Printed as 1.41 (the square root of 2): number of distinct categories is 1.41 PV / GRR, cut to whole."""
POOL_ABOVE_P = 0.25
"""The interaction of part and person joins the repeatability unless its F test has a smaller p (AIAG)."""
GOOD_SHARE, POOR_SHARE = 0.10, 0.30
"""%GRR: below 10 % acceptable, 10 to 30 % may be for some uses, above 30 % not (AIAG 2010)."""
LEAST_CATEGORIES = 5
"""Distinct categories a measurement should tell apart (AIAG 2010)."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """Standard deviations, in the unit of the trait."""

    method: str
    n_parts: int
    n_persons: int
    n_trials: int
    repeatability: float
    """The same person again (equipment variation, EV)."""
    reproducibility: float
    """Another person (appraiser variation, AV); 0 with one person."""
    part: float
    """From cutting to cutting (PV)."""
    interaction_f: float = math.nan
    """F of part x person; nan where it does not exist."""
    is_pooled: bool = True
    """Whether the interaction was joined with the repeatability."""

    @property
    def grr(self) -> float:
        """Repeatability and reproducibility together."""
        return math.hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """Everything together."""
        return math.hypot(self.grr, self.part)

    @property
    def grr_share(self) -> float:
        """%GRR as a fraction: of the standard deviation."""
        return self.grr / self.total if self.total else math.nan

    @property
    def variance_share(self) -> float:
        """What measuring contributes to the variance that is seen, as a fraction."""
        return self.grr_share**2

    @property
    def categories_raw(self) -> float:
        """Distinct categories before they are cut to a whole number."""
        return NDC_FACTOR * self.part / self.grr if self.grr else math.inf

    @property
    def categories(self) -> int:
        """Distinct categories; 1 at least."""
        return max(1, math.floor(min(self.categories_raw, 1e6)))


def by_range(readings: NDArray[np.float64]) -> Gauge:
    """Return the gauge by averages and ranges.

    Parameters
    ----------
    readings : (parts, persons, trials) float64
        At least 2 parts and 2 trials.
    """
    parts, persons, trials = _checked(readings)
    mean_range = float(np.ptp(readings, axis=2).mean())
    repeatability = mean_range * k_factor(trials, parts * persons)
    reproducibility = 0.0
    if persons > 1:
        between = float(np.ptp(readings.mean(axis=(0, 2)))) * k_factor(persons, 1)
        reproducibility = math.sqrt(max(0.0, between**2 - repeatability**2 / (parts * trials)))
    part = float(np.ptp(readings.mean(axis=(1, 2)))) * k_factor(parts, 1)
    return Gauge("average and range", parts, persons, trials, repeatability, reproducibility, part)


def by_anova(readings: NDArray[np.float64]) -> Gauge:
    """Return the gauge by two-way analysis of variance, persons and parts random.

    Parameters
    ----------
    readings : (parts, persons, trials) float64
        At least 2 parts and 2 trials.
    """
    parts, persons, trials = _checked(readings)
    grand = readings.mean()
    part_means, person_means, cells = readings.mean((1, 2)), readings.mean((0, 2)), readings.mean(2)
    ss_part = persons * trials * float(((part_means - grand) ** 2).sum())
    ss_person = parts * trials * float(((person_means - grand) ** 2).sum())
    ss_error = float(((readings - cells[:, :, None]) ** 2).sum())
    ss_both = float(((readings - grand) ** 2).sum()) - ss_part - ss_person - ss_error
    df_both, df_error = (parts - 1) * (persons - 1), parts * persons * (trials - 1)
    ms_part, ms_error = ss_part / (parts - 1), ss_error / df_error
    f, is_pooled = math.nan, True
    if persons > 1:
        ms_both = ss_both / df_both
        f = ms_both / ms_error if ms_error else math.inf
        is_pooled = float(stats.f.sf(f, df_both, df_error)) > POOL_ABOVE_P
    var_both = 0.0
    if persons == 1:
        var_repeat, var_person = ms_error, 0.0
        var_part = max(0.0, (ms_part - ms_error) / trials)
    else:
        ms_person = ss_person / (persons - 1)
        var_repeat = (ss_error + ss_both) / (df_error + df_both) if is_pooled else ms_error
        against = var_repeat if is_pooled else ms_both
        var_both = 0.0 if is_pooled else max(0.0, (ms_both - ms_error) / trials)
        var_person = max(0.0, (ms_person - against) / (parts * trials)) + var_both
        var_part = max(0.0, (ms_part - against) / (persons * trials))
    return Gauge(
        "analysis of variance", parts, persons, trials,
        math.sqrt(var_repeat), math.sqrt(var_person), math.sqrt(var_part), f, is_pooled,
    )  # fmt: skip


def _checked(readings: NDArray[np.float64]) -> tuple[int, int, int]:
    if readings.ndim != 3 or readings.shape[0] < 2 or readings.shape[1] < 1 or readings.shape[2] < 2:
        raise ValueError("readings must be (parts >= 2, persons >= 1, trials >= 2)")
    if not np.isfinite(readings).all():
        raise ValueError("readings must be finite")
    parts, persons, trials = readings.shape
    return parts, persons, trials
