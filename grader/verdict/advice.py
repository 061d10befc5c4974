"""What to do now with a cutting, in one line.

The few things hands can do - strip more, cut again higher up, shorten, divide - are tried on the
measured shape, each result is measured and graded by the same rules, and the best one is advised.
Nothing is advised that does not come out better than the cutting as it lies.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from grader.records import CuttingShape, Outcome, RuleOutcome, Traits
from grader.traits.catalogue import TRAITS, metric_text
from grader.verdict.decide import apply_rules, deciding, grade_from
from grader.verdict.pieces import LEAST_PIECE_MM, shape_after, width_at
from grader.verdict.rules import RULES, Level, Side
from grader.verdict.targets import Targets

Measure = Callable[[CuttingShape], Traits]
"""Measures the traits of a shape: the traits stage, handed in by the pipeline."""

SCISSORS_MM = 1.0
"""Nobody cuts or strips finer: advised lengths are whole millimetres."""
ABOVE_A_BEND_MM = 12.0
"""One chord of the crook definition: the bend itself is out of the piece that is kept."""
ABOVE_A_HEEL_MM = 1.0
STRIP_MARGIN_MM = 2.0
"""Beyond the wanted stripped stem, so that uneven stripping still reaches it."""
LEAST_STRIP_MM = 2.0
"""Nobody strips a single millimetre."""
_LAST_STEP = {"1": "stick", "2": "stick with the second grade", "unsure": "photograph again"}
_GRADE_RANK = {"1": 0, "2": 1, "unsure": 2, "cull": 3}


@dataclass(frozen=True, slots=True)
class Plan:
    """One thing to try, and the grade it leads to."""

    cut_mm: float
    """Where to cut again, from the present base; 0: not."""
    cut_why: str
    strip_mm: float
    """How much more to strip; 0: nothing."""
    keep_lower: bool
    """Whether the part below the cut is a cutting of its own."""
    grade: str

    @property
    def rank(self) -> tuple[int, int, int, float]:
        """Smaller is better: grade, then more cuttings, then less work, then less cut off."""
        work = (self.cut_mm > 0.0) + (self.strip_mm > 0.0)
        return _GRADE_RANK[self.grade], -int(self.keep_lower), work, self.cut_mm


def advise(
    outcomes: tuple[RuleOutcome, ...],
    traits: Traits,
    targets: Targets,
    shape: CuttingShape | None,
    measure: Measure | None,
) -> str:
    """Return one line: what to do now.

    Parameters
    ----------
    outcomes : tuple of RuleOutcome
    traits : Traits
    targets : Targets
    shape : CuttingShape or None
    measure : Measure or None
        Without shape or measure nothing can be tried out, and the advice is to stick, measure or discard.
    """
    grade = grade_from(outcomes)
    before = Plan(0.0, "", 0.0, False, grade)
    best = before
    if grade != "1" and shape is not None and measure is not None:
        plans = _tried(outcomes, traits, targets, shape, measure)
        best = min([before, *(plan for plan in plans if _is_safe(plan, grade))], key=lambda plan: plan.rank)
    if best is not before:
        return _in_words(best, traits)
    return _measure_by_hand(outcomes) if grade == "unsure" else _as_it_lies(grade, outcomes, traits)


def _is_safe(plan: Plan, grade: str) -> bool:
    """Return whether a plan may be advised: a doubtful cutting is cut only if surely grade 1 then."""
    return grade != "unsure" or plan.cut_mm == 0.0 or plan.grade == "1"


def _measure_by_hand(outcomes: tuple[RuleOutcome, ...]) -> str:
    """Return what to measure, and the limit that it has to meet."""
    wanted: dict[str, str] = {}
    for outcome in deciding(outcomes):
        trait, rule = TRAITS[outcome.trait], RULES[outcome.rule]
        bound = "at least" if rule.side is Side.MIN else "at most"
        limit = f"{bound} {metric_text(trait, outcome.limit)}"
        kept = wanted.get(trait.words)
        wanted[trait.words] = f"{kept}, {limit}" if kept else f"{trait.words} ({limit}"
    return "measure by hand: " + ", ".join(f"{words})" for words in wanted.values())


def _as_it_lies(grade: str, outcomes: tuple[RuleOutcome, ...], traits: Traits) -> str:
    if grade == "cull":
        return f"discard: {', '.join(outcome.flag for outcome in deciding(outcomes))}"
    pull = _pull_off(traits)
    stick = _LAST_STEP[grade]
    return f"{pull}, {stick}" if pull else stick


def _pull_off(traits: Traits) -> str:
    strays = traits.get("strays_count")
    if strays is None or not strays.value >= 1.0:
        return ""
    count = round(strays.value)
    return f"pull {count} {'needle' if count == 1 else 'needles'} off the stem"


def _in_words(plan: Plan, traits: Traits) -> str:
    steps = []
    if plan.keep_lower:
        steps.append(f"divide {plan.cut_mm:.0f} mm above the base: two cuttings")
    elif plan.cut_mm > 0.0:
        steps.append(f"cut again {plan.cut_mm:.0f} mm above the base ({plan.cut_why})")
    if plan.strip_mm > 0.0:
        upper = " of the upper piece" if plan.keep_lower else ""
        steps.append(f"strip {plan.strip_mm:.0f} mm{'' if plan.cut_mm else ' more'}{upper}")
    elif not plan.cut_mm and (pull := _pull_off(traits)):
        steps.append(pull)
    steps.append(_LAST_STEP.get(plan.grade, "discard"))
    return ", ".join(steps)


def _tried(
    outcomes: tuple[RuleOutcome, ...], traits: Traits, targets: Targets, shape: CuttingShape, measure: Measure
) -> Iterator[Plan]:
    """Yield what could be done, each with the grade its result gets."""
    faults = {outcome.rule for outcome in outcomes if outcome.outcome is not Outcome.PASS}
    total_mm = float(shape.arc_mm[-1])
    stripped_mm = shape.foliage_from_mm
    if math.isnan(stripped_mm):
        return
    for cut_mm, why in [(0.0, ""), *_cuts(faults, traits, targets, shape)]:
        if total_mm - cut_mm < LEAST_PIECE_MM:
            continue
        for strip_mm in _strips(stripped_mm - cut_mm, targets):
            stripped_to_mm = max(cut_mm, stripped_mm) + strip_mm if strip_mm else 0.0
            if total_mm - stripped_to_mm < LEAST_PIECE_MM or not (cut_mm or strip_mm):
                continue
            after = shape_after(shape, cut_mm, total_mm, stripped_to_mm)
            grade = grade_from(apply_rules(measure(after), targets))
            keep = targets.upper_pieces and _is_cutting(shape, cut_mm, targets, measure)
            yield Plan(cut_mm, why, strip_mm, keep, grade)


def _is_cutting(shape: CuttingShape, to_mm: float, targets: Targets, measure: Measure) -> bool:
    """Return whether what lies below a cut is itself worth sticking."""
    if to_mm < LEAST_PIECE_MM or to_mm <= shape.foliage_from_mm:
        return False
    lower = shape_after(shape, 0.0, to_mm, 0.0)
    return grade_from(apply_rules(measure(lower), targets)) in ("1", "2")


def _cuts(
    faults: set[str], traits: Traits, targets: Targets, shape: CuttingShape
) -> Iterator[tuple[float, str]]:
    """Yield where a new cut could help, mm above the present base, and what it is for."""
    if "C01" in faults and "crook_at_mm" in traits:
        yield _whole_mm(traits["crook_at_mm"].value + ABOVE_A_BEND_MM), "above the crook"
    if "H01" in faults:
        yield _whole_mm(traits["heel_length_mm"].value + ABOVE_A_HEEL_MM), "off the heel"
    if "D02" in faults:
        for level in (Level.WANTED, Level.ALLOWED):
            if (at_mm := _where_thinner(shape, targets.get("base_diameter_mm", level, Side.MAX))) > 0.0:
                yield _whole_mm(at_mm), "above the oversized wood"
    if "L02" in faults:
        for level in (Level.WANTED, Level.ALLOWED):
            longest_mm = targets.get("total_length_mm", level, Side.MAX)
            if longest_mm < shape.arc_mm[-1]:
                yield _whole_mm(float(shape.arc_mm[-1]) - longest_mm + SCISSORS_MM), "to shorten it"
    if "S02" in faults:
        longest_mm = targets.get("stripped_length_mm", Level.WANTED, Side.MAX)
        if longest_mm < shape.foliage_from_mm:
            yield _whole_mm(shape.foliage_from_mm - longest_mm + SCISSORS_MM), "to shorten the bare stem"


def _strips(bare_mm: float, targets: Targets) -> tuple[float, ...]:
    """Return how much more could be stripped: nothing, or up to the wanted length and a little more."""
    wanted_mm = targets.get("stripped_length_mm", Level.WANTED, Side.MIN)
    if math.isnan(wanted_mm):
        wanted_mm = targets.get("stripped_length_mm", Level.ALLOWED, Side.MIN)
    aim_mm = wanted_mm + STRIP_MARGIN_MM
    if math.isnan(wanted_mm) or bare_mm >= aim_mm:
        return (0.0,)
    return 0.0, max(_whole_mm(aim_mm - max(bare_mm, 0.0)), LEAST_STRIP_MM)


def _where_thinner(shape: CuttingShape, limit_mm: float) -> float:
    """Return the distance from the base from which the stem stays below a width, mm; 0 if nowhere."""
    if math.isnan(limit_mm):
        return 0.0
    for at_mm in np.arange(SCISSORS_MM, float(shape.arc_mm[-1]) - LEAST_PIECE_MM, SCISSORS_MM):
        if width_at(shape, float(at_mm)) < limit_mm:
            return float(at_mm)
    return 0.0


def _whole_mm(length_mm: float) -> float:
    """Return the length rounded up to what scissors can do."""
    return math.ceil(length_mm / SCISSORS_MM) * SCISSORS_MM if math.isfinite(length_mm) else 0.0
