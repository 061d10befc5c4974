"""The advice in words: each step once in full, and once in the few words that stand beside the cutting.

Cuts count from the present cut end.  Bare stem counts from the cut end that the cutting then has: that is
where a hand lays the rule.  The mark on the picture says the same number in the same words.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from grader.records import Outcome, Piece, RuleOutcome, Traits
from grader.traits.catalogue import MM_PER_INCH, TRAITS, inch_text, metric_text
from grader.verdict.decide import apply_rules, deciding, grade_from
from grader.verdict.predict import Outlook
from grader.verdict.rules import RULES, Side
from grader.verdict.targets import Targets

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
_GRADE_WORDS = {"1": "grade 1", "2": "grade 2", "cull": "cull"}


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do."""

    words: str
    brief: str
    """The same for the picture: few words, millimetres only."""


_STICK = {"1": Step("stick", "stick"), "2": Step("stick with grade 2", "stick with grade 2")}
_PHOTOGRAPH_AGAIN = Step("photograph them again", "photograph again")


def doubts_left(piece: Piece, targets: Targets) -> tuple[RuleOutcome, ...]:
    """Return what could still lower the grade of a piece: it was promised in case doubts turn out well."""
    outcomes = apply_rules(piece.traits, targets, told=False)
    if grade_from(outcomes) != "unsure":
        return ()
    return doubts_that_matter(deciding(outcomes), piece.grade)


def doubts_that_matter(doubts: tuple[RuleOutcome, ...], hope: str) -> tuple[RuleOutcome, ...]:
    """Return the doubts that could lower a grade: what can only be grade 2 need not meet a wanted limit."""
    lower = ("cull", "2") if hope == "1" else ("cull",)
    return tuple(doubt for doubt in doubts if doubt.grade_if_failed in lower)


def steps_as_it_lies(
    grade: str, settled: tuple[RuleOutcome, ...], outcomes: tuple[RuleOutcome, ...], traits: Traits
) -> list[Step]:
    """Return the steps where nothing is cut or stripped and nothing is in doubt."""
    if grade == "cull":
        flags = ", ".join(outcome.flag for outcome in deciding(settled))
        is_sure = grade_from(outcomes) == "cull"
        return [
            Step(f"discard: {flags}", "discard")
            if is_sure
            else Step(f"set aside: may be {flags}", "set aside")
        ]
    return [*_pull_off(traits), _STICK[grade]]


def steps_to_make(
    pieces: tuple[Piece, ...], outcomes: tuple[RuleOutcome, ...], targets: Targets, outlook: Outlook
) -> list[Step]:
    """Return the steps that make the pieces: cuts, then stripping, then what becomes of them."""
    steps = []
    lowest, highest = pieces[0], pieces[-1]
    end = "present cut end" if lowest.from_mm > 0.0 else "cut end"
    if lowest.from_mm > 0.0:
        why = _why(lowest, outcomes, targets)
        where = f"{_length(lowest.from_mm)} above the {end} ({why})"
        steps.append(Step(f"cut again {where}", f"cut again at {lowest.from_mm:.0f} mm"))
    if len(pieces) > 1:
        places = sorted({p.to_mm for p in pieces[:-1]} | {p.from_mm for p in pieces[1:]})
        where = " and ".join(_length(place) for place in places)
        brief = " and ".join(f"{place:.0f}" for place in places)
        words = f"divide {where} above the {end}: {len(pieces)} cuttings"
        steps.append(Step(words, f"divide at {brief} mm"))
    if highest.to_mm < outlook.total_mm:
        where = f"{_length(highest.to_mm)} above the {end}"
        steps.append(Step(f"cut the top off {where}", f"cut the top off at {highest.to_mm:.0f} mm"))
    steps.extend(_strips(pieces, outlook))
    if not any(piece.strip_to_mm for piece in pieces) and lowest.from_mm == 0.0:
        steps.extend(_pull_off(outlook.now))
    doubts = doubts_to_measure(pieces, targets)
    if not doubts:
        return [*steps, _stick(pieces)]
    return [*steps, measure_step(doubts, pieces[0].grade) if len(pieces) == 1 else _PHOTOGRAPH_AGAIN]


def doubts_to_measure(pieces: tuple[Piece, ...], targets: Targets) -> tuple[RuleOutcome, ...]:
    """Return the doubts about the first piece that has any, which the person wants to settle by measuring."""
    doubts = (doubts_left(piece, targets) for piece in pieces)
    return next(filter(None, doubts), ()) if targets.doubtful == "unsure" else ()


def measure_step(doubts: tuple[RuleOutcome, ...], hope: str) -> Step:
    """Return what to measure or look at, the limit that it has to meet, and what then.

    Parameters
    ----------
    doubts : tuple of RuleOutcome
    hope : str
        Grade if all of them turn out well.
    """
    bounds = _bounds(doubts)
    # Where all failures end alike it is said once, at the end.
    ends = {_if_failed(doubt) for doubt in doubts}
    told, brief = [], []
    for how, short, by_eye in (("measure by hand", "measure", False), ("judge by eye", "look at", True)):
        names = [name for name in bounds if (name in _BY_EYE) is by_eye]
        limits = [f"{TRAITS[name].words} ({bounds[name][len(ends) > 1]})" for name in names]
        if names:
            told.append(f"{how}: {', '.join(limits)}")
            brief.append(f"{short} {', '.join(TRAITS[name].words for name in names)}")
    good = _STICK[hope].words
    last = f": if so {good}, else {ends.pop()}" if len(ends) == 1 else f": if so {good}"
    return Step("; ".join(told) + last, ", ".join(brief))


