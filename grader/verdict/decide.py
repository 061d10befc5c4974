"""From measurements and limits to a grade, by a small procedure that covers every case.

Each limit of the target file gives one outcome per cutting:

* **pass** or **fail** when the measurement is clearly on one side of the limit,
* **unsure** when the limit lies within ``guard_factor`` standard uncertainties of the measured value
  (policy "guarded"), or when there is no value.

The grade, first line that applies:

1. a limit *allowed* fails             -> cull
2. a limit *allowed* is unsure         -> unsure   (it might be a cull)
3. a limit *wanted* fails              -> 2
4. a limit *wanted* is unsure          -> unsure   (it might be a 2)
5. nothing fails                       -> 1

So doubt only counts where it could change the grade; limits *noted* never do.
"""

from __future__ import annotations

import math

from grader.records import Measured, Outcome, RuleOutcome, Traits
from grader.traits.catalogue import TRAITS, Trait, is_absent, measured_text, number_text
from grader.verdict.rules import GRADE_IF_FAILED, RULES, Level, Rule, Side
from grader.verdict.targets import Targets

_NOT_MEASURED = Measured(math.nan, math.nan, "it was not measured")
_ORDER_OF_OUTCOMES = (Outcome.FAIL, Outcome.UNSURE, Outcome.PASS)
_ORDER_OF_GRADES = ("cull", "2", "")
_COUNT_STEP = 0.5
"""Counts are whole: "at most 2" ends half way to 3 (continuity correction of the normal distribution)."""


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
    if is_absent(measured):
        return Outcome.PASS, 0.0
    p_fail = probability_beyond(measured, limit, side)
    if math.isnan(p_fail):
        return Outcome.UNSURE, p_fail
    if targets.policy == "guarded" and abs(measured.value - limit) < targets.guard_factor * measured.sigma:
        return Outcome.UNSURE, p_fail
    is_beyond = measured.value < limit if side is Side.MIN else measured.value > limit
    return (Outcome.FAIL if is_beyond else Outcome.PASS), p_fail


def apply_rules(traits: Traits, targets: Targets) -> tuple[RuleOutcome, ...]:
    """Return the outcome of every limit of the targets, deciding ones first."""
    outcomes = [
        _apply(rule, level, traits, targets)
        for rule in RULES.values()
        for level in Level
        if not math.isnan(targets.get(rule.trait, level, rule.side))
    ]
    return tuple(sorted(outcomes, key=_rank))


def _rank(outcome: RuleOutcome) -> tuple[bool, int, int]:
    """Return the place in the order of the procedure: cull fails, cull unsure, 2 fails, ...; passes last."""
    return (
        outcome.outcome is Outcome.PASS,
        _ORDER_OF_GRADES.index(outcome.grade_if_failed),
        _ORDER_OF_OUTCOMES.index(outcome.outcome),
    )


def grade_from(outcomes: tuple[RuleOutcome, ...]) -> str:
    """Return the grade that the outcomes lead to: the procedure at the top of this file."""
    seen = {(outcome.grade_if_failed, outcome.outcome) for outcome in outcomes}
    if ("cull", Outcome.FAIL) in seen:
        return "cull"
    if ("cull", Outcome.UNSURE) in seen:
        return "unsure"
    if ("2", Outcome.FAIL) in seen:
        return "2"
    if ("2", Outcome.UNSURE) in seen:
        return "unsure"
    return "1"


def deciding(outcomes: tuple[RuleOutcome, ...]) -> tuple[RuleOutcome, ...]:
    """Return the outcomes that made the grade, one per rule; empty for grade 1."""
    grade = grade_from(outcomes)
    if grade == "1":
        return ()
    kept: dict[str, RuleOutcome] = {}
    for outcome in outcomes:
        is_reason = (
            outcome.outcome is Outcome.UNSURE and outcome.grade_if_failed
            if grade == "unsure"
            else outcome.outcome is Outcome.FAIL and outcome.grade_if_failed == grade
        )
        if is_reason:
            kept.setdefault(outcome.rule, outcome)
    return tuple(kept.values())


def _apply(rule: Rule, level: Level, traits: Traits, targets: Targets) -> RuleOutcome:
    trait = TRAITS[rule.trait]
    measured = traits.get(rule.trait, _NOT_MEASURED)
    limit = targets.get(rule.trait, level, rule.side)
    edge = limit
    if trait.is_count:
        edge += _COUNT_STEP if rule.side is Side.MAX else -_COUNT_STEP
    outcome, p_fail = judge(measured, edge, rule.side, targets)
    return RuleOutcome(
        rule=rule.code,
        flag=rule.flag,
        trait=rule.trait,
        outcome=outcome,
        grade_if_failed=GRADE_IF_FAILED[level],
        measured=measured,
        limit=limit,
        unit=trait.unit if trait.shown_per_stored == 1.0 else "",
        p_fail=p_fail,
        sentence=_sentence(rule, level, trait, measured, limit, outcome, p_fail),
    )


def _sentence(
    rule: Rule, level: Level, trait: Trait, measured: Measured, limit: float, outcome: Outcome, p_fail: float
) -> str:
    """Return measured value, limit and rule in words."""
    bound = "at least" if rule.side is Side.MIN else "at most"
    limit_words = f"{level.value} {bound} {number_text(trait, limit)}"
    value_words = f"{trait.words} {measured_text(trait, measured)}"
    if outcome is Outcome.FAIL:
        return f"{rule.flag}: {value_words}, {limit_words}"
    if outcome is Outcome.PASS:
        return f"{value_words}, {limit_words}"
    if math.isnan(measured.value):
        return f"{value_words}; {limit_words}"
    if math.isnan(p_fail):
        return f"may be {rule.flag}: {value_words} has no known uncertainty; {limit_words}"
    return f"may be {rule.flag} ({p_fail:.0%} likely): {value_words}, {limit_words}"
