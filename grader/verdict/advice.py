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

from grader.records import Outcome, Piece, RuleOutcome, Traits
from grader.traits.catalogue import MM_PER_INCH, TRAITS, metric_text
from grader.verdict.decide import apply_rules, best_possible, deciding, grade_from, hope_of, settle
from grader.verdict.plan import best_pieces, is_long_enough_for_two, strips_of, surely_meets
from grader.verdict.predict import LEAST_GREEN_MM, Outlook, measured_at, predicted
from grader.verdict.rules import GRADE_IF_FAILED, RULES, Level, Side
from grader.verdict.targets import Targets

_LAST_STEP = {"1": "stick", "2": "stick with the second grade"}
_ORDER = ("1", "2", "cull")
_COUNTS = {"1": (1, 0), "2": (0, 1), "cull": (0, 0)}
"""How many cuttings of grade 1 and of grade 2 one cutting of a grade is."""
_CHANGED_BY_STRIPPING = ("stripped_length_mm", "foliage_area_mm2", "tips_count")
_BY_EYE = ("foliage_area_mm2", "browned_share", "strays_count", "tips_count")
"""No rule measures these."""
_WHY_CUT = {
    "C01": "above the crook",
    "H01": "off the heel",
    "D02": "above the oversized wood",
    "L02": "to shorten it",
    "S02": "to shorten the bare stem",
    "C02": "to straighten it",
}
"""Faults that a new base can mend, the most telling first."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One line for the person, and the pieces that it makes."""

    words: str
    pieces: tuple[Piece, ...] = ()


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
        return Advice(_in_words(pieces, outcomes, targets, outlook), pieces)
    settled = settle(outcomes, targets.doubtful)
    grade = grade_from(settled)
    if grade == "unsure":
        return Advice(_measure_by_hand(deciding(settled)))
    return Advice(_as_it_lies(grade, settled, outcomes, traits))


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
    doubts = deciding(outcomes) if grade_from(outcomes) == "unsure" else ()
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
    columns = predicted(outlook, 0.0, np.full(len(strips), outlook.total_mm), np.array(strips))
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


def doubts_left(piece: Piece, targets: Targets) -> tuple[RuleOutcome, ...]:
    """Return what could still lower the grade of a piece: it was promised in case doubts turn out well."""
    outcomes = apply_rules(piece.traits, targets, told=False)
    if grade_from(outcomes) != "unsure":
        return ()
    lower = ("cull", "2") if piece.grade == "1" else ("cull",)
    return tuple(doubt for doubt in deciding(outcomes) if doubt.grade_if_failed in lower)


def _measure_by_hand(doubts: tuple[RuleOutcome, ...]) -> str:
    """Return what to measure or look at, and the limit that it has to meet."""
    limits: dict[str, list[str]] = {}
    for outcome in doubts:
        bound = "at least" if RULES[outcome.rule].side is Side.MIN else "at most"
        limit = f"{bound} {metric_text(TRAITS[outcome.trait], outcome.limit)}"
        limits.setdefault(outcome.trait, []).append(limit)
    told = []
    for how, by_eye in (("measure by hand", False), ("judge by eye", True)):
        words = [
            f"{TRAITS[name].words} ({', '.join(found)})"
            for name, found in limits.items()
            if (name in _BY_EYE) is by_eye
        ]
        if words:
            told.append(f"{how}: {', '.join(words)}")
    return "; ".join(told)


def _as_it_lies(
    grade: str, settled: tuple[RuleOutcome, ...], outcomes: tuple[RuleOutcome, ...], traits: Traits
) -> str:
    if grade == "cull":
        flags = ", ".join(outcome.flag for outcome in deciding(settled))
        is_sure = grade_from(outcomes) == "cull"
        return f"discard: {flags}" if is_sure else f"set aside: may be {flags}"
    pull = _pull_off(traits)
    return f"{pull}, {_LAST_STEP[grade]}" if pull else _LAST_STEP[grade]


