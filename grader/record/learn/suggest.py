"""Turn a curve into a target, a "makes no difference", or "too few to say"."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from grader.record.learn.curve import Curve, fit_curve
from grader.record.learn.shares import CONFIDENCE
from grader.record.learn.units import Unit
from grader.records import Values

TRAITS_TRIED = {
    "base_diameter_mm": 0.1,
    "total_length_mm": 1.0,
    "stripped_length_mm": 1.0,
    "foliage_area_mm2": 10.0,
}
"""Measurements that a target may be suggested for -> step of its limits, in its unit; finer is not handled at
a bench."""
LEAST_GAIN = 0.05
"""A target that gains fewer than 5 points of take is not worth a change; own value, no source."""
NEAR_BEST = (0.05, 0.10, 0.15, 0.20)
"""Sizes whose take is within so much of the best are wanted; the next is tried where too few cuttings have
such sizes."""
LEAST_KEPT = 0.3
"""Share of today's cuttings that must lie in the wanted sizes: most cannot be thrown away."""
NO_MATTER = 0.10
"""Where take surely changes by less over the sizes stuck, size makes no difference that matters."""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A range of sizes worth wanting."""

    trait: str
    low: float
    """nan: no lower limit."""
    high: float
    """nan: no upper limit."""
    gain: float
    gain_low: float
    gain_high: float
    """Gain of take, as a share, with the interval that allows for all measurements tried."""
    kept: float
    """Share of today's cuttings in the range."""
    n_units: int
    n_stuck: int


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """What one measurement taught."""

    trait: str
    curve: Curve | None
    suggestion: Suggestion | None
    why_not: str
    """Why there is no suggestion; empty when there is one."""
    makes_no_difference: bool = False


def lessons(units: Sequence[Unit]) -> tuple[Lesson, ...]:
    """Return one lesson for each measurement that a target may be suggested for.

    Over all of them together, a suggestion where size has no effect comes in at most 5 of 100 seasons
    (Bonferroni).
    """
    confidence = 1.0 - (1.0 - CONFIDENCE) / len(TRAITS_TRIED)
    found = tuple(_lesson(units, trait, step, confidence) for trait, step in TRAITS_TRIED.items())
    return _without_doubles(found, units)


def _lesson(units: Sequence[Unit], trait: str, step: float, confidence: float) -> Lesson:
    curve = fit_curve(units, trait)
    if isinstance(curve, str):
        return Lesson(trait, None, None, curve)
    swing, _low, high = swing_of(curve, confidence)
    if high < NO_MATTER:
        return Lesson(trait, curve, None, "it makes no difference that matters over the sizes stuck", True)
    chance = f"the difference seen ({100 * swing:.0f} points) may be chance"
    if not curve.is_shown(confidence):
        return Lesson(trait, curve, None, chance)
    chosen = wanted_range(curve, step)
    if chosen is None:
        return Lesson(trait, curve, None, "no range of sizes stands out that holds enough of the cuttings")
    below, above = chosen
    inside = in_range(curve.sizes, below, above)
    gain, gain_low, gain_high = curve.gain(inside, confidence)
    if gain_low <= 0.0:
        return Lesson(trait, curve, None, chance)
    if gain < LEAST_GAIN:
        return Lesson(
            trait, curve, None, f"keeping to the best sizes would gain {100 * gain:.0f} points only"
        )
    kept = float(inside.mean())
    found = Suggestion(trait, below, above, gain, gain_low, gain_high, kept, curve.n_units, curve.n_stuck)
    return Lesson(trait, curve, found, "")


def look_at(curve: Curve, n: int = 101) -> Values:
    """Return sizes at which a curve may be read, ascending: between the means of the outermost containers."""
    return np.linspace(*curve.seen, n)


def swing_of(curve: Curve, confidence: float) -> tuple[float, float, float]:
    """Return how far the take moves over the sizes stuck: best less worst, and its Scheffe interval."""
    from grader.record.learn.curve import scheffe

    share, gradient = curve.take(look_at(curve))
    best, worst = int(share.argmax()), int(share.argmin())
    slope = gradient[best] - gradient[worst]
    reach = scheffe(len(curve.shape), curve.spread.df, confidence) * math.sqrt(
        float(slope @ curve.covariance @ slope)
    )
    value = float(share[best] - share[worst])
    return value, value - reach, value + reach


def wanted_range(curve: Curve, step: float) -> tuple[float, float] | None:
    """Return the limits of the sizes that took nearly as well as the best; nan for a side without limit.

    A side has a limit only where the curve falls inside the sizes that were stuck.
    """
    x = look_at(curve)
    share, _gradient = curve.take(x)
    best = int(share.argmax())
    for slack in NEAR_BEST:
        good = share >= share[best] - slack
        first = best - int(np.argmin(good[best::-1])) + 1 if not good[: best + 1].all() else 0
        last = best + int(np.argmin(good[best:])) - 1 if not good[best:].all() else len(x) - 1
        low = math.nan if first == 0 else round(math.floor(x[first] / step) * step, 6)
        high = math.nan if last == len(x) - 1 else round(math.ceil(x[last] / step) * step, 6)
        if math.isnan(low) and math.isnan(high):
            return None
        if in_range(curve.sizes, low, high).mean() >= LEAST_KEPT:
            return low, high
    return None


def in_range(sizes: Values, low: float, high: float) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which sizes lie within limits; nan is no limit."""
    above = np.ones(len(sizes), dtype=bool) if math.isnan(low) else sizes >= low
    return above if math.isnan(high) else above & (sizes <= high)


SAME_SIZES = 0.7
"""Correlation of container means above which two measurements cannot be told apart."""


def _without_doubles(found: tuple[Lesson, ...], units: Sequence[Unit]) -> tuple[Lesson, ...]:
    """Keep, of suggestions whose sizes go together, the one with the surest gain."""
    ranked = sorted(
        (lesson for lesson in found if lesson.suggestion and lesson.curve),
        key=lambda lesson: -(lesson.suggestion.gain_low if lesson.suggestion else 0.0),
    )
    kept: list[Lesson] = []
    doubles: dict[str, str] = {}
    for lesson in ranked:
        twin = next((other for other in kept if _go_together(units, lesson.trait, other.trait)), None)
        if twin is None:
            kept.append(lesson)
        else:
            doubles[lesson.trait] = twin.trait
    return tuple(
        Lesson(
            lesson.trait,
            lesson.curve,
            None,
            f"it goes together with {doubles[lesson.trait]}: one target is enough",
        )
        if lesson.trait in doubles
        else lesson
        for lesson in found
    )


def _go_together(units: Sequence[Unit], a: str, b: str) -> bool:
    both = [(u.sizes[a].mean(), u.sizes[b].mean()) for u in units if a in u.sizes and b in u.sizes]
    return abs(float(np.corrcoef(np.array(both).T)[0, 1])) > SAME_SIZES