def _bounds(doubts: tuple[RuleOutcome, ...]) -> dict[str, tuple[str, str]]:
    """Return for each doubtful trait its limits, without and with what becomes of a cutting beyond them."""
    plain: dict[str, list[str]] = {}
    full: dict[str, list[str]] = {}
    for doubt in doubts:
        limit = _limit(doubt)
        plain.setdefault(doubt.trait, []).append(limit)
        full.setdefault(doubt.trait, []).append(f"{limit}, else {_if_failed(doubt)}")
    return {name: (", ".join(plain[name]), "; ".join(full[name])) for name in plain}


def _limit(doubt: RuleOutcome) -> str:
    """Return a limit without brackets, since it stands in some: "at least 1.60 mm = 0.063 in"."""
    trait = TRAITS[doubt.trait]
    inches = inch_text(trait, doubt.limit)
    return f"{_bound(doubt)} {metric_text(trait, doubt.limit)}{f' = {inches}' if inches else ''}"


def _bound(doubt: RuleOutcome) -> str:
    return "at least" if RULES[doubt.rule].side is Side.MIN else "at most"


def _if_failed(doubt: RuleOutcome) -> str:
    return "discard" if doubt.grade_if_failed == "cull" else _STICK["2"].words


def afterwards(pieces: tuple[Piece, ...], outlook: Outlook, doubts: tuple[RuleOutcome, ...]) -> str:
    """Return which grade comes of it, in a few words: "after stripping: grade 1"."""
    is_cut = len(pieces) > 1 or pieces[0].from_mm > 0.0 or pieces[0].to_mm < outlook.total_mm
    is_stripped = any(piece.strip_to_mm > 0.0 for piece in pieces)
    what = " and ".join([*(["cutting"] if is_cut else []), *(["stripping"] if is_stripped else [])])
    counts = Counter(piece.grade for piece in pieces)
    each = [f"{counts[g]} of {_GRADE_WORDS[g]}" for g in ("1", "2") if counts[g]]
    grades = _GRADE_WORDS[pieces[0].grade] if len(pieces) == 1 else ", ".join(each)
    return f"after {what}: {grades}{_if_so(doubts) if len(pieces) == 1 else ''}"


def when_measured(doubts: tuple[RuleOutcome, ...], hope: str) -> str:
    """Return which grade a doubtful cutting has if the doubts turn out well, and if not."""
    return f"when measured: {_GRADE_WORDS[hope]}{_if_so(doubts)}"


def _if_so(doubts: tuple[RuleOutcome, ...]) -> str:
    """Return on what a grade hangs: " if base diameter is at least 1.60 mm, else grade 2"; else nothing."""
    if not doubts:
        return ""
    worst = "cull" if any(doubt.grade_if_failed == "cull" for doubt in doubts) else "2"
    limits: dict[str, list[str]] = {}
    for doubt in doubts:
        limit = f"{_bound(doubt)} {metric_text(TRAITS[doubt.trait], doubt.limit)}"
        limits.setdefault(doubt.trait, []).append(limit)
    told = " and ".join(f"{TRAITS[name].words} is {' and '.join(found)}" for name, found in limits.items())
    is_one = len({doubt.grade_if_failed for doubt in doubts}) == 1
    return f" if {told}" + (f", else {_GRADE_WORDS[worst]}" if is_one else "")


def _pull_off(traits: Traits) -> list[Step]:
    strays = traits.get("strays_count")
    if strays is None or not strays.value >= 1.0:
        return []
    count = round(strays.value)
    needles = f"{count} {'needle' if count == 1 else 'needles'}"
    return [Step(f"pull {needles} off the stem", f"pull {needles} off")]


def _strips(pieces: tuple[Piece, ...], outlook: Outlook) -> list[Step]:
    """Return what to strip: how much more, and how much of the stem is bare then."""
    told: list[Step] = []
    for number, piece in enumerate(pieces, start=1):
        if piece.strip_to_mm <= 0.0:
            continue
        bare_mm = piece.strip_to_mm - piece.from_mm
        more_mm = piece.strip_to_mm - max(outlook.shape.foliage_from_mm, piece.from_mm)
        if len(pieces) == 1:
            more = f"strip {more_mm:.0f} mm more"
            told.append(Step(f"{more}, so that {_length(bare_mm)} are bare", more))
        else:
            who = _name(number, len(pieces))
            words = f"strip {who} so that {_length(bare_mm)} are bare"
            told.append(Step(words, f"strip {who} to {bare_mm:.0f} mm bare"))
    return told


def _stick(pieces: tuple[Piece, ...]) -> Step:
    seconds = [k for k, piece in enumerate(pieces, start=1) if piece.grade == "2"]
    if not seconds or len(seconds) == len(pieces):
        return _STICK["2" if seconds else "1"]
    names = " and ".join(_name(k, len(pieces)) for k in seconds)
    return Step(f"stick, {names} with grade 2", f"stick, {names} with grade 2")


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
