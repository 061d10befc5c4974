"""How deep a group is stuck: bare stem below the surface, foliage above it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from grader.results_file import ReadCutting
from grader.stick.groups import Placed
from grader.stick.lengths import range_text
from grader.stick.values import DepthRule
from grader.traits.catalogue import MM_PER_INCH, TRAITS

STRIPPED = "stripped_length_mm"
LENGTH = "total_length_mm"


@dataclass(frozen=True, slots=True)
class Misfit:
    """A cutting that cannot be stuck as deep as its group."""

    placed: Placed
    why: str
    """A sentence: what to do with it."""


@dataclass(frozen=True, slots=True)
class GroupDepth:
    """One depth range for a group, whole mm."""

    low_mm: int
    high_mm: int
    """0 and 0 where no cutting of the group can be stuck as it lies."""
    misfits: tuple[Misfit, ...]
    n_published: int
    """How many have bare stem for the share of length that published advice wants at least."""
    published_mm: tuple[float, float]
    """That share of the shortest and of the longest length; nan where no length is known."""

    @property
    def is_known(self) -> bool:
        """Whether any depth serves."""
        return self.high_mm > 0


def depth_of(members: Sequence[Placed], rule: DepthRule, fill_mm: float = math.nan) -> GroupDepth:
    """Return the depth range that serves most of a group, and those it does not serve.

    A depth serves a cutting when it is at least the least depth for its length, leaves the clearance of bare
    stem above the surface, and no more bare stem than ``rule.bare_mm``. Of the whole millimetres that serve
    the most cuttings the deepest is taken, and with it all shallower ones that serve the same cuttings.

    Parameters
    ----------
    members : sequence of Placed
        The group.
    rule : DepthRule
        What a depth must keep.
    fill_mm : float
        Height of the medium; nan if unknown. A depth leaves ``rule.below_mm`` of it below the cut end.
    """
    deepest_mm = fill_mm - rule.below_mm if math.isfinite(fill_mm) else TRAITS[LENGTH].high
    ranges = [_range(placed.cutting, rule, deepest_mm) for placed in members]
    served = {
        depth: frozenset(i for i, (low, high) in enumerate(ranges) if low <= depth <= high)
        for depth in range(1, 1 + max((high for _, high in ranges), default=0))
    }
    high_mm = max(served, key=lambda depth: (len(served[depth]), depth), default=0)
    if high_mm == 0 or not served[high_mm]:
        low_mm = high_mm = 0
    else:
        low_mm = high_mm
        while served.get(low_mm - 1) == served[high_mm]:
            low_mm -= 1
    inside = served.get(high_mm, frozenset())
    misfits = tuple(
        Misfit(placed, _why(placed.cutting, ranges[i], (low_mm, high_mm), rule, deepest_mm))
        for i, placed in enumerate(members)
        if i not in inside
    )
    share = rule.published_shares[0]
    lengths = [value for p in members if math.isfinite(value := p.cutting.measured(LENGTH).value)]
    n_published = sum(
        p.cutting.measured(STRIPPED).value - rule.clearance_mm >= share * p.cutting.measured(LENGTH).value
        for p in members
    )
    published = (share * min(lengths), share * max(lengths)) if lengths else (math.nan, math.nan)
    return GroupDepth(low_mm, high_mm, misfits, n_published, published)


def least_depth_mm(cutting: ReadCutting, rule: DepthRule) -> float:
    """Return the shallowest depth at which a cutting stands; nan if its length is not known."""
    length = cutting.measured(LENGTH).value
    return max(rule.least_mm, rule.least_share * length) if math.isfinite(length) else math.nan


def _range(cutting: ReadCutting, rule: DepthRule, deepest_mm: float) -> tuple[int, int]:
    """Return the whole millimetres that serve one cutting; the first above the last if none does."""
    stripped = cutting.measured(STRIPPED).value
    least = least_depth_mm(cutting, rule)
    if not (math.isfinite(stripped) and math.isfinite(least)):
        return (1, 0)
    shallowest = max(least, min(stripped - rule.bare_mm, deepest_mm))
    return (math.ceil(shallowest), math.floor(min(stripped - rule.clearance_mm, deepest_mm)))


def _why(
    cutting: ReadCutting,
    own: tuple[int, int],
    group: tuple[int, int],
    rule: DepthRule,
    deepest_mm: float,
) -> str:
    stripped, least = cutting.measured(STRIPPED).value, least_depth_mm(cutting, rule)
    if not (math.isfinite(stripped) and math.isfinite(least)):
        return "its stripped stem is not measured: hold it to the dibble, foliage must stay above the surface"
    if own[0] <= own[1]:
        return f"stick it {range_text(*own)} deep, by itself"
    if least > deepest_mm:
        return "the container is too shallow for its length"
    wanted = math.ceil(max(least, group[0]) + rule.clearance_mm)
    more = math.ceil(wanted - stripped)
    step, goal = (range_text(value, value) for value in (more, wanted))
    have = f"{stripped:.1f} mm ({stripped / MM_PER_INCH:.2f} in)"
    return f"stripped stem {have}: strip {step} more, to {goal}"
