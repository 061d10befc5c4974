"""What a piece of a cutting would measure after it is cut out and stripped at its lower end.

For one lower cut all possible upper cuts are predicted at once, so that every pair of cuts on a
grid of 1 mm can be looked at.  The definitions are those of :mod:`grader.traits.catalogue`, applied to
what the shape holds between the two cuts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Points
from grader.records import CuttingShape, Measured, Traits, Values
from grader.verdict.wood import Wood, wood_of

GRID_MM = 1.0
"""Nobody cuts or strips finer."""
CUT_SIGMA_MM = 1.0
"""How far a hand's cut lies from where it should: a starting value of our own, no source."""
STRIP_SIGMA_MM = 1.0
"""The same for where stripping ends."""
LEAST_PIECE_MM = 10.0
"""Nobody sticks anything shorter."""
LEAST_GREEN_MM = 10.0
"""Every piece keeps foliage along at least so much of its axis: a bare stick is no leafy cutting."""
ABOVE_A_HEEL_MM = 1.0
FOLIAGE_SHARE_SIGMA = 0.15
"""Relative doubt of the foliage that comes off: which leaf hangs on which part of the stem is seen
roughly.  A starting value of our own, no source."""
# The definitions of crook and base diameter (grader/traits/catalogue.py).
CHORD_MM, TIP_MM, CROOK_STEP_MM = 12.0, 20.0, 0.5
BASE_FROM_MM, BASE_TO_MM = 3.0, 10.0
HEEL_SLACK_MM = 6.0
"""Above a heel the diameter is taken over a longer stretch: where the heel ends is known to a few mm."""
_CROOK_AT_SIGMA_MM = 3.0
BEND_OUT_MM = 2.0 * _CROOK_AT_SIGMA_MM
"""A cut so far above a bend surely leaves it below."""
_NO_HEEL_SIGMA_MM = 0.3
_TINY_MM = 1e-9

