"""Shares rooted with intervals that allow for containers that differ.

Cuttings of one container share its fate, so that counts of several containers scatter more than the
binomial says. The excess is the Pearson chi-square over its degrees of freedom, never below 1 (McCullagh and
Nelder 1989, Generalized Linear Models, 2nd ed., section 4.5, from memory). Intervals are Wilson's and
Newcombe's with the counts divided by it and Student's t in place of the normal (Korn and Graubard 1998,
Survey Methodology 24:193-201, from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from grader.record.learn.units import MIXED, Unit

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Spread:
    """How much more containers differ than chance alone."""

    factor: float
    """Pearson chi-square over degrees of freedom, at least 1."""
    df: int
    """Degrees of freedom it is known by; 0: not known, taken as 1."""

    def quantile(self, confidence: float = CONFIDENCE) -> float:
        """Return how many standard errors an interval reaches to each side."""
        from scipy import stats

        upper = (1.0 + confidence) / 2.0
        return float(stats.t.ppf(upper, self.df) if self.df > 0 else stats.norm.ppf(upper))


@dataclass(frozen=True, slots=True)
class Share:
    """A share and its interval."""

    value: float
    low: float
    high: float
    n_rooted: int
    n_stuck: int
    n_units: int


@dataclass(frozen=True, slots=True)
class Difference:
    """A difference of two shares, and its interval."""

    value: float
    low: float
    high: float


ONLY_CHANCE = Spread(1.0, 0)


def spread_inside(groups: Sequence[Sequence[Unit]]) -> Spread:
    """Return how much units of the same group differ."""
    square, df = 0.0, 0
    for group in groups:
        n = sum(unit.n_stuck for unit in group)
        rooted = sum(unit.n_rooted for unit in group)
        share = rooted / n if n else 0.0
        if not 0.0 < share < 1.0:
            continue
        square += sum(
            (unit.n_rooted - unit.n_stuck * share) ** 2 / (unit.n_stuck * share * (1.0 - share))
            for unit in group
        )
        df += len(group) - 1
    return Spread(max(1.0, square / df), df) if df > 0 else ONLY_CHANCE


def share_of(units: Sequence[Unit], spread: Spread, confidence: float = CONFIDENCE) -> Share:
    """Return the share rooted of some units together, with Wilson's interval widened by their spread."""
    n, rooted = sum(unit.n_stuck for unit in units), sum(unit.n_rooted for unit in units)
    low, high = wilson(rooted / spread.factor, n / spread.factor, spread.quantile(confidence))
    return Share(rooted / n, low, high, rooted, n, len(units))


def wilson(n_rooted: float, n_stuck: float, quantile: float) -> tuple[float, float]:
    """Return Wilson's score interval (1927); effective counts need not be whole.

    Examples
    --------
    81 of 263, Newcombe 1998, Statistics in Medicine 17:857-872, table I:

    >>> [round(end, 4) for end in wilson(81, 263, 1.959964)]
    [0.2553, 0.3662]
    """
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(n_rooted, n_stuck, alpha=_alpha(quantile), method="wilson")
    return max(0.0, float(low)), min(1.0, float(high))


def difference(
    a: Sequence[Unit], b: Sequence[Unit], spread: Spread, confidence: float = CONFIDENCE
) -> Difference:
    """Return take of ``a`` less take of ``b``, by Newcombe's method 10 (1998, Stat. Med. 17:873-890)."""
    quantile = spread.quantile(confidence)
    share_a, share_b = share_of(a, spread, confidence), share_of(b, spread, confidence)
    low, high = newcombe(
        (share_a.n_rooted / spread.factor, share_a.n_stuck / spread.factor),
        (share_b.n_rooted / spread.factor, share_b.n_stuck / spread.factor),
        quantile,
    )
    return Difference(share_a.value - share_b.value, low, high)


def newcombe(a: tuple[float, float], b: tuple[float, float], quantile: float) -> tuple[float, float]:
    """Return Newcombe's interval 10 of the difference of two shares, each given as rooted, stuck.

    Examples
    --------
    56/70 and 48/80, table II of the paper:

    >>> [round(end, 4) for end in newcombe((56, 70), (48, 80), 1.959964)]
    [0.0524, 0.3339]
    """
    p_a, p_b = a[0] / a[1], b[0] / b[1]
    (low_a, high_a), (low_b, high_b) = wilson(*a, quantile), wilson(*b, quantile)
    below = math.hypot(p_a - low_a, high_b - p_b)
    above = math.hypot(high_a - p_a, p_b - low_b)
    return p_a - p_b - below, p_a - p_b + above


def by_factor(units: Sequence[Unit], factor: str) -> dict[str, list[Unit]]:
    """Return units by the value of a factor; those where it is not told or mixed are left out."""
    groups: dict[str, list[Unit]] = {}
    for unit in units:
        value = unit.factors[factor]
        if value not in ("", MIXED):
            groups.setdefault(value, []).append(unit)
    return dict(sorted(groups.items(), key=lambda item: _natural(item[0])))


def _natural(name: str) -> tuple[str, bool, float, str]:
    """Order names with numbers by the number; "below 2" comes before "2 to 3"."""
    match = re.search(r"\d+(\.\d+)?", name)
    if not match:
        return (name, False, 0.0, name)
    words = name[: match.start()].replace(" below ", " ").replace(" from ", " ")
    return (words, " below " not in name, float(match[0]), name)


def _alpha(quantile: float) -> float:
    from scipy import stats

    return float(2.0 * stats.norm.sf(quantile))
