"""The far end of the leader: the end of its last leaves."""

from __future__ import annotations

import numpy as np

from grader.records import Mask, Points
from grader.shape.curves import arc_of, resampled
from grader.shape.fields import CuttingFields

DIRECTION_MM = 8.0
"""Length of axis whose direction is kept beyond its end."""
LOOK_MM = 12.0
"""The last leaves reach at most this far beyond the end of the wood."""
BESIDE_MM = 1.6
"""Leaves count whose ends lie this near the prolonged axis."""
GAP_MM = 0.7
"""Paper seen between the leaves of one tip."""
BACK_MM = 3.0
STEP_MM = 0.1
LEAST_SIGMA_MM = 0.35
"""Standard uncertainty of a tip whose last leaves end together."""


def prolonged(fields: CuttingFields, axis_mm: Points, step_mm: float) -> tuple[Points, float]:
    """Return the axis (K, 2) brought to the end of the last leaves, and that end's uncertainty, mm."""
    arc = arc_of(axis_mm)
    near = axis_mm[arc > arc[-1] - DIRECTION_MM]
    if len(near) < 3:
        return axis_mm, BESIDE_MM
    kept = axis_mm[arc <= max(arc[-1] - BACK_MM, arc[-1] / 2)]
    start = kept[-1]
    direction = near[-1] - near[0]
    direction = direction / max(float(np.hypot(*direction)), 1e-9)
    normal = np.array([-direction[1], direction[0]])
    along = np.arange(0.0, BACK_MM + LOOK_MM, STEP_MM)
    beside = np.arange(-BESIDE_MM, BESIDE_MM + 1e-9, 0.2)
    grid = start + along[None, :, None] * direction + beside[:, None, None] * normal
    covered: Mask = np.asarray(fields.at(fields.coverage, grid) > 0.5)
    reach = _reach(np.asarray(covered.any(axis=0)), int(GAP_MM / STEP_MM)) * STEP_MM
    reaches = [_reach(row, int(GAP_MM / STEP_MM)) * STEP_MM for row in covered]
    inner = [r for r, b in zip(reaches, beside, strict=True) if abs(b) <= BESIDE_MM / 2]
    end = start + direction * reach
    whole = resampled(np.vstack([kept, end]), step_mm)
    spread = reach - float(max(inner)) if inner else BESIDE_MM
    return whole, float(np.hypot(LEAST_SIGMA_MM, 0.5 * spread))


def _reach(covered: Mask, most_gap: int) -> int:
    """Return the index after the last covered sample that is reached over gaps no longer than allowed."""
    last = 0
    for k, is_covered in enumerate(covered):
        if is_covered:
            last = k + 1
        elif k - last >= most_gap:
            break
    return last