Columns = Mapping[str, tuple[Values, Values]]
"""Name of the trait -> its value and its standard uncertainty for every upper cut, (N,) each."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """One cutting, made ready for predicting pieces of it."""

    shape: CuttingShape
    now: Traits
    foliage_below: Values
    """Share of the foliage attached below 0, 1, 2, ... mm."""
    wood: Wood | None
    at_mm: Values
    """(M,) where it could be cut: every whole mm from the base, and the tip."""
    bends: tuple[Values, Values, Values]
    """Middles of pairs of chords (mm from the base), their angles and the uncertainty of these, deg."""
    strays_at_mm: Values
    springs_at_mm: Values
    """Where side shoots spring."""

    @property
    def total_mm(self) -> float:
        """Length of the axis."""
        return float(self.shape.arc_mm[-1])


def outlook_of(shape: CuttingShape, now: Traits, foliage_below: Values) -> Outlook:
    """Return a cutting made ready; ``now`` are its present measurements."""
    total_mm = float(shape.arc_mm[-1])
    # The last whole mm would be no different cut from the tip itself.
    at_mm = np.append(np.arange(0.0, total_mm - GRID_MM / 2.0, GRID_MM), total_mm)
    feet = np.array([tip[0] for tip in shape.side_tips_mm]).reshape(-1, 2)
    return Outlook(
        shape=shape,
        now=now,
        foliage_below=foliage_below,
        wood=wood_of(shape),
        at_mm=at_mm,
        bends=_bends(shape),
        strays_at_mm=arc_of(shape, shape.strays_mm),
        springs_at_mm=arc_of(shape, feet),
    )


def predicted(outlook: Outlook, from_mm: float, to_mm: Values, strip_to_mm: float) -> Columns:
    """Return what the pieces from one lower cut to each of some upper cuts would measure.

    Parameters
    ----------
    outlook : Outlook
    from_mm : float
        Lower cut; 0 keeps the present base.
    to_mm : (N,)
        Upper cuts, all above ``from_mm``; the total length keeps the tip.
    strip_to_mm : float
        Foliage below this comes off; 0: nothing is stripped.
    """
    shape, now = outlook.shape, outlook.now
    has_tip = to_mm >= outlook.total_mm
    is_recut = from_mm > 0.0
    bare_to_mm = max(shape.foliage_from_mm, strip_to_mm, from_mm)
    cut = CUT_SIGMA_MM if is_recut else 0.0
    length_sigma = np.where(
        has_tip, math.hypot(now["total_length_mm"].sigma, cut), math.hypot(CUT_SIGMA_MM, cut)
    )
    is_stripped = strip_to_mm > max(shape.foliage_from_mm, from_mm)
    bare_sigma = STRIP_SIGMA_MM if is_stripped else now["stripped_length_mm"].sigma
    straight_mm, sweep = _sweep(outlook, from_mm, to_mm)
    sweep_sigma_mm = now["sweep_ratio"].sigma * now["straight_length_mm"].value
    columns: dict[str, tuple[Values, Values]] = {
        "total_length_mm": (to_mm - from_mm, length_sigma),
        "straight_length_mm": (straight_mm, length_sigma),
        "stripped_length_mm": _same(to_mm, bare_to_mm - from_mm, math.hypot(bare_sigma, cut)),
        "foliage_area_mm2": _foliage(outlook, bare_to_mm, to_mm),
        "sweep_ratio": (sweep, sweep_sigma_mm / straight_mm),
        "browned_share": _now(now, "browned_share", to_mm),
        "tips_count": _tips(outlook, bare_to_mm, to_mm, has_tip),
        "strays_count": _strays(outlook, from_mm, to_mm, is_stripped),
        "base_diameter_mm": _base(outlook, from_mm, to_mm, bare_to_mm),
    }
    columns["crook_deg"], columns["crook_at_mm"] = _crook(outlook, from_mm, to_mm)
    heel = ("heel_length_mm", "heel_width_mm")
    columns |= {name: _now(now, name, to_mm) for name in heel if name in now and not is_recut}
    if is_recut:
        columns["heel_length_mm"] = _same(to_mm, 0.0, _NO_HEEL_SIGMA_MM)
        columns["heel_width_mm"] = _same(to_mm, math.nan, 0.0)
    if not is_recut:
        # What nothing is done to stays as it is measured.
        for name in ("crook_deg", "crook_at_mm", "sweep_ratio", "straight_length_mm"):
            columns[name] = _where_whole(columns[name], now.get(name), has_tip)
    return columns


def arc_of(shape: CuttingShape, points_mm: Points) -> Values:
    """Return the distance along the axis, (N,) mm, of the axis point nearest to each point (N, 2) mm."""
    if len(points_mm) == 0:
        return np.zeros(0)
    gaps = np.linalg.norm(points_mm[:, None, :] - shape.axis_mm[None, :, :], axis=2)
    return np.asarray(shape.arc_mm[np.argmin(gaps, axis=1)])


def measured_at(columns: Columns, index: int) -> Traits:
    """Return the traits of one of the pieces."""
    return {
        name: Measured(float(value[index]), float(sigma[index])) for name, (value, sigma) in columns.items()
    }


def _same(to_mm: Values, value: float, sigma: float) -> tuple[Values, Values]:
    return np.full(len(to_mm), value), np.full(len(to_mm), sigma)


def _now(now: Traits, name: str, to_mm: Values) -> tuple[Values, Values]:
    measured = now.get(name, Measured(math.nan, math.nan))
    return _same(to_mm, measured.value, measured.sigma)


def _where_whole(
    column: tuple[Values, Values], measured: Measured | None, is_whole: NDArray[np.bool_]
) -> tuple[Values, Values]:
    if measured is None:
        return column
    return (
        np.where(is_whole, measured.value, column[0]),
        np.where(is_whole, measured.sigma, column[1]),
    )


def _foliage(outlook: Outlook, bare_to_mm: float, to_mm: Values) -> tuple[Values, Values]:
    mm = np.arange(len(outlook.foliage_below), dtype=float)
    below_top = np.where(to_mm >= outlook.total_mm, 1.0, np.interp(to_mm, mm, outlook.foliage_below))
    is_stripped = bare_to_mm > outlook.shape.foliage_from_mm
    below_bare = float(np.interp(bare_to_mm, mm, outlook.foliage_below)) if is_stripped else 0.0
    share = np.clip(below_top - below_bare, 0.0, 1.0)
    area = outlook.now["foliage_area_mm2"]
    lost = area.value * (1.0 - share)
    return area.value * share, np.hypot(area.sigma * share, FOLIAGE_SHARE_SIGMA * lost)


def _tips(
    outlook: Outlook, bare_to_mm: float, to_mm: Values, has_tip: NDArray[np.bool_]
) -> tuple[Values, Values]:
    springs = outlook.springs_at_mm
    inside = (springs[None, :] >= bare_to_mm) & (springs[None, :] <= to_mm[:, None])
    sigma = outlook.now["tips_count"].sigma if "tips_count" in outlook.now else math.nan
    return inside.sum(axis=1) + has_tip.astype(float), np.full(len(to_mm), sigma)


def _strays(outlook: Outlook, from_mm: float, to_mm: Values, is_stripped: bool) -> tuple[Values, Values]:
    if is_stripped:
        return _same(to_mm, 0.0, 0.0)
    if from_mm == 0.0:
        return _now(outlook.now, "strays_count", to_mm)
    sigma = outlook.now["strays_count"].sigma if "strays_count" in outlook.now else math.nan
    return _same(to_mm, float((outlook.strays_at_mm >= from_mm).sum()), sigma)


def _base(outlook: Outlook, from_mm: float, to_mm: Values, bare_to_mm: float) -> tuple[Values, Values]:
    """Return the base diameter: as measured at the present base, by the wood above a new cut.

    A stem does not grow thicker upwards: swellings above the present base are bark and stubs.
    """
    measured = outlook.now.get("base_diameter_mm", Measured(math.nan, math.nan))
    is_hidden = math.isnan(measured.value) and outlook.shape.heel is None
    wood = outlook.wood
    if wood is None:
        return _same(to_mm, *((measured.value, measured.sigma) if from_mm == 0.0 else (math.nan, math.nan)))
    if from_mm == 0.0 and not is_hidden:
        return _same(to_mm, measured.value + _thinner_higher_up(outlook, wood, bare_to_mm), measured.sigma)
    high = np.minimum(from_mm + BASE_TO_MM, to_mm)
    width, sigma = wood.mean_between(np.full(len(to_mm), from_mm + BASE_FROM_MM), high)
    return np.fmin(width, measured.value), np.fmax(sigma, measured.sigma)


def _thinner_higher_up(outlook: Outlook, wood: Wood, bare_to_mm: float) -> float:
    """Return how the base diameter changes when stripping bares more of the stretch it is taken over, mm."""
    heel = outlook.shape.heel
    low = BASE_FROM_MM + (heel.length_mm if heel is not None else 0.0)
    full = low - BASE_FROM_MM + BASE_TO_MM + (HEEL_SLACK_MM if heel is not None else 0.0)
    now, then = min(full, outlook.shape.foliage_from_mm), min(full, bare_to_mm)
    if not low < now < then:
        return 0.0
    means, _ = wood.mean_between(np.array([low, low]), np.array([now, then]))
    return min(float(means[1] - means[0]), 0.0)


def _bends(shape: CuttingShape) -> tuple[Values, Values, Values]:
    """Return middles, angles and uncertainties of all pairs of neighbouring 12 mm chords."""
    middles = np.arange(CHORD_MM, float(shape.arc_mm[-1]) - CHORD_MM + 1e-9, CROOK_STEP_MM)
    here, below, above = (_at(shape, middles + away) for away in (0.0, -CHORD_MM, CHORD_MM))
    before, after = here - below, above - here
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    angles = np.degrees(np.abs(np.arctan2(cross, np.sum(before * after, axis=1))))
    low = np.searchsorted(shape.arc_mm, middles - CHORD_MM)
    high = np.searchsorted(shape.arc_mm, middles + CHORD_MM, side="right")
    across = np.array([np.median(shape.axis_sigma_mm[i:j]) for i, j in zip(low, high, strict=True)])
    # Second difference of three positions over one chord: variance 1 + 4 + 1.
    return middles, angles, np.degrees(math.sqrt(6) * across / CHORD_MM)


def _crook(
    outlook: Outlook, from_mm: float, to_mm: Values
) -> tuple[tuple[Values, Values], tuple[Values, Values]]:
    """Return the sharpest bend of the pieces, and where it is.

    By the definition a bend within one chord of the base, or within 20 mm of the tip, is not seen: a new
    cut just below a bend would hide it.  So the bends of the whole cutting that lie in the piece count too.
    """
    middles, angles, sigmas = outlook.bends
    start_mm = from_mm
    if from_mm == 0.0 and outlook.shape.heel is not None:
        start_mm = outlook.shape.heel.length_mm
    has_tip = to_mm >= outlook.total_mm
    lowest_mm = from_mm - BEND_OUT_MM if from_mm > 0.0 else start_mm
    defined = np.where(middles >= start_mm + CHORD_MM - _TINY_MM, angles, -1.0)
    lying_in = np.where(_peaks(angles) & (middles >= lowest_mm), angles, -1.0)
    defined_to = to_mm - TIP_MM - CHORD_MM + _TINY_MM
    lying_to = np.where(has_tip, defined_to if from_mm > 0.0 else -1.0, to_mm + BEND_OUT_MM)
    value = np.full(len(to_mm), -1.0)
    where = np.zeros(len(to_mm), dtype=np.intp)
    for curve, last_mm in ((defined, defined_to), (lying_in, lying_to)):
        found, at = _highest_up_to(curve, middles, last_mm)
        value, where = np.maximum(value, found), np.where(found > value, at, where)
    exists = value >= 0.0
    if not exists.any():
        return _same(to_mm, math.nan, 0.0), _same(to_mm, math.nan, 0.0)
    sigma, at_mm = sigmas[where], middles[where] - from_mm
    return (
        (np.where(exists, value, math.nan), np.where(exists, sigma, 0.0)),
        (np.where(exists, at_mm, math.nan), np.where(exists, _CROOK_AT_SIGMA_MM, 0.0)),
    )


def _highest_up_to(curve: Values, at_mm: Values, last_mm: Values) -> tuple[Values, NDArray[np.intp]]:
    """Return the highest value of a curve up to each of some places, and its index; -1 where none is."""
    if len(curve) == 0:
        return np.full(len(last_mm), -1.0), np.zeros(len(last_mm), dtype=np.intp)
    highest = np.maximum.accumulate(curve)
    is_new = np.diff(highest, prepend=-2.0) > 0.0
    index = np.maximum.accumulate(np.where(is_new, np.arange(len(curve)), 0))
    last = np.searchsorted(at_mm, last_mm, side="right") - 1
    within = np.maximum(last, 0)
    return np.where(last >= 0, highest[within], -1.0), index[within]


def _peaks(angles: Values) -> NDArray[np.bool_]:
    """Return where a curve is at least as high as everywhere within half a chord."""
    reach = round(CHORD_MM / 2.0 / CROOK_STEP_MM)
    padded = np.pad(angles, reach, constant_values=-1.0)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(angles >= windows.max(axis=1)) if len(angles) else np.zeros(0, dtype=np.bool_)


def _sweep(outlook: Outlook, from_mm: float, to_mm: Values) -> tuple[Values, Values]:
    """Return straight length and sweep of the pieces, (N,) each."""
    shape = outlook.shape
    arc = np.arange(from_mm, float(to_mm.max()) + GRID_MM, GRID_MM)
    points, ends = _at(shape, arc), _at(shape, to_mm)
    start = points[0]
    chord = ends - start
    straight = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-6)
    rest = points - start
    away = np.abs(np.outer(chord[:, 1], rest[:, 0]) - np.outer(chord[:, 0], rest[:, 1])) / straight[:, None]
    away[arc[None, :] > to_mm[:, None]] = 0.0
    return straight, away.max(axis=1) / straight


def _at(shape: CuttingShape, arc_mm: Values) -> Points:
    return np.stack([np.interp(arc_mm, shape.arc_mm, shape.axis_mm[:, k]) for k in (0, 1)], axis=1)
