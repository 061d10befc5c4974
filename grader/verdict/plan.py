"""Where to cut: the best set of cuttings that one shoot holds, by dynamic programming along its axis.

Every pair of cuts on a grid of 1 mm (:data:`grader.verdict.predict.GRID_MM`) is a piece.  A piece counts as
grade 1 or grade 2 only when it surely meets the limits, the doubt of measuring, of the wood under the
foliage and of the hand included: a cut cannot be taken back.  Only a doubt that the cutting has already,
about something that is as likely good as not and that the cut makes no worse, is left to be measured by
hand: no wood is given away for it.  Pieces may not overlap; what lies between
them is thrown away.  Sets of pieces are compared by their worth, first that differs:

1. more pieces of grade 1,
2. more pieces of grade 2 that have a wanted length: two good lengths beat three stubs,
3. more other pieces of grade 2,
4. the set that keeps the tip: young wood roots more readily than old (common practice, no source),
5. more length in all, in whole millimetres,
6. fewer pieces that have to be cut or stripped,
7. lengths nearer to the middle of those wanted, so that near-equal shoots are divided at near-equal places.

All of these add up over pieces, so the best set up to a place is the best set up to an earlier one and one
piece more, or nothing (Bellman's principle): the search is exact.  A tie that is left goes to the pieces
found first, from the base upwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.records import Piece, Traits, Values
from grader.verdict.decide import edge_of
from grader.verdict.predict import (
    ABOVE_A_HEEL_MM,
    CHANGED_BY_STRIPPING,
    CUT_SIGMA_MM,
    GRID_MM,
    LEAST_GREEN_MM,
    LEAST_PIECE_MM,
    LEFT_BY_STRIPPING,
    STRIP_SIGMA_MM,
    Columns,
    Cuts,
    Outlook,
    foretold,
    measured_at,
    predicted,
)
from grader.verdict.rules import RULED_TRAITS, RULES, Level, Rule, Side
from grader.verdict.targets import GUARD_FACTOR, Targets

LEAST_STRIP_MM = 2.0
"""Nobody strips a single millimetre."""

NO_DIFFERENCE_SIGMAS = 0.5
"""Nobody could show a difference of half a standard uncertainty."""
_AT_WILL = ("total_length_mm", "stripped_length_mm", "heel_length_mm")
"""What the hand makes as long as it likes: never left in doubt by a cut."""

_GRID = tuple[NDArray[np.intp], NDArray[np.intp]]


@dataclass(frozen=True, slots=True, eq=False)
class Options:
    """Pieces that could be cut out: from and to which place of the grid, and what each is worth."""

    start: NDArray[np.intp]
    """(N,)"""
    end: NDArray[np.intp]
    """(N,)"""
    strip_to_mm: Values
    """(N,)"""
    is_first: NDArray[np.bool_]
    """(N,) whether it has grade 1; else grade 2."""
    worth: Values
    """(N, 7): pieces of grade 1, of grade 2 with a wanted length, others of grade 2, with the tip; length in
    whole mm; minus the work; minus unevenness."""


def best_pieces(outlook: Outlook, targets: Targets) -> tuple[Piece, ...]:
    """Return the best set of pieces, base first; empty if none would be surely acceptable."""
    options = options_of(outlook, targets)
    if len(options.start) == 0:
        return ()
    return tuple(_piece(outlook, options, k) for k in best_set(len(outlook.at_mm), options))


def _piece(outlook: Outlook, options: Options, k: int) -> Piece:
    from_mm, to_mm = float(outlook.at_mm[options.start[k]]), float(outlook.at_mm[options.end[k]])
    strip_to_mm = float(options.strip_to_mm[k])
    columns = predicted(outlook, from_mm, np.array([to_mm]), strip_to_mm)
    return Piece(from_mm, to_mm, strip_to_mm, "1" if options.is_first[k] else "2", measured_at(columns, 0))


def best_set(n_places: int, options: Options) -> tuple[int, ...]:
    """Return which options are worth most together, none overlapping, base first; exact.

    Parameters
    ----------
    n_places : int
        Places of the grid; options start and end at 0 to ``n_places - 1``.
    options : Options
    """
    by_end = np.argsort(options.end, kind="stable")
    starts, worths = options.start[by_end], options.worth[by_end]
    edges = np.searchsorted(options.end[by_end], np.arange(n_places + 1))
    worth = np.zeros((n_places, options.worth.shape[1]))
    last = np.full(n_places, -1)
    for place in range(1, n_places):
        worth[place] = worth[place - 1]
        low, high = edges[place], edges[place + 1]
        if low == high:
            continue
        together = worth[starts[low:high]] + worths[low:high]
        best = _first_largest(together)
        if tuple(together[best]) > tuple(worth[place]):
            worth[place], last[place] = together[best], by_end[low + best]
    chosen: list[int] = []
    place = n_places - 1
    while place > 0:
        by = int(last[place])
        if by >= 0:
            chosen.append(by)
        place = place - 1 if by < 0 else int(options.start[by])
    return tuple(reversed(chosen))


def _first_largest(rows: Values) -> int:
    """Return the first of the largest rows: the first column that differs counts."""
    left = np.arange(len(rows))
    for column in rows.T:
        values = column[left]
        left = left[values == values.max()]
        if len(left) == 1:
            break
    return int(left[0])


def options_of(outlook: Outlook, targets: Targets) -> Options:
    """Return every piece that would surely be acceptable, stripped as its grade takes."""
    start, end = _possible(outlook, targets)
    from_mm, to_mm = outlook.at_mm[start], outlook.at_mm[end]
    whole = Cuts(from_mm, to_mm, np.zeros(len(start)))
    allowed, wanted = _acceptable(outlook, whole, targets, LEFT_BY_STRIPPING)
    start, end, wanted = start[allowed], end[allowed], wanted[allowed]
    if len(start) == 0:
        return _valued(outlook, targets, (start, end), np.zeros(0), np.zeros(0, dtype=np.bool_))
    from_mm, to_mm = outlook.at_mm[start], outlook.at_mm[end]
    # One row for each way of stripping.
    strips = _strips(outlook, targets, from_mm)
    cuts = Cuts(np.tile(from_mm, len(strips)), np.tile(to_mm, len(strips)), strips.ravel())
    bare_to_mm = np.maximum(np.maximum(outlook.shape.foliage_from_mm, cuts.from_mm), cuts.strip_to_mm)
    tried = np.flatnonzero(cuts.to_mm - bare_to_mm >= LEAST_GREEN_MM)  # nan, a way not to be tried, is not
    cuts = cuts.taken(tried)
    is_second, is_first, is_bare = (np.zeros(strips.size, dtype=np.bool_) for _ in range(3))
    is_second[tried], is_first[tried] = _acceptable(outlook, cuts, targets, CHANGED_BY_STRIPPING)
    is_first &= np.tile(wanted, len(strips))
    bare = {"stripped_length_mm": foretold(outlook, cuts, "stripped_length_mm")}
    is_bare[tried] = surely_meets(bare, targets, (Level.WANTED,), ("stripped_length_mm",))
    first, second = is_first.reshape(strips.shape), is_second.reshape(strips.shape)
    fits = np.where(first.any(axis=0), first, second)
    # Also a second-grade piece gets the bare stem that is wanted, if it keeps foliage enough; then the least.
    order = np.where(fits, strips + np.where(is_bare.reshape(strips.shape), 0.0, outlook.total_mm), np.inf)
    kept = np.flatnonzero(fits.any(axis=0))
    strip_to_mm = strips[order.argmin(axis=0), np.arange(len(start))][kept]
    return _valued(
        outlook, targets, (start[kept], end[kept]), strip_to_mm, np.asarray(first.any(axis=0))[kept]
    )


def _possible(outlook: Outlook, targets: Targets) -> _GRID:
    """Return the places (N,) of lower and upper cuts that leave a piece of a possible length."""
    at_mm, heel = outlook.at_mm, outlook.shape.heel
    length_mm = at_mm[None, :] - at_mm[:, None]
    least_mm, most_mm, may_divide = _lengths(targets)
    fits = np.asarray((length_mm >= least_mm) & (length_mm <= most_mm))
    if not may_divide:
        fits &= at_mm[None, :] >= outlook.total_mm
    if heel is not None:
        fits[(at_mm > 0.0) & (at_mm < heel.length_mm + ABOVE_A_HEEL_MM)] = False
    start, end = np.nonzero(fits)
    if len(start) and (outlook.wood is None or not math.isfinite(outlook.shape.foliage_from_mm)):
        return start[:0], end[:0]
    return start, end


def _acceptable(
    outlook: Outlook, cuts: Cuts, targets: Targets, traits: tuple[str, ...]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which pieces surely meet the limits allowed, and which also those wanted, (N,) each."""
    left = np.arange(len(cuts.from_mm))
    wanted = np.ones(len(left), dtype=np.bool_)
    for trait in traits:
        limits = targets.limits.get(trait)
        if limits is None or len(left) == 0:
            continue
        columns = {trait: foretold(outlook, cuts.taken(left), trait)}
        wanted[left] &= surely_meets(columns, targets, (Level.WANTED,), (trait,), outlook.now)
        left = left[surely_meets(columns, targets, (Level.ALLOWED,), (trait,), outlook.now)]
    allowed = np.zeros(len(wanted), dtype=np.bool_)
    allowed[left] = True
    return allowed, wanted & allowed


