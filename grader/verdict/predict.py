"""What a piece of a cutting would measure after it is cut out and stripped at its lower end.

Many pieces are predicted at once, each measurement by itself, so that every pair of cuts on a grid of 1 mm
can be looked at.  The definitions are those of :mod:`grader.traits.catalogue`, applied to
what the shape holds between the two cuts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from grader.records import CuttingShape, Measured, Traits, Values
from grader.verdict.along import arc_of, at_arc
from grader.verdict.bends import CHORD_MM, Bends, bends_of
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
TIP_MM = 20.0
BASE_FROM_MM, BASE_TO_MM = 3.0, 10.0
HEEL_SLACK_MM = 6.0
"""Above a heel the diameter is taken over a longer stretch: where the heel ends is known to a few mm."""
_CROOK_AT_SIGMA_MM = 3.0
BEND_OUT_MM = 2.0 * _CROOK_AT_SIGMA_MM
"""A cut so far above a bend surely leaves it below."""
_NO_HEEL_SIGMA_MM = 0.3
_TINY_MM = 1e-9

Column = tuple[Values, Values]
"""Value and standard uncertainty of one measurement for every piece, (N,) each."""
Columns = Mapping[str, Column]
"""By name of the trait."""


@dataclass(frozen=True, slots=True, eq=False)
class Cuts:
    """Many pieces of one cutting: all (N,) mm from the present base."""

    from_mm: Values
    """Lower cut; 0 keeps the present base."""
    to_mm: Values
    """Upper cut, above the lower one; the total length keeps the tip."""
    strip_to_mm: Values
    """Foliage below this comes off; 0: nothing is stripped."""

    def taken(self, index: NDArray[np.intp]) -> Cuts:
        """Return some of the pieces."""
        return Cuts(self.from_mm[index], self.to_mm[index], self.strip_to_mm[index])

    @property
    def is_recut(self) -> NDArray[np.bool_]:
        """Whether each gets a new base (N,)."""
        return np.asarray(self.from_mm > 0.0)

    @property
    def cut_sigma_mm(self) -> Values:
        """Uncertainty of the base (N,)."""
        return np.where(self.is_recut, CUT_SIGMA_MM, 0.0)


@dataclass(frozen=True, eq=False)
class Outlook:
    """One cutting, for predicting pieces of it; what that takes is found when it is first asked for."""

    shape: CuttingShape
    now: Traits
    """Its present measurements."""
    share_out: Callable[[], Values]
    """Returns the share of the foliage attached below 0, 1, 2, ... mm."""

    @property
    def total_mm(self) -> float:
        """Length of the axis."""
        return float(self.shape.arc_mm[-1])

    @cached_property
    def foliage_below(self) -> Values:
        """Share of the foliage attached below 0, 1, 2, ... mm."""
        return self.share_out()

    @cached_property
    def wood(self) -> Wood | None:
        """The stem all along."""
        return wood_of(self.shape)

    @cached_property
    def at_mm(self) -> Values:
        """(M,) where it could be cut: every whole mm from the base, and the tip."""
        # The last whole mm would be no different cut from the tip itself.
        return np.append(np.arange(0.0, self.total_mm - GRID_MM / 2.0, GRID_MM), self.total_mm)

    @cached_property
    def bends(self) -> Bends:
        """All bends of the axis."""
        return bends_of(self.shape)

    @cached_property
    def strays_at_mm(self) -> Values:
        """Ascending."""
        return np.sort(arc_of(self.shape, self.shape.strays_mm))

    @cached_property
    def springs_at_mm(self) -> Values:
        """Where side shoots spring, ascending."""
        feet = np.array([tip[0] for tip in self.shape.side_tips_mm]).reshape(-1, 2)
        return np.sort(arc_of(self.shape, feet))


def predicted(
    outlook: Outlook,
    from_mm: float,
    to_mm: Values,
    strip_to_mm: float | Values,
    names: Sequence[str] | None = None,
) -> Columns:
    """Return what the pieces from one lower cut to each of some upper cuts would measure.

    Parameters
    ----------
    outlook : Outlook
    from_mm : float
        Lower cut; 0 keeps the present base.
    to_mm : (N,)
        Upper cuts, all above ``from_mm``; the total length keeps the tip.
    strip_to_mm : float or (N,)
        Foliage below this comes off; 0: nothing is stripped.
    names : sequence of str, optional
        Traits; all unless given.
    """
    cuts = Cuts(np.full(len(to_mm), from_mm), to_mm, np.full(len(to_mm), strip_to_mm))
    names = tuple(_TELLING) if names is None else names
    told: dict[str, Column] = {}
    for tell in dict.fromkeys(_TELLING[name] for name in names):
        told |= tell(outlook, cuts)
    is_unknown = {"heel_length_mm", "heel_width_mm"} - set(outlook.now) if from_mm == 0.0 else set()
    return {name: told[name] for name in names if name not in is_unknown}


def foretold(outlook: Outlook, cuts: Cuts, trait: str) -> Column:
    """Return what pieces would measure in one trait."""
    return _TELLING[trait](outlook, cuts)[trait]


def measured_at(columns: Columns, index: int) -> Traits:
    """Return the traits of one of the pieces, in the order of tables."""
    found = ((name, columns[name]) for name in _TELLING if name in columns)
    return {name: Measured(float(value[index]), float(sigma[index])) for name, (value, sigma) in found}


def _now(now: Traits, name: str, cuts: Cuts) -> Column:
    measured = now.get(name, Measured(math.nan, math.nan))
    n = len(cuts.to_mm)
    return np.full(n, measured.value), np.full(n, measured.sigma)


def _is_whole(outlook: Outlook, cuts: Cuts) -> NDArray[np.bool_]:
    """Return which pieces are the cutting as it lies, stripped or not (N,)."""
    return ~cuts.is_recut & (cuts.to_mm >= outlook.total_mm)


def _stay(outlook: Outlook, cuts: Cuts, names: tuple[str, ...]) -> bool:
    """Return whether nothing is cut anywhere, and all of these are measured."""
    return all(name in outlook.now for name in names) and bool(_is_whole(outlook, cuts).all())


def _unless_whole(column: Column, outlook: Outlook, name: str, cuts: Cuts) -> Column:
    """Return a column in which what nothing is done to stays as it is measured."""
    measured = outlook.now.get(name)
    if measured is None:
        return column
    is_whole = _is_whole(outlook, cuts)
    return np.where(is_whole, measured.value, column[0]), np.where(is_whole, measured.sigma, column[1])


def _bare_to_mm(outlook: Outlook, cuts: Cuts) -> Values:
    """Return where each piece begins to be leafy."""
    return np.maximum(np.maximum(outlook.shape.foliage_from_mm, cuts.strip_to_mm), cuts.from_mm)


def _is_stripped(outlook: Outlook, cuts: Cuts) -> NDArray[np.bool_]:
    return np.asarray(cuts.strip_to_mm > np.maximum(outlook.shape.foliage_from_mm, cuts.from_mm))


def _length_sigma_mm(outlook: Outlook, cuts: Cuts) -> Values:
    end = np.where(cuts.to_mm >= outlook.total_mm, outlook.now["total_length_mm"].sigma, CUT_SIGMA_MM)
    return np.hypot(end, cuts.cut_sigma_mm)


def _length(outlook: Outlook, cuts: Cuts) -> Columns:
    return {"total_length_mm": (cuts.to_mm - cuts.from_mm, _length_sigma_mm(outlook, cuts))}


def _stripped(outlook: Outlook, cuts: Cuts) -> Columns:
    bare_sigma = np.where(
        _is_stripped(outlook, cuts), STRIP_SIGMA_MM, outlook.now["stripped_length_mm"].sigma
    )
    value = _bare_to_mm(outlook, cuts) - cuts.from_mm
    return {"stripped_length_mm": (value, np.hypot(bare_sigma, cuts.cut_sigma_mm))}


def _browned(outlook: Outlook, cuts: Cuts) -> Columns:
    return {"browned_share": _now(outlook.now, "browned_share", cuts)}


def _heel(outlook: Outlook, cuts: Cuts) -> Columns:
    columns: dict[str, Column] = {}
    for name, without in (("heel_length_mm", (0.0, _NO_HEEL_SIGMA_MM)), ("heel_width_mm", (math.nan, 0.0))):
        value, sigma = _now(outlook.now, name, cuts)
        columns[name] = (
            np.where(cuts.is_recut, without[0], value),
            np.where(cuts.is_recut, without[1], sigma),
        )
    return columns


def _foliage(outlook: Outlook, cuts: Cuts) -> Columns:
    mm = np.arange(len(outlook.foliage_below), dtype=float)
    bare_to_mm = _bare_to_mm(outlook, cuts)
    below_top = np.interp(cuts.to_mm, mm, outlook.foliage_below)
    below_top = np.where(cuts.to_mm >= outlook.total_mm, 1.0, below_top)
    below_bare = np.interp(bare_to_mm, mm, outlook.foliage_below)
    below_bare = np.where(bare_to_mm > outlook.shape.foliage_from_mm, below_bare, 0.0)
    share = np.clip(below_top - below_bare, 0.0, 1.0)
    area = outlook.now["foliage_area_mm2"]
    lost = area.value * (1.0 - share)
    sigma = np.hypot(area.sigma * share, FOLIAGE_SHARE_SIGMA * lost)
    return {"foliage_area_mm2": (area.value * share, sigma)}


def _tips(outlook: Outlook, cuts: Cuts) -> Columns:
    springs = outlook.springs_at_mm
    below_top = np.searchsorted(springs, cuts.to_mm, side="right")
    inside = np.maximum(below_top - np.searchsorted(springs, _bare_to_mm(outlook, cuts)), 0)
    has_tip = cuts.to_mm >= outlook.total_mm
    _, sigma = _now(outlook.now, "tips_count", cuts)
    return {"tips_count": (inside + has_tip.astype(float), sigma)}


def _strays(outlook: Outlook, cuts: Cuts) -> Columns:
    value, sigma = _now(outlook.now, "strays_count", cuts)
    left = len(outlook.strays_at_mm) - np.searchsorted(outlook.strays_at_mm, cuts.from_mm)
    value = np.where(cuts.is_recut, left, value)
    is_gone = _is_stripped(outlook, cuts)
    return {"strays_count": (np.where(is_gone, 0.0, value), np.where(is_gone, 0.0, sigma))}


def _base(outlook: Outlook, cuts: Cuts) -> Columns:
    """Return the base diameter: as measured at the present base, by the wood above a new cut.

    A stem does not grow thicker upwards: swellings above the present base are bark and stubs.
    """
    value, sigma = _now(outlook.now, "base_diameter_mm", cuts)
    wood, is_new = outlook.wood, cuts.is_recut
    if wood is None:
        return {"base_diameter_mm": (np.where(is_new, math.nan, value), np.where(is_new, math.nan, sigma))}
    high = np.minimum(cuts.from_mm + BASE_TO_MM, cuts.to_mm)
    width, width_sigma = wood.mean_between(cuts.from_mm + BASE_FROM_MM, high)
    is_hidden = np.isnan(value) & (outlook.shape.heel is None)
    by_wood = is_new | is_hidden
    thinner = _thinner_higher_up(outlook, wood, _bare_to_mm(outlook, cuts))
    return {
        "base_diameter_mm": (
            np.where(by_wood, np.fmin(width, value), value + thinner),
            np.where(by_wood, np.fmax(width_sigma, sigma), sigma),
        )
    }


def _thinner_higher_up(outlook: Outlook, wood: Wood, bare_to_mm: Values) -> Values:
    """Return how the base diameter changes (N,) when stripping bares more of the stretch of it, mm."""
    heel = outlook.shape.heel
    low = BASE_FROM_MM + (heel.length_mm if heel is not None else 0.0)
    full = low - BASE_FROM_MM + BASE_TO_MM + (HEEL_SLACK_MM if heel is not None else 0.0)
    now, then = min(full, outlook.shape.foliage_from_mm), np.minimum(full, bare_to_mm)
    if not low < now:
        return np.zeros(len(then))
    means, _ = wood.mean_between(np.full(len(then) + 1, low), np.append(then, now))
    return np.where(now < then, np.minimum(means[:-1] - means[-1], 0.0), 0.0)


def _crook(outlook: Outlook, cuts: Cuts) -> Columns:
    """Return the sharpest bend of the pieces, and where it is.

    By the definition a bend within one chord of the base, or within 20 mm of the tip, is not seen: a new
    cut just below a bend would hide it.  So the bends of the whole cutting that lie in the piece count too.
    """
    names = ("crook_deg", "crook_at_mm")
    if _stay(outlook, cuts, names):
        return {name: _now(outlook.now, name, cuts) for name in names}
    bends, is_recut = outlook.bends, cuts.is_recut
    heel_mm = outlook.shape.heel.length_mm if outlook.shape.heel is not None else 0.0
    start_mm = np.where(is_recut, cuts.from_mm, heel_mm)
    lowest_mm = np.where(is_recut, cuts.from_mm - BEND_OUT_MM, start_mm)
    defined_to = cuts.to_mm - TIP_MM - CHORD_MM + _TINY_MM
    lying_to = np.where(
        cuts.to_mm >= outlook.total_mm, np.where(is_recut, defined_to, -1.0), cuts.to_mm + BEND_OUT_MM
    )
    value, where = bends.sharpest(start_mm + CHORD_MM - _TINY_MM, defined_to)
    lying, lying_at = bends.sharpest_peak(lowest_mm, lying_to)
    value, where = np.maximum(value, lying), np.where(lying > value, lying_at, where)
    exists = value >= 0.0
    crook, at = np.full((2, len(value)), math.nan), np.full((2, len(value)), math.nan)
    crook[1], at[1] = 0.0, 0.0
    if exists.any():
        found = where[exists]
        crook[0, exists], crook[1, exists] = value[exists], bends.sigma_deg[found]
        at[0, exists], at[1, exists] = bends.middle_mm[found] - cuts.from_mm[exists], _CROOK_AT_SIGMA_MM
    return {
        name: _unless_whole((column[0], column[1]), outlook, name, cuts)
        for name, column in zip(names, (crook, at), strict=True)
    }


def _sweep(outlook: Outlook, cuts: Cuts) -> Columns:
    """Return straight length and sweep of the pieces."""
    shape, now = outlook.shape, outlook.now
    if _stay(outlook, cuts, ("straight_length_mm", "sweep_ratio")):
        return {name: _now(now, name, cuts) for name in ("straight_length_mm", "sweep_ratio")}
    bases_mm, base = np.unique(cuts.from_mm, return_inverse=True)
    rise_mm = np.arange(0.0, float((cuts.to_mm - cuts.from_mm).max(initial=0.0)) + GRID_MM, GRID_MM)
    paths = at_arc(shape, bases_mm[:, None] + rise_mm)
    paths -= paths[:, :1].copy()
    chord = at_arc(shape, cuts.to_mm) - at_arc(shape, cuts.from_mm)
    straight = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-6)
    away = chord[:, 1:] * np.ascontiguousarray(paths[:, :, 0])[base]
    away -= chord[:, :1] * np.ascontiguousarray(paths[:, :, 1])[base]
    np.abs(away, out=away)
    away *= cuts.from_mm[:, None] + rise_mm <= cuts.to_mm[:, None]
    sigma_mm = now["sweep_ratio"].sigma * now["straight_length_mm"].value
    columns = {
        "straight_length_mm": (straight, _length_sigma_mm(outlook, cuts)),
        "sweep_ratio": (away.max(axis=1) / straight**2, sigma_mm / straight),
    }
    return {name: _unless_whole(column, outlook, name, cuts) for name, column in columns.items()}


_TELLING: Mapping[str, Callable[[Outlook, Cuts], Columns]] = MappingProxyType(
    {
        "total_length_mm": _length,
        "straight_length_mm": _sweep,
        "stripped_length_mm": _stripped,
        "foliage_area_mm2": _foliage,
        "sweep_ratio": _sweep,
        "browned_share": _browned,
        "tips_count": _tips,
        "strays_count": _strays,
        "base_diameter_mm": _base,
        "crook_deg": _crook,
        "crook_at_mm": _crook,
        "heel_length_mm": _heel,
        "heel_width_mm": _heel,
    }
)
"""Trait -> what foretells it."""
LEFT_BY_STRIPPING = (
    "total_length_mm",
    "browned_share",
    "heel_length_mm",
    "heel_width_mm",
    "crook_deg",
    "crook_at_mm",
    "straight_length_mm",
    "sweep_ratio",
)
"""Stripping does not change these; the quickest first."""
CHANGED_BY_STRIPPING = tuple(name for name in _TELLING if name not in LEFT_BY_STRIPPING)
