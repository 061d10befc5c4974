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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.records import Piece, Traits, Values
from grader.verdict.decide import edge_of
from grader.verdict.predict import (
    ABOVE_A_HEEL_MM,
    CUT_SIGMA_MM,
    GRID_MM,
    LEAST_GREEN_MM,
    LEAST_PIECE_MM,
    STRIP_SIGMA_MM,
    Columns,
    Outlook,
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

Worth = tuple[int, int, int, int, int, int, float]
"""Pieces of grade 1, of grade 2 with a wanted length, others of grade 2, with the tip; whole mm of length;
minus the work; minus unevenness."""
NOTHING: Worth = (0, 0, 0, 0, 0, 0, 0.0)


@dataclass(frozen=True, slots=True)
class Option:
    """One piece that could be cut out: from and to which place of the grid, and what it is worth."""

    start: int
    end: int
    strip_to_mm: float
    worth: Worth
    piece: Piece


def best_pieces(outlook: Outlook, targets: Targets) -> tuple[Piece, ...]:
    """Return the best set of pieces, base first; empty if none would be surely acceptable."""
    chosen = best_set(len(outlook.at_mm), list(options_of(outlook, targets)))
    return tuple(option.piece for option in chosen)


def best_set(n_places: int, options: Sequence[Option]) -> tuple[Option, ...]:
    """Return the options that are worth most together, none overlapping; exact.

    Parameters
    ----------
    n_places : int
        Places of the grid; options start and end at 0 to ``n_places - 1``.
    options : sequence of Option
    """
    by_end: dict[int, list[Option]] = {}
    for option in options:
        by_end.setdefault(option.end, []).append(option)
    worth: list[Worth] = [NOTHING]
    last: list[Option | None] = [None]
    for place in range(1, n_places):
        best, by = worth[place - 1], None
        for option in by_end.get(place, ()):
            total = add(worth[option.start], option.worth)
            if total > best:
                best, by = total, option
        worth.append(best)
        last.append(by)
    chosen: list[Option] = []
    place = n_places - 1
    while place > 0:
        option_here = last[place]
        if option_here is None:
            place -= 1
        else:
            chosen.append(option_here)
            place = option_here.start
    return tuple(reversed(chosen))


def add(first: Worth, second: Worth) -> Worth:
    """Return the worth of two sets of pieces together."""
    *whole, uneven = (x + y for x, y in zip(first, second, strict=True))
    a, b, c, d, e, f = (int(number) for number in whole)
    return a, b, c, d, e, f, uneven


def options_of(outlook: Outlook, targets: Targets) -> Iterator[Option]:
    """Yield every piece that would surely be acceptable, stripped as its grade takes."""
    if outlook.wood is None or not math.isfinite(outlook.shape.foliage_from_mm):
        return
    heel = outlook.shape.heel
    least_recut_mm = heel.length_mm + ABOVE_A_HEEL_MM if heel is not None else 0.0
    least_mm, most_mm, may_divide = _lengths(targets)
    for start, from_mm in enumerate(outlook.at_mm):
        is_in_heel = 0.0 < from_mm < least_recut_mm
        ends = _ends(outlook, float(from_mm), least_mm, most_mm, may_divide)
        if not is_in_heel and len(ends):
            yield from _from(outlook, targets, start, ends)


def strips_of(outlook: Outlook, targets: Targets, from_mm: float) -> tuple[float, ...]:
    """Return how far to strip could pay, from a lower cut: not at all, or just to what is allowed or wanted.

    Stripping further only takes foliage away, so nothing in between can be better.
    """
    bare_to_mm = max(outlook.shape.foliage_from_mm, from_mm)
    sigma = math.hypot(STRIP_SIGMA_MM, CUT_SIGMA_MM if from_mm > 0.0 else 0.0)
    found = [0.0]
    for level in (Level.ALLOWED, Level.WANTED):
        least_mm = targets.get("stripped_length_mm", level, Side.MIN)
        if math.isnan(least_mm):
            continue
        aim_mm = math.ceil((least_mm + guard_of(targets) * sigma) / GRID_MM) * GRID_MM
        to_mm = from_mm + max(aim_mm, math.ceil(bare_to_mm + LEAST_STRIP_MM - from_mm))
        if from_mm + aim_mm > bare_to_mm:
            found.append(to_mm)
    return tuple(dict.fromkeys(found))


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
    n = len(columns["total_length_mm"][0])
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


def _from(outlook: Outlook, targets: Targets, start: int, ends: NDArray[np.intp]) -> Iterator[Option]:
    """Yield the acceptable pieces from one lower cut: for each upper cut the grade, the least stripping."""
    from_mm, to_mm = float(outlook.at_mm[start]), outlook.at_mm[ends]
    bare_to_mm = max(outlook.shape.foliage_from_mm, from_mm)
    tried = []
    for strip_to_mm in strips_of(outlook, targets, from_mm):
        columns = predicted(outlook, from_mm, to_mm, strip_to_mm)
        has_green = to_mm - max(bare_to_mm, strip_to_mm) >= LEAST_GREEN_MM
        allowed = has_green & surely_meets(columns, targets, (Level.ALLOWED,), now=outlook.now)
        wanted = allowed & surely_meets(columns, targets, (Level.WANTED,), now=outlook.now)
        is_bare = surely_meets(columns, targets, (Level.WANTED,), ("stripped_length_mm",))
        tried.append((strip_to_mm, columns, allowed, wanted, is_bare))
    for k, end in enumerate(ends):
        for grade in ("1", "2"):
            fitting = (t for t in tried if (t[3] if grade == "1" else t[2])[k])
            # Also a second-grade piece gets the bare stem that is wanted, if it keeps foliage enough.
            found = min(fitting, key=lambda t: (not t[4][k], t[0]), default=None)
            if found is not None:
                piece = Piece(from_mm, float(to_mm[k]), found[0], grade, measured_at(found[1], k))
                yield Option(start, int(end), found[0], _worth(piece, outlook.total_mm, targets), piece)
                break


def _worth(piece: Piece, total_mm: float, targets: Targets) -> Worth:
    length_mm = piece.to_mm - piece.from_mm
    least, most = (targets.get("total_length_mm", Level.WANTED, side) for side in Side)
    is_wanted_length = not (length_mm < least or length_mm > most)
    uneven = 0.0 if math.isnan(least + most) else (length_mm - (least + most) / 2.0) ** 2
    return (
        int(piece.grade == "1"),
        int(piece.grade == "2" and is_wanted_length),
        int(piece.grade == "2" and not is_wanted_length),
        int(piece.to_mm >= total_mm),
        math.floor(length_mm),
        -int(piece.from_mm > 0.0 or piece.strip_to_mm > 0.0),
        -uneven,
    )


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


def _ends(
    outlook: Outlook, from_mm: float, least_mm: float, most_mm: float, may_divide: bool
) -> NDArray[np.intp]:
    """Return the places of upper cuts that leave a piece of a possible length."""
    at_mm: Values = outlook.at_mm
    fits = (at_mm - from_mm >= least_mm) & (at_mm - from_mm <= most_mm)
    if not may_divide:
        fits &= at_mm >= outlook.total_mm
    return np.flatnonzero(fits)