def strips_of(outlook: Outlook, targets: Targets, from_mm: float) -> tuple[float, ...]:
    """Return how far to strip could pay, from a lower cut: not at all, or just to what is allowed or wanted.

    Stripping further only takes foliage away, so nothing in between can be better.
    """
    found = _strips(outlook, targets, np.array([from_mm]))[:, 0]
    return tuple(dict.fromkeys(float(to_mm) for to_mm in found if not math.isnan(to_mm)))


def _strips(outlook: Outlook, targets: Targets, from_mm: Values) -> Values:
    """Return the same for many lower cuts (N,): one row for each way, nan where it does not pay."""
    bare_to_mm = np.maximum(outlook.shape.foliage_from_mm, from_mm)
    sigma = np.where(from_mm > 0.0, math.hypot(STRIP_SIGMA_MM, CUT_SIGMA_MM), STRIP_SIGMA_MM)
    found = [np.zeros(len(from_mm))]
    for level in (Level.ALLOWED, Level.WANTED):
        least_mm = targets.get("stripped_length_mm", level, Side.MIN)
        if math.isnan(least_mm):
            continue
        aim_mm = np.ceil((least_mm + guard_of(targets) * sigma) / GRID_MM) * GRID_MM
        to_mm = from_mm + np.maximum(aim_mm, np.ceil(bare_to_mm + LEAST_STRIP_MM - from_mm))
        found.append(np.where(from_mm + aim_mm > bare_to_mm, to_mm, np.nan))
    return np.stack(found)


