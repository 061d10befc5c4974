"""How much foliage, how much of it browned, and which side shoots count as tips."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import cKDTree

from grader.records import Mask, Points, Values
from grader.shape.branches import Branches
from grader.shape.curves import arc_of
from grader.shape.fields import COLOUR_SHRINK, CuttingFields, Field

BROWN_RED, BROWN_BLUE = 0.22, -0.1
"""Foliage is brown where ln(R/G) is above and ln(B/G) below these: greens and glaucous blues have
ln(R/G) below 0, yellow-greens up to 0.1; dead leaves 0.3 to 0.9 (rendered and photographed)."""
SOLID, LEAST_SOLID_CELLS = 0.7, 3
"""Colours are judged where foliage is at least this likely, if there is enough of it (0.5 mm2)."""
BROWNED_SIGMA = 0.01
"""A share is never better known."""
LEAST_SIDE_SHOOT_MM = 12.0
"""Side shoots shorter than this, or than a fifth of the whole, are no tips (definition)."""
LEAST_SIDE_SHARE = 0.2


def foliage_area_mm2(foliage: Field, mm_per_px: float) -> float:
    """Return the area seen, not yet corrected for height: the sum of the probabilities (h, w) of foliage.

    Without bias if they are true.
    """
    return float(foliage.sum()) * mm_per_px**2


def browned(foliage: Field, colours: Field) -> tuple[float, float]:
    """Return the share of foliage that is brown, and its standard uncertainty.

    Parameters
    ----------
    foliage : (h, w)
        Probabilities.
    colours : (h // COLOUR_SHRINK, w // COLOUR_SHRINK, 3)
        Linear light over that of the paper.
    """
    rows, columns = colours.shape[:2]
    middle = COLOUR_SHRINK // 2
    solid = foliage[middle::COLOUR_SHRINK, middle::COLOUR_SHRINK][:rows, :columns] > SOLID
    red, green, blue = colours[solid].T
    if len(green) <= LEAST_SOLID_CELLS:
        return 0.0, BROWNED_SIGMA
    is_brown = (red > math.exp(BROWN_RED) * green) & (blue < math.exp(BROWN_BLUE) * green)
    share = float(is_brown.mean())
    return share, BROWNED_SIGMA + 0.25 * math.sqrt(share * (1 - share)) * 0.3


def side_shoots(
    branches: Branches, axis_mm: Points, attached_mm: float, fields: CuttingFields
) -> tuple[Points, ...]:
    """Return springing point and tip (2, 2) of each side shoot long enough to count as a tip.

    Ends of the skeleton far from the axis are taken one by one, longest first; what leaves the same
    shoot is not counted again.
    """
    arc = arc_of(axis_mm)
    least = max(LEAST_SIDE_SHOOT_MM, LEAST_SIDE_SHARE * float(arc[-1]))
    taken = np.zeros(len(branches.nodes_mm), dtype=bool)
    stem = cKDTree(axis_mm)
    beyond_mm, _ = stem.query(branches.nodes_mm, distance_upper_bound=1.2)
    taken[np.isfinite(beyond_mm)] = True
    found = []
    # No part of a way is longer than the whole, so shorter ways are not looked at.
    ends = sorted(
        (int(e) for e in branches.ends if least <= branches.length_mm[e] < np.inf),
        key=lambda e: -float(branches.length_mm[e]),
    )
    for end in ends:
        way = _way_to_taken(branches, end, taken)
        length = float(branches.length_mm[way[0]] - branches.length_mm[way[-1]])
        root = branches.nodes_mm[way[-1]]
        taken[way] = True
        if length < least or not stem.query(root)[0] < 2.5:
            continue
        twigs = float(np.median(_widths_beside(fields, branches.nodes_mm[way])))
        if twigs < 1.2:  # one long needle or leaf: no shoot carries so little
            continue
        found.append(np.stack([root, branches.nodes_mm[end]]))
    return tuple(found)


def _way_to_taken(branches: Branches, end: int, taken: Mask) -> list[int]:
    way = [end]
    while not taken[way[-1]] and branches.before[way[-1]] >= 0:
        way.append(int(branches.before[way[-1]]))
    return way


def _widths_beside(fields: CuttingFields, points_mm: Points) -> Values:
    """Return the covered length within 3 mm either side, in the better of two directions, mm."""
    step = np.arange(-3, 3.01, 0.2)
    across_x = fields.at(fields.coverage, points_mm[:, None, :] + step[None, :, None] * [1.0, 0.0]) > 0.5
    across_y = fields.at(fields.coverage, points_mm[:, None, :] + step[None, :, None] * [0.0, 1.0]) > 0.5
    return np.asarray(np.minimum(across_x.sum(axis=1), across_y.sum(axis=1)) * 0.2)
