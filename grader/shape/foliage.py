"""How much foliage, how much of it browned, and which side shoots count as tips."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from grader.records import FlatView, Mask, Points, Silhouette, Values
from grader.shape.branches import Branches
from grader.shape.curves import arc_of, quantile
from grader.shape.fields import COLOUR_SHRINK, COVERED, Field, colours_of
from grader.shape.lines import Counts, Lines
from grader.shape.sheet import Sheet

BROWN_RED, BROWN_BLUE = 0.22, -0.1
"""Foliage is brown where ln(R/G) is above and ln(B/G) below these: greens and glaucous blues have
ln(R/G) below 0, yellow-greens up to 0.1; dead leaves 0.3 to 0.9 (rendered and photographed)."""
SOLID, LEAST_SOLID_CELLS = 0.7, 3
"""Colours are judged where foliage is at least this likely, if there is enough of it (0.5 mm2)."""
BROWNED_SIGMA = 0.01
"""A share is never better known."""
LEAST_PLANT = 1e-9
"""Probability, so as not to divide by nothing."""
LEAST_SIDE_SHOOT_MM = 12.0
"""Side shoots shorter than this, or than a fifth of the whole, are no tips (definition)."""
LEAST_SIDE_SHARE = 0.2
ON_AXIS_MM, SPRINGS_MM = 1.2, 2.5
"""What is so near to the axis belongs to it; a shoot springs from so near to it."""
LEAST_TWIGS_MM = 1.2
"""One long needle or leaf is narrower: no shoot carries so little."""


def foliage_area_mm2(foliage: Field, plant: Field, coverage: Field, cell_mm: float) -> float:
    """Return the area seen, not yet corrected for height: the mean of two ways to tell it.

    One is the sum of the probabilities of foliage: without bias if they are true, but needles and gaps finer
    than a cell are lost in hard light.  The other is what the colours say is covered, times the share of the
    plant there that is foliage: fine, but shade among leaves counts as covered.  Their errors have little to
    do with each other.

    Parameters
    ----------
    foliage, plant : (h, w)
        Probabilities of cells.
    coverage : (H, W)
        Covered shares of finer pixels of the same place.
    """
    covered = cv2.resize(coverage, foliage.shape[::-1], interpolation=cv2.INTER_AREA)
    share = np.minimum(foliage / np.maximum(plant, LEAST_PLANT), 1.0)
    return float(foliage.sum() + np.vdot(covered, share)) / 2 * cell_mm**2


def browned(view: FlatView, silhouettes: Sequence[Silhouette]) -> list[tuple[float, float]]:
    """Return the share of the foliage of each cutting that is brown, and its standard uncertainty."""
    if not silhouettes:
        return []
    places = [_solid_px(silhouette) for silhouette in silhouettes]
    xy_px = np.concatenate(places)
    brown = is_brown(colours_of(view, xy_px)) if len(xy_px) else np.zeros(0, dtype=bool)
    parts = np.split(brown, np.cumsum([len(place) for place in places])[:-1])
    return [share_of(part) for part in parts]


def is_brown(colours: Field) -> Mask:
    """Return which colours (N, 3), as linear light over that of the paper, are those of dead foliage."""
    red, green, blue = colours.T
    return np.asarray((red > math.exp(BROWN_RED) * green) & (blue < math.exp(BROWN_BLUE) * green))


def share_of(brown: Mask) -> tuple[float, float]:
    """Return the share that is brown, and its standard uncertainty."""
    if len(brown) <= LEAST_SOLID_CELLS:
        return 0.0, BROWNED_SIGMA
    share = float(brown.mean())
    return share, BROWNED_SIGMA + 0.25 * math.sqrt(share * (1 - share)) * 0.3


def _solid_px(silhouette: Silhouette) -> NDArray[np.int64]:
    """Return the pixels (N, 2) of the flat view, COLOUR_SHRINK apart, where there is surely foliage."""
    foliage = silhouette.marks.foliage
    rows, columns = (side // COLOUR_SHRINK for side in silhouette.coverage.shape)
    step = foliage.shape[1] // columns
    solid = foliage[step // 2 :: step, step // 2 :: step][:rows, :columns] > SOLID
    y, x = np.nonzero(solid)
    first = np.array(silhouette.corner_px) + COLOUR_SHRINK // 2
    return np.asarray(np.stack([x, y], axis=1) * COLOUR_SHRINK + first)


@dataclass(frozen=True, slots=True, eq=False)
class _Shoot:
    """A way (K, 2) from the tip of what may be a side shoot to where it springs."""

    nth: int
    """Which of the cuttings asked for."""
    way_mm: Points


def side_shoots(
    sheet: Sheet, owner: Counts, branches: Sequence[Branches], axes: Sequence[Points]
) -> list[tuple[Points, ...]]:
    """Return springing point and tip (2, 2) of each cutting's side shoots long enough to count as tips.

    Ends of the skeleton far from the axis are taken one by one, longest first; what leaves the same
    shoot is not counted again.
    """
    found: list[list[Points]] = [[] for _ in branches]
    possible = [
        _Shoot(k, way) for k, both in enumerate(zip(branches, axes, strict=True)) for way in _long_ways(*both)
    ]
    if possible:
        ways = Lines.of([shoot.way_mm for shoot in possible], owner[[shoot.nth for shoot in possible]])
        for shoot, widths in zip(possible, ways.split(_widths_beside(sheet, ways)), strict=True):
            if quantile(widths, 0.5) >= LEAST_TWIGS_MM:
                found[shoot.nth].append(shoot.way_mm[[-1, 0]])
    return [tuple(some) for some in found]


def _long_ways(branches: Branches, axis_mm: Points) -> list[Points]:
    """Return the ways (K, 2) from ends of the skeleton to the axis that are long enough for a tip."""
    least = max(LEAST_SIDE_SHOOT_MM, LEAST_SIDE_SHARE * float(arc_of(axis_mm)[-1]))
    # No part of a way is longer than the whole, so shorter ways are not looked at, nor ends on the axis.
    length_mm = branches.length_mm
    ends = branches.ends[length_mm[branches.ends] >= least]
    if len(ends):
        ends = ends[cdist(branches.nodes_mm[ends], axis_mm).min(axis=1) >= ON_AXIS_MM]
    if len(ends) == 0:
        return []
    away_mm = cdist(branches.nodes_mm, axis_mm).min(axis=1)
    is_taken = away_mm < ON_AXIS_MM
    # What is too short as a whole takes nothing away from longer ones: it springs from where they do.
    ends = ends[length_mm[ends] - length_mm[_roots(branches.before, is_taken)[ends]] >= least]
    taken, before = is_taken.tolist(), branches.before.tolist()
    ways = []
    for end in ends[np.argsort(-length_mm[ends], kind="stable")].tolist():
        root, way = end, [end]
        while not taken[root] and before[root] >= 0:
            taken[root] = True
            root = before[root]
            way.append(root)
        if length_mm[end] - length_mm[root] >= least and away_mm[root] < SPRINGS_MM:
            ways.append(branches.nodes_mm[way])
    return ways


def _roots(before: NDArray[np.int32], is_root: Mask) -> NDArray[np.int64]:
    """Return the next root (N,) on each node's way to the base: looked for twice as far each time."""
    nodes = np.arange(len(before))
    ahead = np.where(is_root | (before < 0), nodes, before)
    for _ in range(len(before).bit_length()):
        ahead = ahead[ahead]
    return ahead


def _widths_beside(sheet: Sheet, ways: Lines) -> Values:
    """Return the covered length (N,) within 3 mm either side, in the better of two directions, mm."""
    step_mm = 0.2
    across = np.arange(-3, 3.01, step_mm)
    widths = [
        sheet.across(
            sheet.coverage,
            ways.point_owner,
            ways.points_mm,
            np.broadcast_to(direction, ways.points_mm.shape),
            across,
        )
        > COVERED
        for direction in ((1.0, 0.0), (0.0, 1.0))
    ]
    return np.asarray(np.minimum(*(np.count_nonzero(width, axis=1) for width in widths)) * step_mm)