def guard_of(targets: Targets) -> float:
    """Return the guard factor of predictions: never none, since a cut cannot be taken back."""
    is_guarded = targets.policy != "simple" and targets.guard_factor > 0.0
    return targets.guard_factor if is_guarded else GUARD_FACTOR


def surely_meets(
    columns: Columns,
    targets: Targets,
    levels: tuple[Level, ...],
    traits: tuple[str, ...] = RULED_TRAITS,
    now: Traits | None = None,
) -> NDArray[np.bool_]:
    """Return which pieces meet all limits of some levels with the guard band to spare, (N,).

    With ``now``, the measurements of the uncut cutting, a doubt that it has already may stay.
    """
    guard = guard_of(targets)
    n = len(next(iter(columns.values()))[0])
    meets = np.ones(n, dtype=np.bool_)
    for rule in (rule for rule in RULES.values() if rule.trait in traits):
        value, sigma = columns.get(rule.trait, (np.full(n, np.nan), np.full(n, np.nan)))
        is_absent = np.isnan(value) & (sigma == 0.0)
        for level in levels:
            limit = targets.get(rule.trait, level, rule.side)
            if math.isnan(limit):
                continue
            needed = guard if now is None else _needed(rule, limit, now, guard)
            meets &= is_absent | (_inside(rule, limit, value) >= needed * sigma)
    return meets


def _inside(rule: Rule, limit: float, value: Values) -> Values:
    edge = edge_of(rule, limit)
    return value - edge if rule.side is Side.MIN else edge - value


def _needed(rule: Rule, limit: float, now: Traits, guard: float) -> float:
    """Return how many standard uncertainties inside a limit a piece has to be.

    The guard band, or what the uncut cutting has where that is in doubt, but never below even odds.
    """
    measured = now.get(rule.trait)
    if measured is None or rule.trait in _AT_WILL or not measured.sigma > 0.0 or math.isnan(measured.value):
        return guard
    score = float(_inside(rule, limit, np.array(measured.value))) / measured.sigma
    return max(score - NO_DIFFERENCE_SIGMAS, 0.0) if abs(score) < guard else guard


def _valued(
    outlook: Outlook, targets: Targets, places: _GRID, strip_to_mm: Values, is_first: NDArray[np.bool_]
) -> Options:
    """Return options with their worth."""
    from_mm, to_mm = (outlook.at_mm[place] for place in places)
    length_mm = to_mm - from_mm
    least, most = (targets.get("total_length_mm", Level.WANTED, side) for side in Side)
    is_wanted_length = ~((length_mm < least) | (length_mm > most))
    is_even = math.isnan(least + most)
    worth = np.stack(
        [
            is_first,
            ~is_first & is_wanted_length,
            ~is_first & ~is_wanted_length,
            to_mm >= outlook.total_mm,
            np.floor(length_mm),
            -1.0 * ((from_mm > 0.0) | (strip_to_mm > 0.0)),
            np.zeros(len(length_mm)) if is_even else -((length_mm - (least + most) / 2.0) ** 2),
        ],
        axis=1,
    )
    return Options(*places, strip_to_mm, is_first, worth)


def _lengths(targets: Targets) -> tuple[float, float, bool]:
    """Return the shortest and longest piece that could be acceptable, mm, and whether to divide at all.

    Without any least length nothing is divided: any stub would do.
    """
    levels = (Level.ALLOWED, Level.WANTED)
    leasts = [targets.get("total_length_mm", level, Side.MIN) for level in levels]
    least = next((limit for limit in leasts if not math.isnan(limit)), math.nan)
    most = targets.get("total_length_mm", Level.ALLOWED, Side.MAX)
    may_divide = targets.upper_pieces and not math.isnan(least)
    return (
        max(LEAST_PIECE_MM, 0.0 if math.isnan(least) else least),
        math.inf if math.isnan(most) else most,
        may_divide,
    )


def is_long_enough_for_two(outlook: Outlook, targets: Targets) -> bool:
    """Return whether two pieces could fit at all: spares the search on most cuttings of grade 1."""
    least_mm, _, may_divide = _lengths(targets)
    return may_divide and outlook.total_mm >= 2.0 * least_mm
