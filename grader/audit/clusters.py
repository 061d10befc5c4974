"""Averages of cuttings that lie in trays: each tray is a cluster, so each tray counts about once.

Cuttings of one tray were made in one go from one plant, so they are alike; treating them as independent
finds differences that are not there.  Method: weighted averages of tray averages, weight
n / (1 + (n - 1) r) with r the likeness within trays (intraclass correlation, one-way analysis of variance,
pooled over all cutters, never below 0).  The variance of an average comes from how far tray averages lie
apart, in units of each cutter's own spread within trays, pooled over the cutters.  With trays of equal size
and one cutter this is the t test on tray averages.  Donner and Klar 2000, "Design and Analysis of Cluster
Randomization Trials", chapters 1 and 5 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Values = NDArray[np.float64]
Trays = Sequence[Values]
"""One array of values a tray."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How cuttings of one person vary, in the unit of the trait."""

    n: int
    n_trays: int
    mean: float
    """Weighted average of the tray averages."""
    sd: float
    """Of single cuttings, trays together; nan for fewer than 2."""
    se: float
    """Standard uncertainty of the mean from tray to tray; nan if no tray can be compared with another."""
    df: float
    """Degrees of freedom of ``se``."""

    def interval(self, level: float = 0.95, sigma: float = 0.0) -> tuple[float, float]:
        """Return the interval of the mean; ``sigma``: a standard uncertainty that all cuttings share."""
        if math.isnan(self.se):
            return (math.nan, math.nan)
        half = self.half_width(level, sigma)
        return (self.mean - half, self.mean + half)

    def sd_interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the interval of ``sd`` for values near a normal distribution.

        Chi-square; n less the number of trays, so it is a little wide where trays are alike.
        """
        df = self.n - self.n_trays
        if df < 1 or math.isnan(self.sd):
            return (math.nan, math.nan)
        tail = 0.5 - level / 2.0
        low, high = (self.sd * math.sqrt(df / float(stats.chi2.ppf(q, df))) for q in (1.0 - tail, tail))
        return (low, high)

    def half_width(self, level: float = 0.95, sigma: float = 0.0) -> float:
        """Return half the width of the interval."""
        return float(stats.t.ppf(0.5 + level / 2.0, self.df)) * math.hypot(self.se, sigma)


@dataclass(frozen=True, slots=True)
class Likeness:
    """What all cutters of an audit share: how alike cuttings of one tray are."""

    within_sd: float
    """Pooled standard deviation within trays."""
    icc: float
    """Share of the variance that lies between trays of one cutter, 0 to 1."""
    scale: float
    """Variance of weighted tray averages over what independent cuttings would give, per unit of weight."""
    df: float
    """Degrees of freedom between trays: trays less cutters."""


def likeness(by_cutter: Mapping[str, Trays]) -> Likeness:
    """Return how alike cuttings of one tray are, over all cutters; nan where it cannot be told."""
    within = {name: _within(trays) for name, trays in by_cutter.items()}
    ss_within = sum(ss for ss, _ in within.values())
    df_within = sum(df for _, df in within.values())
    df_between = sum(max(0, len(trays) - 1) for trays in by_cutter.values() if len(trays))
    if df_within < 1:
        return Likeness(math.nan, math.nan, math.nan, float(df_between))
    pooled = math.sqrt(ss_within / df_within)
    if df_between < 1 or pooled == 0.0:
        return Likeness(pooled, 0.0, math.nan, float(df_between))
    scaled = {
        name: [tray / _own_sd(within[name], pooled) for tray in trays]
        for name, trays in by_cutter.items()
        if len(trays)
    }
    icc = _icc(list(scaled.values()))
    squares = 0.0
    for trays in scaled.values():
        weights = _weights(trays, icc)
        means = np.array([tray.mean() for tray in trays])
        squares += float(weights @ (means - np.average(means, weights=weights)) ** 2)
    return Likeness(pooled, icc, squares / df_between, float(df_between))


def spread(trays: Trays, shared: Likeness) -> Spread:
    """Return average and spread of one cutter.

    Parameters
    ----------
    trays : sequence of (n,) float64
        Finite values, one array a tray; none empty.
    shared : Likeness
        Of all cutters of the audit, this one included.
    """
    n = sum(len(tray) for tray in trays)
    if n == 0:
        return Spread(0, 0, math.nan, math.nan, math.nan, math.nan)
    together = np.concatenate(list(trays))
    sd = float(together.std(ddof=1)) if n > 1 else math.nan
    icc = 0.0 if math.isnan(shared.icc) else shared.icc
    weights = _weights(trays, icc)
    mean = float(np.average([tray.mean() for tray in trays], weights=weights))
    if math.isnan(shared.scale):
        return Spread(n, len(trays), mean, sd, math.nan, math.nan)
    own = _within(trays)
    se = _own_sd(own, shared.within_sd) * math.sqrt(shared.scale / float(weights.sum()))
    # Relative variances of the two factors add; 2 / df is that of a variance.
    df = 1.0 / (1.0 / shared.df + (1.0 / own[1] if own[1] >= LEAST_OWN_DF else 0.0))
    return Spread(n, len(trays), mean, sd, se, df)


LEAST_OWN_DF = 8
"""Below this a cutter's own spread within trays is too poorly known; the pooled one is taken."""


def _own_sd(own: tuple[float, int], pooled_sd: float) -> float:
    """Return the spread within trays of one cutter, or the pooled one if it is hardly known."""
    ss, df = own
    return math.sqrt(ss / df) if df >= LEAST_OWN_DF and ss > 0.0 else pooled_sd


def _within(trays: Trays) -> tuple[float, int]:
    return (
        float(sum(((tray - tray.mean()) ** 2).sum() for tray in trays)),
        sum(len(tray) - 1 for tray in trays),
    )


def _weights(trays: Trays, icc: float) -> Values:
    sizes = np.array([len(tray) for tray in trays], dtype=np.float64)
    return np.asarray(sizes / (1.0 + (sizes - 1.0) * icc))


def _icc(groups: Sequence[Trays]) -> float:
    """Return the intraclass correlation by analysis of variance, 0 at least.

    n0 for unequal trays: Donner 1986, Int. Stat. Rev. 54:67-82 (from memory).
    """
    ss_between, ss_within, df_between, df_within, n0_top = 0.0, 0.0, 0, 0, 0.0
    for trays in groups:
        sizes = np.array([len(tray) for tray in trays], dtype=np.float64)
        means = np.array([tray.mean() for tray in trays])
        grand = float(np.average(means, weights=sizes))
        ss_between += float(sizes @ (means - grand) ** 2)
        ss, df = _within(trays)
        ss_within, df_within = ss_within + ss, df_within + df
        df_between += len(trays) - 1
        n0_top += float(sizes.sum() - (sizes**2).sum() / sizes.sum())
    if df_between < 1 or df_within < 1:
        return 0.0
    n0 = n0_top / df_between
    between, within = ss_between / df_between, ss_within / df_within
    whole = between + (n0 - 1.0) * within
    return float(np.clip((between - within) / whole, 0.0, 1.0)) if whole > 0.0 else 0.0
