"""Shares of cuttings, with Wilson's interval, widened where cuttings of one tray are alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import stats

Counts = tuple[int, int]
"""How many of how many, in one tray."""


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many."""

    k: int
    n: int
    low: float
    """95 % interval."""
    high: float
    design_effect: float
    """Variance over that of independent cuttings, 1 or more."""

    @property
    def value(self) -> float:
        """The share; nan of none."""
        return self.k / self.n if self.n else math.nan


def wilson(k: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Return Wilson's interval of a share; ``n`` may be an effective number.

    Newcombe 1998, Stat. Med. 17:857-872, method 3.

    Examples
    --------
    >>> [round(limit, 4) for limit in wilson(81, 263)]
    [0.2553, 0.3662]
    """
    if n <= 0.0:
        return (0.0, 1.0)
    z2 = float(stats.norm.ppf(0.5 + level / 2.0)) ** 2
    p = k / n
    middle = p + z2 / (2.0 * n)
    half = math.sqrt(z2 * (p * (1.0 - p) / n + z2 / (4.0 * n * n)))
    whole = 1.0 + z2 / n
    low = 0.0 if k == 0 else (middle - half) / whole
    high = 1.0 if k == n else (middle + half) / whole
    return (max(0.0, low), min(1.0, high))


def design_effect(groups: Sequence[Sequence[Counts]]) -> float:
    """Return how much more shares vary from tray to tray than chance alone, pooled over cutters, 1 at least.

    Pearson's chi-square of the trays of each cutter over its degrees of freedom (Fleiss, "Statistical
    Methods for Rates and Proportions", from memory).
    """
    chi2, df = 0.0, 0
    for trays in groups:
        trays = [(k, n) for k, n in trays if n]
        k_all, n_all = sum(k for k, _ in trays), sum(n for _, n in trays)
        if len(trays) < 2 or k_all in (0, n_all):
            continue
        p = k_all / n_all
        chi2 += sum((k - n * p) ** 2 / (n * p * (1.0 - p)) for k, n in trays)
        df += len(trays) - 1
    return max(1.0, chi2 / df) if df else 1.0


def share(trays: Sequence[Counts], effect: float = 1.0) -> Share:
    """Return the share over all trays with its 95 % interval.

    Parameters
    ----------
    trays : sequence of (k, n)
        How many of how many, a tray each.
    effect : float
        Design effect: the interval is that of ``n / effect`` cuttings.
    """
    k, n = sum(k for k, _ in trays), sum(n for _, n in trays)
    low, high = wilson(k / effect, n / effect)
    return Share(k, n, low, high, effect)


def p_above(found: Share, tolerated: float) -> float:
    """Return the chance of so many faults or more if the true share were the tolerated one.

    Exact binomial; with a design effect, of the effective numbers, k rounded down.
    """
    if not found.n:
        return math.nan
    k, n = math.floor(found.k / found.design_effect), max(1, math.floor(found.n / found.design_effect))
    return float(stats.binom.sf(min(k, n) - 1, n, tolerated))
