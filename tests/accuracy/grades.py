"""The grade of the truth beside the grade given."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grader.records import Cutting, Grade, Measured, Traits
from grader.traits.catalogue import TRAITS, does_not_exist, is_absent
from grader.verdict import Targets, grade_cutting
from tests.accuracy.truth import CuttingTruth

TRUTH_SIGMA = 1e-9
"""Uncertainty given to true values when they are graded: none, but not "does not exist"."""
FAR_SIGMAS = 3.0
"""Truth further than this from every limit: "unsure" is then the program's fault."""


@dataclass(frozen=True, slots=True)
class GradePair:
    """Grade of the truth and grade given."""

    targets: str
    photo: str
    cutting_id: int
    true_grade: str
    given: str
    reason: str
    is_far: bool
    """Truth further than three stated uncertainties from every limit, all limits measured."""


def true_traits(true: CuttingTruth) -> Traits:
    """Return the true values as measurements without uncertainty."""
    return {
        name: does_not_exist("by definition") if math.isnan(value) else Measured(value, TRUTH_SIGMA)
        for name, value in true.values.items()
    }


def grade_pair(photo: str, true: CuttingTruth, found: Cutting, targets: Targets, given: Grade) -> GradePair:
    """Return the grade of the truth beside the given one."""
    return GradePair(
        targets=targets.id,
        photo=photo,
        cutting_id=true.id,
        true_grade=grade_cutting(true_traits(true), targets).grade,
        given=given.grade,
        reason=given.reason,
        is_far=_is_far_from_limits(true, found, targets),
    )


def _is_far_from_limits(true: CuttingTruth, found: Cutting, targets: Targets) -> bool:
    for name, limits in targets.limits.items():
        value = true.values.get(name, math.nan)
        measured = found.traits.get(name, Measured(math.nan, math.nan))
        if math.isnan(value) or is_absent(measured):
            continue
        if math.isnan(measured.value) or math.isnan(measured.sigma):
            return False
        for key, limit in limits.by_key.items():
            if key.startswith("noted"):
                continue
            edge = limit + (0.5 if key.endswith("max") else -0.5) * TRAITS[name].is_count
            if abs(value - edge) <= FAR_SIGMAS * measured.sigma:
                return False
    return True


def regraded(photo: str, true: CuttingTruth, found: Cutting, targets: Targets) -> GradePair:
    """Return the pair that the same measurements give under other targets."""
    return grade_pair(photo, true, found, targets, grade_cutting(found.traits, targets, found.shape))
