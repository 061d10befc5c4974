"""One verdict per cutting: grade, why, what to do now."""

from __future__ import annotations

import math

from grader.records import CuttingShape, Grade, RuleOutcome, Traits
from grader.verdict.advice import Measure, advise
from grader.verdict.decide import apply_rules, deciding, grade_from
from grader.verdict.targets import Targets

REASON_GRADE_1 = "within all limits"
REASON_ENDS = "cannot tell the cut end from the tip"
ADVICE_ENDS = "lay it with the cut end free and photograph again"


def grade_cutting(
    traits: Traits, targets: Targets, shape: CuttingShape | None = None, measure: Measure | None = None
) -> Grade:
    """Return the grade of one cutting, the reason, and what to do now.

    Parameters
    ----------
    traits : Traits
    targets : Targets
    shape : CuttingShape, optional
        With it the advice can look for a better cut, and doubt about which end is the base counts.
    measure : Measure, optional
        Measures a changed shape; needed for the same.

    Examples
    --------
    >>> from grader.records import Measured
    >>> from grader.verdict.targets_file import load_targets
    >>> grade = grade_cutting({"total_length_mm": Measured(44.0, 0.3)}, load_targets())
    >>> grade.grade, grade.advice
    ('cull', 'discard: too short')
    """
    outcomes = apply_rules(traits, targets)
    if shape is not None and shape.base_doubt > _doubt_allowed(targets):
        return Grade("unsure", outcomes, REASON_ENDS, ADVICE_ENDS, targets.id)
    return Grade(
        grade=grade_from(outcomes),
        outcomes=outcomes,
        reason=_reason(outcomes),
        advice=advise(outcomes, traits, targets, shape, measure),
        targets_id=targets.id,
    )


def _reason(outcomes: tuple[RuleOutcome, ...]) -> str:
    return "; ".join(outcome.sentence for outcome in deciding(outcomes)) or REASON_GRADE_1


def _doubt_allowed(targets: Targets) -> float:
    """Return the chance of being wrong that the guard band accepts: 5 % for 1.645."""
    factor = targets.guard_factor if targets.policy == "guarded" else 0.0
    return 0.5 * math.erfc(factor / math.sqrt(2.0))
