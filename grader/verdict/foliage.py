"""How the foliage is shared out along the axis: what comes off when a stretch of stem is stripped."""

from __future__ import annotations

import numpy as np

from calib.frames import Points
from grader.records import CuttingShape, Values

CELL_MM = 1.0
"""Cells that the silhouette is counted in: a leaf is larger."""
SPRINGS_EVERY_MM = 1.0
"""Step along the axis."""
_SHIFT, _PARTS = 4, 16
"""Corners of an outline are given to the drawing in sixteenths of a cell: binary digits, and parts."""


def foliage_below(shape: CuttingShape, outline_mm: Points | None = None) -> Values:
    """Return the share of the foliage that is attached below each whole mm of the axis.

    Parameters
    ----------
    shape : CuttingShape
    outline_mm : (N, 2), optional
        Outer outline of the cutting.  Each part of it belongs to the nearest part of the axis, or to the
        place where the nearest side shoot springs.  Without an outline the foliage is taken as even.

    Returns
    -------
    (M,)
        At 0, 1, 2, ... mm from the base: rises from 0 to 1; the last one lies at or above the tip.
    """
    at_mm = np.arange(0.0, np.ceil(float(shape.arc_mm[-1])) + 1.0, SPRINGS_EVERY_MM)
    if outline_mm is not None and len(outline_mm) > 2:
        return shared_out(shape, _cells_inside(outline_mm), at_mm)
    return shared_out(shape, np.zeros((0, 2)), at_mm)


def _cells_inside(outline_mm: Points) -> Points:
    """Return the middles of the cells inside an outline, (N, 2) mm."""
    import cv2

    low = outline_mm.min(axis=0)
    columns, rows = np.ceil((outline_mm.max(axis=0) - low) / CELL_MM).astype(int) + 1
    layer = np.zeros((int(rows), int(columns)), dtype=np.uint8)
    corners = np.round((outline_mm - low) * (_PARTS / CELL_MM)).astype(np.int32)
    cv2.fillPoly(layer, [corners], color=1, shift=_SHIFT)
    y, x = np.nonzero(layer)
    return np.asarray(low + CELL_MM * np.column_stack([x, y]))


def shared_out(shape: CuttingShape, cells_mm: Points, at_mm: Values) -> Values:
    """Return the share of the foliage cells (N, 2) that is attached below each distance ``at_mm``."""
    total_mm, start_mm = float(shape.arc_mm[-1]), float(np.nan_to_num(shape.foliage_from_mm))
    even = np.clip((at_mm - start_mm) / max(total_mm - start_mm, 1e-9), 0.0, 1.0)
    if len(cells_mm) == 0:
        return np.asarray(even)
    from scipy.spatial import cKDTree  # Here: the command line needs the targets, not this.

    places, springs_mm = _attached(shape)
    springs = springs_mm[cKDTree(places).query(cells_mm)[1]]
    springs = springs[springs >= start_mm]
    if len(springs) == 0:
        return np.asarray(even)
    below = np.searchsorted(np.sort(springs), at_mm) / len(springs)
    return np.asarray(np.where(at_mm >= total_mm, 1.0, below))


def _attached(shape: CuttingShape) -> tuple[Points, Values]:
    """Return points on the axis and the side shoots, and how far up the axis each of them springs."""
    places, springs = [shape.axis_mm], [shape.arc_mm]
    for foot, tip in shape.side_tips_mm:
        n = max(2, round(float(np.hypot(*(tip - foot))) / CELL_MM))
        along = np.linspace(0.0, 1.0, n)[:, None]
        arc = shape.arc_mm[int(np.argmin(np.hypot(*(shape.axis_mm - foot).T)))]
        places.append(foot + along * (tip - foot))
        springs.append(np.full(n, arc))
    return np.concatenate(places), np.concatenate(springs)
