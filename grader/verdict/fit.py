"""Whether other targets may suit a tray better than those it was graded by."""

from __future__ import annotations

from collections.abc import Sequence

from grader.records import Grade, Outcome, Traits
from grader.verdict.decide import hope_of
from grader.verdict.targets import Targets

SIZES = ("total_length_mm", "stripped_length_mm", "base_diameter_mm", "foliage_area_mm2")
FEWEST_CUTTINGS = 3
"""One or two small cuttings are just small."""
LEAST_SHARE = 0.5
"""Another set is named when it would accept at least so many."""


def all_culled_by_size(grades: Sequence[Grade]) -> bool:
    """Return whether every cutting of a photo is a cull for its size alone."""
    if len(grades) < FEWEST_CUTTINGS:
        return False
    failed = [
        {o.trait for o in grade.outcomes if o.outcome is Outcome.FAIL and o.grade_if_failed == "cull"}
        for grade in grades
    ]
    return all(traits and traits <= set(SIZES) for traits in failed)


def note_on_targets(
    grades: Sequence[Grade], traits: Sequence[Traits], targets: Targets, others: Sequence[Targets]
) -> str:
    """Return a sentence that another target set may fit, or "".

    Parameters
    ----------
    grades, traits : sequence of Grade, of Traits
        Of the cuttings of one photo.
    targets : Targets
        What they were graded by.
    others : sequence of Targets
        The sets that come with the program.
    """
    if not all_culled_by_size(grades):
        return ""
    accepted: dict[str, tuple[int, int]] = {}
    for other in (other for other in others if other.id != targets.id):
        hopes = [hope_of(each, other) for each in traits]
        accepted[other.name] = (len(hopes) - hopes.count("cull"), hopes.count("1"))
    best = max(accepted, key=lambda name: accepted[name], default="")
    note = f"every cutting is a cull by its size under the targets {targets.name}"
    if best and accepted[best][0] >= LEAST_SHARE * len(traits):
        return f"{note}: under {best}, {accepted[best][0]} of {len(traits)} may pass (--targets {best})"
    return f"{note}: see with 'grader targets' whether another set fits"
