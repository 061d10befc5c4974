"""How much foliage, how much of it browned, and which side shoots count as tips."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from grader.records import Mask, Points, Values
from grader.shape.branches import Branches
from grader.shape.curves import arc_of, quantile
from grader.shape.fields import COVERED, CuttingFields, Field

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
ON_AXIS_MM, SPRINGS_MM = 1.2, 2.5
"""What is so near to the axis belongs to it; a shoot springs from so near to it."""
LEAST_TWIGS_MM = 1.2
"""One long needle or leaf is narrower: no shoot carries so little."""


def foliage_area_mm2(foliage: Field, cell_mm: float) -> float:
    """Return the area seen, not yet corrected for height: the sum of the probabilities (h, w) of foliage.

    Without bias if they are true.
    """
    return float(foliage.sum()) * cell_mm**2


def browned(foliage: Field, colours: Field) -> tuple[float, float]:
    """Return the share of foliage that is brown, and its standard uncertainty.

    Parameters
    ----------
    foliage : (h / n, w / n)
        Probabilities.
    colours : (h // COLOUR_SHRINK, w // COLOUR_SHRINK, 3)
        Linear light over that of the paper.
    """
    rows, columns = colours.shape[:2]
    step = foliage.shape[1] // columns
    solid = foliage[step // 2 :: step, step // 2 :: step][:rows, :columns] > SOLID
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
    least = max(LEAST_SIDE_SHOOT_MM, LEAST_SIDE_SHARE * float(arc_of(axis_mm)[-1]))
    # No part of a way is longer than the whole, so shorter ways are not looked at.
    length_mm = branches.length_mm
    ends = branches.ends[(length_mm[branches.ends] >= least) & np.isfinite(length_mm[branches.ends])]
    if len(ends) == 0:
        return ()
    away_mm = cdist(branches.nodes_mm, axis_mm).min(axis=1)
    is_taken = away_mm < ON_AXIS_MM
    # What is too short as a whole takes nothing away from longer ones: it springs from where they do.
    ends = ends[length_mm[ends] - length_mm[_roots(branches.before, is_taken)[ends]] >= least]
    taken, before = is_taken.tolist(), branches.before.tolist()
    found = []
    for end in ends[np.argsort(-length_mm[ends], kind="stable")].tolist():
        root, way = end, [end]
        while not taken[root] and before[root] >= 0:
            taken[root] = True
            root = before[root]
            way.append(root)
        if length_mm[end] - length_mm[root] < least or not away_mm[root] < SPRINGS_MM:
            continue
        if quantile(_widths_beside(fields, branches.nodes_mm[way]), 0.5) >= LEAST_TWIGS_MM:
            found.append(np.stack([branches.nodes_mm[root], branches.nodes_mm[end]]))
    return tuple(found)


def _roots(before: NDArray[np.int32], is_root: Mask) -> NDArray[np.int64]:
    """Return the next root (N,) on each node's way to the base: looked for twice as far each time."""
    nodes = np.arange(len(before))
    ahead = np.where(is_root | (before < 0), nodes, before)
    for _ in range(len(before).bit_length()):
        ahead = ahead[ahead]
    return ahead


def _widths_beside(fields: CuttingFields, points_mm: Points) -> Values:
    """Return the covered length within 3 mm either side, in the better of two directions, mm."""
    step_mm = 0.2
    across = np.arange(-3, 3.01, step_mm)
    widths = [
        (fields.across(fields.coverage, points_mm, np.broadcast_to(way, points_mm.shape), across) > COVERED)
        for way in ((1.0, 0.0), (0.0, 1.0))
    ]
    return np.asarray(np.minimum(*(width.sum(axis=1) for width in widths)) * step_mm)
