"""What to do now with a cutting, in one line.

:mod:`grader.verdict.plan` finds the best set of cuttings that hands could make of it.  It is advised only
when it surely gains something:

* **Stripping** shortens nothing.  It is advised where it mends a bare stem that is too short, or may be,
  and brings no new doubt.
* A **cut** must give more than the cutting may be, as it lies or stripped, if every doubt about it
  turned out well: nothing is cut for a doubtful 0.3 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grader.records import Piece, RuleOutcome, Traits
from grader.verdict.decide import best_possible, doubts_of, grade_from, hope_of, settle
from grader.verdict.plan import best_pieces, is_long_enough_for_two, strips_of, surely_meets
from grader.verdict.predict import (
    CHANGED_BY_STRIPPING,
    LEAST_GREEN_MM,
    LEFT_BY_STRIPPING,
    Outlook,
    measured_at,
    predicted,
)
from grader.verdict.rules import GRADE_IF_FAILED, Level
from grader.verdict.targets import Targets
from grader.verdict.wording import (
    Step,
    afterwards,
    doubts_left,
    doubts_that_matter,
    doubts_to_measure,
    measure_steps,
    steps_as_it_lies,
    steps_to_make,
    when_measured,
)

_ORDER = ("1", "2", "cull")
_COUNTS = {"1": (1, 0), "2": (0, 1), "cull": (0, 0)}
"""How many cuttings of grade 1 and of grade 2 one cutting of a grade is."""
_CHANGED_BY_STRIPPING = ("stripped_length_mm", "foliage_area_mm2", "tips_count")


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, the pieces that it makes, and which grade comes of it."""

    steps: tuple[Step, ...]
    pieces: tuple[Piece, ...] = ()
    afterwards: str = ""
    """Empty where nothing changes the grade of today."""

    @property
    def words(self) -> str:
        """All steps in one line."""
        *first, last = (step.words for step in self.steps if step.words)
        return f"{', '.join(first)}, then {last}" if first else last


def advise(
    outcomes: tuple[RuleOutcome, ...], traits: Traits, targets: Targets, outlook: Outlook | None
) -> Advice:
    """Return what to do now.

    Parameters
    ----------
    outcomes : tuple of RuleOutcome
        Doubt not settled.
    traits : Traits
    targets : Targets
    outlook : Outlook or None
        Without it nothing can be tried out, and the advice is to stick, measure or discard.
    """
    pieces = _pieces_worth_it(outcomes, targets, outlook) if outlook is not None else ()
    if pieces and outlook is not None:
        steps = steps_to_make(pieces, outcomes, targets, outlook)
        then = afterwards(pieces, targets, outlook, doubts_to_measure(pieces, targets))
        return Advice(tuple(steps), pieces, then)
    settled = settle(outcomes, targets.doubtful)
    grade = grade_from(settled)
    if grade == "unsure":
        hope = best_possible(settled)
        doubts = doubts_that_matter(doubts_of(settled), hope)
        return Advice(tuple(measure_steps(doubts, hope, traits)), (), when_measured(doubts, hope))
    return Advice(tuple(steps_as_it_lies(grade, settled, outcomes, traits)))


def count_of(pieces: tuple[Piece, ...]) -> tuple[int, int]:
    """Return how many pieces are grade 1, and how many grade 2."""
    first = sum(piece.grade == "1" for piece in pieces)
    return first, len(pieces) - first


def _pieces_worth_it(
    outcomes: tuple[RuleOutcome, ...], targets: Targets, outlook: Outlook
) -> tuple[Piece, ...]:
    """Return the pieces to make; empty if the cutting is best left as it is."""
    hope = best_possible(outcomes)
    stripped = stripped_whole(outcomes, targets, outlook)
    best_uncut = max(_COUNTS[hope], _COUNTS[stripped.grade] if stripped else (0, 0))
    may_gain = best_uncut < (1, 0) or is_long_enough_for_two(outlook, targets)
    pieces = best_pieces(outlook, targets) if may_gain else ()
    if count_of(pieces) > best_uncut and _is_cut(pieces, outlook):
        return pieces
    if stripped is None:
        return ()
    doubts = doubts_that_matter(doubts_of(outcomes), hope) if grade_from(outcomes) == "unsure" else ()
    ends_doubt = stripped.grade == hope and len(doubts_left(stripped, targets)) < len(doubts)
    return (stripped,) if _COUNTS[stripped.grade] > _COUNTS[hope] or ends_doubt else ()


def _is_cut(pieces: tuple[Piece, ...], outlook: Outlook) -> bool:
    return len(pieces) > 1 or pieces[0].from_mm > 0.0 or pieces[0].to_mm < outlook.total_mm


def stripped_whole(outcomes: tuple[RuleOutcome, ...], targets: Targets, outlook: Outlook) -> Piece | None:
    """Return the uncut cutting stripped further, with the grade it has if the doubts of now turn out well.

    A doubt that stripping itself would bring, or make larger, counts as a fault.  None where stripping does
    not help.
    """
    if not math.isfinite(outlook.shape.foliage_from_mm):
        return None
    most_mm = outlook.total_mm - LEAST_GREEN_MM
    strips = [to_mm for to_mm in strips_of(outlook, targets, 0.0) if 0.0 < to_mm <= most_mm]
    if not strips:
        return None
    to_mm = np.full(len(strips), outlook.total_mm)
    left = predicted(outlook, 0.0, to_mm, 0.0, LEFT_BY_STRIPPING)
    if hope_of(measured_at(left, 0), targets, CHANGED_BY_STRIPPING) == "cull":
        return None
    columns = {**left, **predicted(outlook, 0.0, to_mm, np.array(strips), CHANGED_BY_STRIPPING)}
    levels = (Level.ALLOWED, Level.WANTED)
    is_met = {level: surely_meets(columns, targets, (level,), _CHANGED_BY_STRIPPING) for level in levels}
    found: list[Piece] = []
    for k, strip_to_mm in enumerate(strips):
        traits = measured_at(columns, k)
        grades = [hope_of(traits, targets, _CHANGED_BY_STRIPPING)]
        grades += [GRADE_IF_FAILED[level] for level in levels if not is_met[level][k]]
        found.append(Piece(0.0, outlook.total_mm, strip_to_mm, max(grades, key=_ORDER.index), traits))
    best = min(found, key=lambda piece: (_ORDER.index(piece.grade), -piece.strip_to_mm), default=None)
    return None if best is None or best.grade == "cull" else best
