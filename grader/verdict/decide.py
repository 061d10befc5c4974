"""From measurements and limits to a grade, by a small procedure that covers every case.

Each limit of the target file gives one outcome per cutting: **pass** or **fail**, or **unsure** when
the limit lies within ``guard_factor`` standard uncertainties of the measured value, or when there is no
value.  The policy of the target file says what becomes of a value inside that guard band
(:data:`grader.verdict.targets.POLICIES`).

The worst outcome among the limits *allowed* and the worst among the limits *wanted* give the grade:
:data:`PROCEDURE` lists all nine cases.  Doubt only counts where it could change the grade; limits
*noted* never do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from grader.records import Measured, Outcome, RuleOutcome, Traits
from grader.traits.catalogue import TRAITS, Trait, is_absent, measured_text, number_text
from grader.verdict.rules import GRADE_IF_FAILED, RULES, Level, Rule, Side
from grader.verdict.targets import Targets

PROCEDURE: Mapping[tuple[Outcome, Outcome], str] = MappingProxyType(
    {
        (Outcome.PASS, Outcome.PASS): "1",
        (Outcome.PASS, Outcome.UNSURE): "unsure",  # it might be a 2
        (Outcome.PASS, Outcome.FAIL): "2",
        (Outcome.UNSURE, Outcome.PASS): "unsure",  # it might be a cull
        (Outcome.UNSURE, Outcome.UNSURE): "unsure",
        (Outcome.UNSURE, Outcome.FAIL): "unsure",
        (Outcome.FAIL, Outcome.PASS): "cull",
        (Outcome.FAIL, Outcome.UNSURE): "cull",
        (Outcome.FAIL, Outcome.FAIL): "cull",
    }
)
"""(worst outcome among limits allowed, worst among limits wanted) -> grade."""
DECIDING: Mapping[str, tuple[Outcome, tuple[str, ...]]] = MappingProxyType(
    {
        "1": (Outcome.FAIL, ()),
        "2": (Outcome.FAIL, ("2",)),
        "cull": (Outcome.FAIL, ("cull",)),
        "unsure": (Outcome.UNSURE, ("cull", "2")),
    }
)
"""Grade -> the outcome of the rules that decided it, and to which grades they lead."""
_NOT_MEASURED = Measured(math.nan, math.nan, "it was not measured")
_ORDER_OF_GRADES = ("cull", "2", "")
_COUNT_STEP = 0.5
"""Counts are whole: "at most 2" ends half way to 3 (continuity correction of the normal distribution)."""
_EVEN_ODDS = 0.5
_IN_DOUBT: Mapping[str, Outcome] = MappingProxyType(
    {
        "guarded": Outcome.UNSURE,
        "guarded-acceptance": Outcome.FAIL,
        "guarded-rejection": Outcome.PASS,
    }
)
"""Policy -> outcome inside the guard band; the others take the measured value."""


def probability_beyond(measured: Measured, limit: float, side: Side) -> float:
    """Return the probability that the true value is beyond the limit.

    The true value is taken as normal about the measured one with its standard uncertainty
    (JCGM 106:2012, clause 7).  A value exactly at the limit without uncertainty is not beyond it.

    Parameters
    ----------
    measured : Measured
        Value and standard uncertainty, unit of the limit.
    limit : float
    side : Side
        MIN: beyond is below; MAX: beyond is above.

    Returns
    -------
    float
        0 to 1; nan if there is no value or no uncertainty.

    Examples
    --------
    One standard uncertainty inside: 16 %.

    >>> round(probability_beyond(Measured(76.0, 1.0), 75.0, Side.MIN), 4)
    0.1587
    """
    if math.isnan(measured.value) or math.isnan(measured.sigma):
        return math.nan
    inside = measured.value - limit if side is Side.MIN else limit - measured.value
    if measured.sigma == 0.0:
        return float(inside < 0.0)
    return 0.5 * math.erfc(inside / measured.sigma / math.sqrt(2.0))


def judge(measured: Measured, limit: float, side: Side, targets: Targets) -> tuple[Outcome, float]:
    """Return the outcome of one limit and the probability that the true value is beyond it.

    Examples
    --------
    >>> from grader.verdict.targets_file import load_targets
    >>> judge(Measured(75.5, 0.4), 75.0, Side.MIN, load_targets())[0].value
    'unsure'
    >>> judge(Measured(76.0, 0.4), 75.0, Side.MIN, load_targets())[0].value
    'pass'
    """
    p_fail = 0.0 if is_absent(measured) else probability_beyond(measured, limit, side)
    return _outcome(measured, limit, side, targets), p_fail


def _outcome(measured: Measured, limit: float, side: Side, targets: Targets) -> Outcome:
    """Return the outcome of one limit."""
    value, sigma = measured.value, measured.sigma
    if math.isnan(value) or math.isnan(sigma):
        return Outcome.PASS if is_absent(measured) else Outcome.UNSURE
    if abs(value - limit) < targets.guard_factor * sigma and targets.policy in _IN_DOUBT:
        return _IN_DOUBT[targets.policy]
    is_beyond = value < limit if side is Side.MIN else value > limit
    return Outcome.FAIL if is_beyond else Outcome.PASS


@dataclass(frozen=True, slots=True)
class _Question:
    """One limit that a target file may set."""

    rule: Rule
    key: str
    """Of the limit in the target file."""
    grade_if_failed: str
    words: str
    """All but the number: "wanted at least"."""


_QUESTIONS = tuple(
    _Question(rule, rule.key(level), GRADE_IF_FAILED[level], f"{level.value} {rule.side.bound}")
    for rule in RULES.values()
    for level in Level
)


def apply_rules(traits: Traits, targets: Targets, *, told: bool = True) -> tuple[RuleOutcome, ...]:
    """Return the outcome of every limit of the targets, deciding ones first; without words unless told."""
    outcomes = [_apply(asked, limit, traits, targets, told) for asked, limit in _limited(targets)]
    return tuple(sorted(outcomes, key=_rank))


def _limited(targets: Targets) -> Iterator[tuple[_Question, float]]:
    """Yield each limit that is set."""
    for asked in _QUESTIONS:
        limits = targets.limits.get(asked.rule.trait)
        limit = limits.by_key.get(asked.key, math.nan) if limits else math.nan
        if not math.isnan(limit):
            yield asked, limit


def hope_of(traits: Traits, targets: Targets, left_out: tuple[str, ...] = ()) -> str:
    """Return the grade if every doubt turned out well and nothing were asked about some traits."""
    hope = "1"
    for asked, limit in _limited(targets):
        rule = asked.rule
        if not asked.grade_if_failed or rule.trait in left_out or asked.grade_if_failed == hope:
            continue
        measured = traits.get(rule.trait, _NOT_MEASURED)
        if _outcome(measured, edge_of(rule, limit), rule.side, targets) is Outcome.FAIL:
            if asked.grade_if_failed == "cull":
                return "cull"
            hope = asked.grade_if_failed
    return hope


def _rank(outcome: RuleOutcome) -> tuple[bool, int, int]:
    """Return the place in the order of the procedure: cull fails, cull unsure, 2 fails, ...; passes last."""
    is_pass = outcome.outcome is Outcome.PASS
    return (
        is_pass,
        _ORDER_OF_GRADES.index(outcome.grade_if_failed),
        is_pass or outcome.outcome is Outcome.UNSURE,
    )


def worst(outcomes: tuple[RuleOutcome, ...], grade_if_failed: str) -> Outcome:
    """Return the worst outcome among the limits that lead to a grade: fail, else unsure, else pass."""
    found = Outcome.PASS
    for outcome in outcomes:
        if outcome.grade_if_failed == grade_if_failed:
            if outcome.outcome is Outcome.FAIL:
                return Outcome.FAIL
            if outcome.outcome is Outcome.UNSURE:
                found = Outcome.UNSURE
    return found


def grade_from(outcomes: tuple[RuleOutcome, ...]) -> str:
    """Return the grade that the outcomes lead to, by the PROCEDURE."""
    return PROCEDURE[worst(outcomes, "cull"), worst(outcomes, "2")]


def procedure_table() -> str:
    """Return the procedure as a Markdown table: the one in DEVELOPERS.md.

    Examples
    --------
    >>> print(procedure_table().splitlines()[2])
    | pass | pass | 1 |
    """
    rows = ["| worst of the limits allowed | worst of the limits wanted | grade |", "|---|---|---|"]
    rows += [
        f"| {allowed.value} | {wanted.value} | {grade} |" for (allowed, wanted), grade in PROCEDURE.items()
    ]
    return "\n".join(rows)


def settle(outcomes: tuple[RuleOutcome, ...], doubtful: str) -> tuple[RuleOutcome, ...]:
    """Return the outcomes with each doubt settled as the person asked.

    Parameters
    ----------
    outcomes : tuple of RuleOutcome
    doubtful : str
        "unsure" leaves the doubt; "keep" takes the measured value as true (simple acceptance);
        "set-aside" counts doubt as a fault (guarded acceptance).  What has no value stays unsure: there
        is nothing to take as true.
    """
    if doubtful == "unsure":
        return outcomes

    def settled(outcome: RuleOutcome) -> RuleOutcome:
        if outcome.outcome is not Outcome.UNSURE or math.isnan(outcome.p_fail):
            return outcome
        is_fault = doubtful == "set-aside" or outcome.p_fail > _EVEN_ODDS
        return replace(outcome, outcome=Outcome.FAIL if is_fault else Outcome.PASS)

    return tuple(sorted((settled(outcome) for outcome in outcomes), key=_rank))


def best_possible(outcomes: tuple[RuleOutcome, ...]) -> str:
    """Return the grade if every doubt turned out well: never "unsure"."""
    hopeful = tuple(o for o in outcomes if o.outcome is not Outcome.UNSURE)
    return grade_from(hopeful)


def deciding(outcomes: tuple[RuleOutcome, ...]) -> tuple[RuleOutcome, ...]:
    """Return the outcomes that made the grade, one per rule; empty for grade 1."""
    wanted, grades = DECIDING[grade_from(outcomes)]
    kept: dict[str, RuleOutcome] = {}
    for outcome in outcomes:
        if outcome.outcome is wanted and outcome.grade_if_failed in grades:
            kept.setdefault(outcome.rule, outcome)
    return tuple(kept.values())


def doubts_of(outcomes: tuple[RuleOutcome, ...]) -> tuple[RuleOutcome, ...]:
    """Return every doubt that a grade may hang on; both limits of one measurement, the wanted one first."""
    found = [o for o in outcomes if o.outcome is Outcome.UNSURE and o.grade_if_failed]
    rules = list(dict.fromkeys(outcome.rule for outcome in found))
    return tuple(sorted(found, key=lambda outcome: (rules.index(outcome.rule), outcome.grade_if_failed)))


def edge_of(rule: Rule, limit: float) -> float:
    """Return where a limit really ends: counts end half way to the next number.

    Examples
    --------
    >>> edge_of(RULES["N01"], 4.0), edge_of(RULES["L02"], 100.0)
    (4.5, 100.0)
    """
    if not TRAITS[rule.trait].is_count:
        return limit
    return limit + (_COUNT_STEP if rule.side is Side.MAX else -_COUNT_STEP)


def _apply(asked: _Question, limit: float, traits: Traits, targets: Targets, told: bool) -> RuleOutcome:
    rule = asked.rule
    trait = TRAITS[rule.trait]
    measured = traits.get(rule.trait, _NOT_MEASURED)
    outcome, p_fail = judge(measured, edge_of(rule, limit), rule.side, targets)
    return RuleOutcome(
        rule=rule.code,
        flag=rule.flag,
        trait=rule.trait,
        outcome=outcome,
        grade_if_failed=asked.grade_if_failed,
        measured=measured,
        limit=limit,
        unit=trait.unit if trait.shown_per_stored == 1.0 else "",
        p_fail=p_fail,
        sentence=_sentence(asked, trait, measured, limit, outcome, p_fail) if told else "",
    )


def _sentence(
    asked: _Question, trait: Trait, measured: Measured, limit: float, outcome: Outcome, p_fail: float
) -> str:
    """Return measured value, limit and rule in words."""
    limit_words = f"{asked.words} {number_text(trait, limit)}"
    value_words = f"{trait.words} {measured_text(trait, measured)}"
    if outcome is Outcome.FAIL:
        return f"{asked.rule.flag}: {value_words}, {limit_words}"
    if outcome is Outcome.PASS:
        return f"{value_words}, {limit_words}"
    if math.isnan(measured.value):
        return f"{value_words}; {limit_words}"
    if math.isnan(p_fail):
        return f"may be {asked.rule.flag}: {value_words} has no known uncertainty; {limit_words}"
    return f"may be {asked.rule.flag} ({p_fail:.0%} likely): {value_words}, {limit_words}"