def _pull_off(traits: Traits) -> str:
    strays = traits.get("strays_count")
    if strays is None or not strays.value >= 1.0:
        return ""
    count = round(strays.value)
    return f"pull {count} {'needle' if count == 1 else 'needles'} off the stem"


def _in_words(
    pieces: tuple[Piece, ...], outcomes: tuple[RuleOutcome, ...], targets: Targets, outlook: Outlook
) -> str:
    steps = []
    lowest, highest = pieces[0], pieces[-1]
    if lowest.from_mm > 0.0:
        why = _why(lowest, outcomes, targets)
        steps.append(f"cut again {_length(lowest.from_mm)} above the base ({why})")
    if len(pieces) > 1:
        places = sorted({p.to_mm for p in pieces[:-1]} | {p.from_mm for p in pieces[1:]})
        where = " and ".join(_length(place) for place in places)
        also = " of now" if lowest.from_mm > 0.0 else ""
        steps.append(f"divide {where} above the base{also}: {len(pieces)} cuttings")
    if highest.to_mm < outlook.total_mm:
        steps.append(f"cut the top off {_length(highest.to_mm)} above the base")
    steps.extend(_strips(pieces, outlook))
    if not any(piece.strip_to_mm for piece in pieces) and lowest.from_mm == 0.0:
        steps.extend(filter(None, [_pull_off(outlook.now)]))
    return ", ".join([*steps, _last_step(pieces, targets)])


def _last_step(pieces: tuple[Piece, ...], targets: Targets) -> str:
    doubts = [doubts_left(piece, targets) for piece in pieces]
    if targets.doubtful != "unsure" or not any(doubts):
        return _stick(pieces)
    return _measure_by_hand(doubts[0]) if len(pieces) == 1 else "photograph them again"


def _strips(pieces: tuple[Piece, ...], outlook: Outlook) -> list[str]:
    """Return what to strip: how much more, and how much of the stem is bare then."""
    told: list[str] = []
    for number, piece in enumerate(pieces, start=1):
        if piece.strip_to_mm <= 0.0:
            continue
        bare_mm = piece.strip_to_mm - piece.from_mm
        more_mm = piece.strip_to_mm - max(outlook.shape.foliage_from_mm, piece.from_mm)
        if len(pieces) == 1:
            told.append(f"strip {more_mm:.0f} mm more, to {_length(bare_mm)} of bare stem")
        else:
            told.append(f"strip {_name(number, len(pieces))} to {_length(bare_mm)} of bare stem")
    return told


def _stick(pieces: tuple[Piece, ...]) -> str:
    seconds = [k for k, piece in enumerate(pieces, start=1) if piece.grade == "2"]
    if not seconds or len(seconds) == len(pieces):
        return _LAST_STEP["2" if seconds else "1"]
    names = " and ".join(_name(k, len(pieces)) for k in seconds)
    return f"stick, {names} with the second grade"


def _name(number: int, n: int) -> str:
    """Return what a piece is called; they are counted from the base."""
    return ("the lower one", "the upper one")[number - 1] if n == 2 else f"no. {number} from the base"


def _why(piece: Piece, outcomes: tuple[RuleOutcome, ...], targets: Targets) -> str:
    """Return which fault of the cutting is gone from the piece: a certain one before a doubtful one."""
    after = apply_rules(piece.traits, targets, told=False)
    left = {(o.rule, o.grade_if_failed) for o in after if o.outcome is not Outcome.PASS}
    for wanted in (Outcome.FAIL, Outcome.UNSURE):
        faults = {(o.rule, o.grade_if_failed) for o in outcomes if o.outcome is wanted and o.grade_if_failed}
        mended = {rule for rule, _ in faults - left}
        if mended & set(_WHY_CUT):
            return next(why for rule, why in _WHY_CUT.items() if rule in mended)
    return "for a better length"


def _length(length_mm: float) -> str:
    return f"{length_mm:.0f} mm ({length_mm / MM_PER_INCH:.2f} in)"
