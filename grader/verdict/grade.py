"""One verdict per cutting: grade, why, what to do now."""

from __future__ import annotations

import math
from functools import partial

from calib.frames import Points
from grader.records import CuttingShape, Grade, Outcome, RuleOutcome, Traits
from grader.verdict.advice import advise
from grader.verdict.decide import apply_rules, deciding, grade_from, settle
from grader.verdict.foliage import foliage_below
from grader.verdict.predict import Outlook
from grader.verdict.targets import Targets

REASON_GRADE_1 = "within all limits"
REASON_ENDS = "cannot tell the cut end from the tip"
ADVICE_ENDS = "lay it with the cut end free and photograph again"
STEPS_ENDS = ("photograph again",)
DECIDED_BY_ENDS = "ends"
_DOUBT_WORDS = {
    "keep": "in doubt, kept at the measured value",
    "set-aside": "in doubt, set aside as if it failed",
}


def grade_cutting(
    traits: Traits, targets: Targets, shape: CuttingShape | None = None, outline_mm: Points | None = None
) -> Grade:
    """Return the grade of one cutting, the reason, and what to do now.

    Parameters
    ----------
    traits : Traits
    targets : Targets
    shape : CuttingShape, optional
        With it the advice can look for a better cut, and doubt about which end is the base counts.
    outline_mm : (N, 2), optional
        Outer outline: tells how the foliage is shared out along the axis.

    Examples
    --------
    >>> from grader.records import Measured
    >>> from grader.verdict.targets_file import load_targets
    >>> grade = grade_cutting({"total_length_mm": Measured(44.0, 0.3)}, load_targets())
    >>> grade.grade, grade.advice, grade.decided_by
    ('cull', 'discard: too short', 'L01')
    """
    outcomes = apply_rules(traits, targets)
    if shape is not None and shape.base_doubt > _doubt_allowed(targets):
        return Grade(
            "unsure", outcomes, REASON_ENDS, ADVICE_ENDS, targets.id, DECIDED_BY_ENDS, steps=STEPS_ENDS
        )
    settled = settle(outcomes, targets.doubtful)
    outlook = None
    if shape is not None:
        outlook = Outlook(shape, traits, partial(foliage_below, shape, outline_mm))
    advice = advise(outcomes, traits, targets, outlook)
    decided = deciding(settled)
    doubt = _doubt(outcomes, settled, targets.doubtful)
    return Grade(
        grade=grade_from(settled),
        outcomes=outcomes,
        reason=_reason(decided, doubt),
        advice=advice.words,
        targets_id=targets.id,
        decided_by=decided[0].rule if decided else "",
        doubt=doubt,
        pieces=advice.pieces,
        steps=tuple(step.brief for step in advice.steps),
        afterwards=advice.afterwards,
    )


def _doubt(outcomes: tuple[RuleOutcome, ...], settled: tuple[RuleOutcome, ...], doubtful: str) -> str:
    """Return what was done with the doubt, if the grade would be "unsure" without it being settled."""
    if grade_from(outcomes) != "unsure" or grade_from(settled) == "unsure":
        return ""
    was_unsure = [o.sentence for o in deciding(outcomes) if o.outcome is Outcome.UNSURE]
    return f"{_DOUBT_WORDS[doubtful]}: {'; '.join(was_unsure)}"


def _reason(decided: tuple[RuleOutcome, ...], doubt: str) -> str:
    sentences = [outcome.sentence for outcome in decided if outcome.sentence not in doubt]
    return "; ".join([*sentences, *([doubt] if doubt else [])]) or REASON_GRADE_1


def _doubt_allowed(targets: Targets) -> float:
    """Return the chance of being wrong that the guard band accepts: 5 % for 1.645."""
    factor = 0.0 if targets.policy == "simple" else targets.guard_factor
    return 0.5 * math.erfc(factor / math.sqrt(2.0))
