"""Control charts of the averages and spreads of trays.

Shewhart charts with 3 sigma limits.  Limits come from a steady period (the first trays) or from the
targets; :class:`Chart` says which.  Trays need not be of equal size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.audit.constants import WIDTH_SIGMAS, constants
from grader.audit.run_rules import FIRST_RULE, WESTERN_ELECTRIC, alarms

Values = NDArray[np.float64]
LEAST_TRAYS = 5
"""For a chart: with fewer, limits say nothing."""
STEADY_TRAYS = 10
"""The first so many trays are the steady period when there are more; own starting value."""
_TWO = 1.128
"""d2 of two values: from the mean moving range to a standard deviation."""


@dataclass(frozen=True, slots=True)
class Chart:
    """One control chart; arrays hold one value a tray."""

    what: str
    """"averages", "standard deviations" or "ranges"."""
    points: Values
    centre: Values
    sigma: Values
    """Standard deviation of the plotted points of a steady process."""
    lower: Values
    upper: Values
    source: str
    """Where the limits come from, in words."""
    broken: tuple[tuple[str, ...], ...]
    """Run rules broken at each point."""

    @property
    def n_alarms(self) -> int:
        """Points that break a rule."""
        return sum(bool(words) for words in self.broken)


def xbar_r(trays: Sequence[Values], n_steady: int | None = None) -> tuple[Chart, Chart]:
    """Return the charts of averages and ranges of trays of one size.

    Raises
    ------
    ValueError
        If the trays differ in size.
    """
    sizes = {len(tray) for tray in trays}
    if len(sizes) != 1:
        raise ValueError("ranges need trays of one size")
    k = constants(sizes.pop())
    means, ranges = np.array([t.mean() for t in trays]), np.array([np.ptp(t) for t in trays])
    first = slice(0, n_steady)
    mean_range = float(ranges[first].mean())
    sigma = k.a2 * mean_range / WIDTH_SIGMAS
    source = _steady_words(len(trays), n_steady)
    spread_sigma = k.d3 * mean_range / k.d2
    return (
        _chart("averages", means, float(means[first].mean()), np.full(len(trays), sigma), source, True),
        _chart("ranges", ranges, mean_range, np.full(len(trays), spread_sigma), source, False),
    )


def xbar_s(
    trays: Sequence[Values],
    n_steady: int | None = None,
    between_sd: float = 0.0,
    zone: tuple[float, float] | None = None,
    zone_words: str = "",
) -> tuple[Chart, Chart]:
    """Return the charts of averages and standard deviations.

    Parameters
    ----------
    trays : sequence of (n,) float64
        In order of time, at least 2 values each.
    n_steady : int, optional
        Limits come from the first so many trays; all unless told.
    between_sd : float
        Usual standard deviation from tray to tray; widens the limits of the averages.
    zone : (low, high), optional
        Limits of the averages come from the targets: 3 sigma outside this zone, in which averages belong.
    zone_words : str
        What the zone is.
    """
    sizes = np.array([len(t) for t in trays])
    means = np.array([t.mean() for t in trays])
    sds = np.array([t.std(ddof=1) for t in trays])
    c4 = np.array([constants(int(n)).c4 for n in sizes])
    first = slice(0, n_steady)
    # Equal sizes give the textbook's mean S over c4; unequal ones are weighted by their degrees of freedom.
    within = float(np.average(sds[first] / c4[first], weights=sizes[first] - 1))
    source = _steady_words(len(trays), n_steady)
    spread = _chart("standard deviations", sds, within * c4, within * np.sqrt(1.0 - c4**2), source, False)
    sigma = np.sqrt(within**2 / sizes + between_sd**2)
    if zone is None:
        grand = float(np.average(means[first], weights=sizes[first]))
        return _chart("averages", means, grand, sigma, source, True), spread
    return _zone_chart(means, sigma, zone, zone_words), spread


def between_sd(trays: Sequence[Values]) -> float:
    """Return the usual standard deviation from tray to tray that sampling does not explain, 0 at least.

    From the mean moving range, so that a lasting shift does not widen the limits that should show it.
    """
    if len(trays) < 2:
        return 0.0
    sizes = np.array([len(t) for t in trays], dtype=np.float64)
    means = np.array([t.mean() for t in trays])
    df = float((sizes - 1).sum())
    within = sum(float(((t - t.mean()) ** 2).sum()) for t in trays) / df if df else 0.0
    seen = (float(np.abs(np.diff(means)).mean()) / _TWO) ** 2
    return math.sqrt(max(0.0, seen - within * float((1.0 / sizes).mean())))


def _steady_words(n: int, n_steady: int | None) -> str:
    if n_steady is None or n_steady >= n:
        return f"limits from all {n} trays of this cutter"
    return f"limits from this cutter's first {n_steady} trays"


def _chart(
    what: str, points: Values, centre: float | Values, sigma: Values, source: str, is_normal: bool
) -> Chart:
    middle = np.broadcast_to(np.asarray(centre, dtype=np.float64), points.shape).copy()
    reach = WIDTH_SIGMAS * sigma
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sigma > 0.0, (points - middle) / sigma, 0.0)
    lower = middle - reach if is_normal else np.maximum(0.0, middle - reach)
    # Spreads are skew: only the first rule keeps roughly its false-alarm rate there.
    rules = WESTERN_ELECTRIC if is_normal else FIRST_RULE
    return Chart(what, points, middle, sigma, lower, middle + reach, source, tuple(alarms(z, rules)))


def _zone_chart(means: Values, sigma: Values, zone: tuple[float, float], words: str) -> Chart:
    """Return the chart of averages against the targets: alarms only outside zone and chance together."""
    low, high = zone
    centre = np.clip(means, low, high)
    z = (means - centre) / sigma
    middle = (low + high) / 2.0 if math.isfinite(low + high) else (low if math.isfinite(low) else high)
    return Chart(
        "averages", means, np.full(len(means), middle), sigma,
        low - WIDTH_SIGMAS * sigma, high + WIDTH_SIGMAS * sigma,
        f"limits from the targets: {words}", tuple(alarms(z, FIRST_RULE)),
    )  # fmt: skip
