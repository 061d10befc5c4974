"""The advice in words: each step once in full, and once in the few words that stand beside the cutting.

Cuts count from the present cut end.  Bare stem counts from the cut end that the cutting then has: that is
where a hand lays the rule.  The mark on the picture says the same number in the same words.
"""

from __future__ import annotations

from dataclasses import dataclass

from grader.records import Outcome, Piece, RuleOutcome, Traits
from grader.traits.catalogue import MM_PER_INCH, TRAITS, metric_text
from grader.verdict.by_hand import (
    best_guess,
    bound,
    hand_words,
    is_by_eye,
    is_met,
    is_read_off,
    must_show,
    where,
)
from grader.verdict.decide import apply_rules, deciding, doubts_of, grade_from
from grader.verdict.predict import Outlook
from grader.verdict.targets import Targets

_WHY_CUT = {
    "C01": "above the crook",
    "H01": "off the heel",
    "D02": "above the oversized wood",
    "L02": "to shorten it",
    "S02": "to shorten the bare stem",
    "C02": "to straighten it",
}
"""Faults that a new base can mend, the most telling first."""
_GRADE_WORDS = {"1": "grade 1", "2": "grade 2"}


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do."""

    words: str
    """Empty where the sentence of the step before says it already."""
    brief: str
    """The same for the picture: few words, millimetres only."""


_STICK = {grade: Step(f"stick: {words}", f"stick: {words}") for grade, words in _GRADE_WORDS.items()}
"""Where it goes: with those of its grade."""
_PHOTOGRAPH_AGAIN = Step("photograph them again", "photograph again")


def doubts_left(piece: Piece, targets: Targets) -> tuple[RuleOutcome, ...]:
    """Return what could still lower the grade of a piece: it was promised in case doubts turn out well."""
    outcomes = apply_rules(piece.traits, targets, told=False)
    if grade_from(outcomes) != "unsure":
        return ()
    return doubts_that_matter(doubts_of(outcomes), piece.grade)


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
    if len(pieces) > 1:
        return [*steps, _PHOTOGRAPH_AGAIN]
    return [*steps, *measure_steps(doubts, lowest.grade, lowest.traits, lowest.from_mm > 0.0)]


def doubts_to_measure(pieces: tuple[Piece, ...], targets: Targets) -> tuple[RuleOutcome, ...]:
    """Return the doubts about the first piece that has any, which the person wants to settle by measuring."""
    doubts = (doubts_left(piece, targets) for piece in pieces)
    return next(filter(None, doubts), ()) if targets.doubtful == "unsure" else ()


def measure_steps(
    doubts: tuple[RuleOutcome, ...], hope: str, traits: Traits, is_new_cut: bool = False
) -> list[Step]:
    """Return how to settle doubts with ruler, caliper and eye, the limits, and what then.

    Parameters
    ----------
    doubts : tuple of RuleOutcome
    hope : str
        Grade if all of them turn out well.
    traits : Traits
        Of the cutting as it is when it is measured.
    is_new_cut : bool
        Whether its lower end is cut anew before.
    """
    # Where all failures end alike it is said once, at the end.
    ends = list(dict.fromkeys(_if_failed(doubt) for doubt in doubts))
    names = dict.fromkeys(doubt.trait for doubt in doubts)
    is_one_scale = len({(doubt.trait, bound(doubt)) for doubt in doubts}) == 1
    is_in_order = is_one_scale and len(doubts) > 1
    good = _STICK[hope].words
    told, brief = [], []
    for how, short, by_eye in (("measure by hand", "measure", False), ("judge by eye", "look at", True)):
        mine = [name for name in names if is_by_eye(name) is by_eye]
        if mine:
            limits = (
                [f"{_what_and_where(mine[0], traits, is_new_cut)}: {_in_order(doubts, hope, traits)}"]
                if is_in_order
                else [_how_to(name, doubts, traits, is_new_cut, len(ends) > 1) for name in mine]
            )
            told.append(f"{how}: {'; '.join(limits)}")
            brief.append(f"{short} {', '.join(hand_words(name) for name in mine)}")
    full, what_then = "; ".join(told), f"if good {good}, else {' or '.join(ends)}"
    if not is_in_order:
        full += f"; if so {good}" + (f", else {ends[0]}" if len(ends) == 1 else "")
    if is_one_scale:
        what_then = _in_order(doubts, hope, traits, is_brief=True)
    return [Step(full, f"{' and '.join(brief)} (see list)"), Step("", what_then)]


def _what_and_where(name: str, traits: Traits, is_new_cut: bool) -> str:
    """Return what to measure and what to lay where: "base diameter, caliper 3 to 10 mm above the cut end"."""
    return ", ".join(filter(None, [hand_words(name), where(name, traits, is_new_cut)]))


def _in_order(doubts: tuple[RuleOutcome, ...], hope: str, traits: Traits, *, is_brief: bool = False) -> str:
    """Return what becomes of a cutting by one measurement: "stick: grade 1 if at least 1.60 mm, else ...".

    Parameters
    ----------
    doubts : tuple of RuleOutcome
        About one measurement and one side, the wanted limit first.
    hope : str
        Grade within all limits.
    traits : Traits
        As it is measured.
    is_brief : bool
        For the picture: millimetres only, and no more than "good" where a gap stands for the measurement.
    """
    told, good = [], _STICK[hope].words
    for doubt in doubts:
        if not is_brief:
            limit = must_show(doubt, traits)
        elif is_read_off(doubt.trait):
            limit = f"{bound(doubt)} {metric_text(TRAITS[doubt.trait], doubt.limit)}"
        else:
            limit = "good"
        told.append(f"if good {good}" if limit == "good" else f"{good} if {limit}")
        good = _if_failed(doubt)
    guessed = best_guess(doubts[0].trait, traits) if not is_brief else ""
    return ", ".join([*([guessed] if guessed else []), *told, f"else {good}"])


def _how_to(
    name: str, doubts: tuple[RuleOutcome, ...], traits: Traits, is_new_cut: bool, says_end: bool
) -> str:
    """Return of one trait what to lay where, and its limits: "total length, ruler ...: at most ..."."""
    mine = [doubt for doubt in doubts if doubt.trait == name]
    guessed = best_guess(name, traits)
    limits = [guessed] if guessed and len(mine) > 1 else []
    for side in dict.fromkeys(bound(doubt) for doubt in mine):
        told = ""
        for doubt in (doubt for doubt in mine if bound(doubt) == side):
            # The wanted limit comes first; missing it, the allowed one decides.
            told = f"{told} if {must_show(doubt, traits)}" if told else must_show(doubt, traits)
            if guessed and len(mine) == 1:
                told += f", {guessed}, so {'yes' if is_met(doubt, traits) else 'no'}"
            told += f", else {_if_failed(doubt)}" if says_end else ""
        limits.append(told)
    return f"{_what_and_where(name, traits, is_new_cut)}: {', '.join(limits)}"


def _if_failed(doubt: RuleOutcome) -> str:
    return "discard" if doubt.grade_if_failed == "cull" else _STICK["2"].words


def afterwards(
    pieces: tuple[Piece, ...], targets: Targets, outlook: Outlook, doubts: tuple[RuleOutcome, ...]
) -> str:
    """Return which grade comes of it, in a few words: "after stripping: grade 1"."""
    is_cut = len(pieces) > 1 or pieces[0].from_mm > 0.0 or pieces[0].to_mm < outlook.total_mm
    is_stripped = any(piece.strip_to_mm > 0.0 for piece in pieces)
    what = " and ".join([*(["cutting"] if is_cut else []), *(["stripping"] if is_stripped else [])])
    if len(pieces) > 1:
        return f"after {what}: {_grades(pieces)}"
    (piece,) = pieces
    return f"after {what}: {_GRADE_WORDS[piece.grade]}{_why_second(piece, targets)}{_if_so(doubts)}"


def when_measured(doubts: tuple[RuleOutcome, ...], hope: str) -> str:
    """Return which grade a doubtful cutting has if the doubts turn out well, and if not."""
    return f"when measured: {_GRADE_WORDS[hope]}{_if_so(doubts)}"


def _why_second(piece: Piece, targets: Targets) -> str:
    """Return why a piece is grade 2 and no better: " (too short: 71.5 mm)"."""
    if piece.grade != "2":
        return ""
    after = apply_rules(piece.traits, targets, told=False)
    for wanted in (Outcome.FAIL, Outcome.UNSURE):
        for fault in after:
            if fault.outcome is wanted and fault.grade_if_failed == "2":
                may_be = "may be " if wanted is Outcome.UNSURE else ""
                value = metric_text(TRAITS[fault.trait], fault.measured.value)
                return f" ({may_be}{fault.flag}: {value})"
    return ""


def _if_so(doubts: tuple[RuleOutcome, ...]) -> str:
    """Return on what a grade hangs: " if base diameter is at least 1.60 mm, else grade 2"; else nothing."""
    if not doubts:
        return ""
    limits: dict[tuple[str, str], str] = {}
    for doubt in doubts:  # Of two limits of a measurement the wanted one, the stricter, comes first.
        limit = f"{bound(doubt)} {metric_text(TRAITS[doubt.trait], doubt.limit)}"
        limits.setdefault((doubt.trait, bound(doubt)), limit)
    names = dict.fromkeys(name for name, _ in limits)
    told = " and ".join(
        f"{TRAITS[name].words} is {' and '.join(t for (n, _), t in limits.items() if n == name)}"
        for name in names
    )
    ends = [_GRADE_WORDS["2"]] * any(doubt.grade_if_failed == "2" for doubt in doubts)
    ends += ["discard"] * any(doubt.grade_if_failed == "cull" for doubt in doubts)
    return f" if {told}, else {' or '.join(ends)}"


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
            if len(pieces) > 1:
                nothing = f"strip nothing off {_name(number, len(pieces))}"
                told.append(Step(nothing, nothing))
            continue
        bare_mm = piece.strip_to_mm - piece.from_mm
        more_mm = piece.strip_to_mm - max(outlook.shape.foliage_from_mm, piece.from_mm)
        if len(pieces) == 1:
            more = f"strip {more_mm:.0f} mm more"
            words = f"{more}, so that {_length(bare_mm)} are bare"
            told.append(Step(words, f"{more}, to {bare_mm:.0f} mm bare"))
        else:
            who = _name(number, len(pieces))
            words = f"strip {who} so that {_length(bare_mm)} are bare"
            told.append(Step(words, f"strip {who} to {bare_mm:.0f} mm bare"))
    return told


def _stick(pieces: tuple[Piece, ...]) -> Step:
    """Return with which grade each piece is stuck: "stick: lower grade 1, upper grade 2"."""
    words = f"stick: {_grades(pieces)}"
    return Step(words, words)


def _grades(pieces: tuple[Piece, ...]) -> str:
    """Return the grade of each piece, counted from the base."""
    grades = [_GRADE_WORDS[piece.grade] for piece in pieces]
    if len(pieces) == 1:
        return grades[0]
    if len(set(grades)) == 1:
        return f"{'both' if len(pieces) == 2 else 'all'} {grades[0]}"
    if len(pieces) == 2:
        return f"lower {grades[0]}, upper {grades[1]}"
    return ", ".join(f"no. {k} {grade}" for k, grade in enumerate(grades, start=1))


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
