"""True silhouette of one cutting -> cells of plant and of foliage, each with its place along the stem.

The truth holds one mask of the whole plant as seen from straight above.  What of it is foliage follows
from the true axis, stripped length and diameter: a cell is foliage unless it lies in the band of the
bare stem, or hangs together only with stray leaves on it.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.spatial import cKDTree

from grader.shape.curves import arc_of

Values = NDArray[np.float64]
Field = NDArray[np.float32]

FINE_MM = 0.1
"""Spacing of points on the true axis, that of the flat view's pixels."""
LEAST_CELLS = 30
"""Smaller masks (1 mm2) show nothing to learn from: the cutting lies outside the photo."""
UNKNOWN_DIAMETER_MM = 2.0
"""Taken where the base is covered and its diameter unknown: that of a common cutting."""
STEM_WIDER_SHARE, STEM_WIDER_MM = 1.08, 0.1
"""The band of the bare stem is so much wider than the radius: knots, and half a cell."""
BEYOND_HEEL_MM = 2.0
"""A heel's width holds so far beyond its length: it tapers off."""
OVERHANG_MM = 6.0
"""Foliage reaches down so far over the bare stem; further down it is a stray leaf."""
WOOD_LEAST_SHARE = 0.3
"""Wood seen among the foliage narrows from the diameter at the base to this share of it at the tip."""
WOOD_MOST_SHARE = 0.9
"""If the missing area is more than this share of the cells near the axis, the rest lacks some as well."""


@dataclass(frozen=True, slots=True, eq=False)
class TrueCells:
    """One cutting; positions in true mm on the mat, as seen from straight above."""

    mask: NDArray[np.bool_]
    """(h, w) any part of the plant."""
    foliage: Field
    """(h, w) probability of foliage, its sum times the cell's area is the true foliage area."""
    corner_mat: Values
    """(2,) corner of the mask in millimetres as printed at full scale."""
    cell_mat: float
    scale: float
    """True mm per printed mm."""
    foliage_mm: Values
    """(F, 2) centres of the foliage's cells."""
    foliage_arc_mm: Values
    """(F,) their places along the axis."""
    axis_mm: Values
    """(N, 2) the axis, every FINE_MM."""
    axis_height_mm: Values
    """(N,) above the paper."""
    arc_mm: Values
    """(N,)"""
    stripped_mm: float
    radius_mm: float
    heel_mm: float
    """Length of the heel, 0 without."""
    heel_radius_mm: float

    def centres_mm(self) -> Values:
        """Return the centres (P, 2) of all cells of the plant."""
        return _centres(self.mask, self.corner_mat, self.cell_mat, self.scale)

    def half_width_mm(self, arc_mm: Values) -> Values:
        """Return half the width of the bare stem at places along the axis."""
        return _half_width(arc_mm, self.radius_mm, self.heel_mm, self.heel_radius_mm)


def true_cells(cutting: dict[str, Any], scale: float) -> TrueCells | None:
    """Return the cells of one cutting of a truth file; None where too little of it is on the mat."""
    stored = cutting["mask"]
    mask = np.asarray(Image.open(io.BytesIO(base64.b64decode(stored["png_base64"])))) > 0
    if mask.sum() < LEAST_CELLS:
        return None
    corner, cell = np.asarray(stored["origin_mat"], dtype=float), float(stored["px_mm"])
    line = np.asarray(cutting["axis_mat"]) * scale
    arc_all = arc_of(line)
    arc = np.arange(0.0, arc_all[-1], FINE_MM)
    axis = np.stack([np.interp(arc, arc_all, line[:, k]) for k in (0, 1)], axis=1)
    diameter = cutting["base_diameter_mm"] or UNKNOWN_DIAMETER_MM
    radius = (diameter if np.isfinite(diameter) else UNKNOWN_DIAMETER_MM) / 2
    heel = float(cutting.get("heel_length_mm") or 0.0)
    heel_radius = max(radius, float(cutting.get("heel_width_mm") or 0.0) / 2)
    stripped = float(cutting["stripped_length_mm"])

    points = _centres(mask, corner, cell, scale)
    away, nearest = cKDTree(axis).query(points)
    along = arc[nearest]
    band = away < _half_width(along, radius, heel, heel_radius) * STEM_WIDER_SHARE + STEM_WIDER_MM
    band &= along < stripped
    is_foliage = _hangs_together(mask, ~band, along >= stripped) & (along > stripped - OVERHANG_MM)
    cells = cutting["foliage_area_mm2"] / (cell * scale) ** 2
    upward = np.clip(1 - (along - stripped) / max(arc_all[-1] - stripped, 1.0), 0, 1)
    near = away < radius * (WOOD_LEAST_SHARE + (1 - WOOD_LEAST_SHARE) * upward) + STEM_WIDER_MM
    foliage = np.zeros(mask.shape, np.float32)
    foliage[mask] = _without_wood(is_foliage, near, cells)
    return TrueCells(
        mask=mask,
        foliage=foliage,
        corner_mat=corner,
        cell_mat=cell,
        scale=scale,
        foliage_mm=points[is_foliage],
        foliage_arc_mm=along[is_foliage],
        axis_mm=axis,
        axis_height_mm=np.interp(arc, arc_all, np.asarray(cutting["axis_z_mm"])),
        arc_mm=arc,
        stripped_mm=stripped,
        radius_mm=radius,
        heel_mm=heel,
        heel_radius_mm=heel_radius,
    )


def _centres(mask: NDArray[np.bool_], corner: Values, cell: float, scale: float) -> Values:
    return np.asarray((corner + (np.argwhere(mask)[:, ::-1] + 0.5) * cell) * scale)


def _half_width(arc_mm: Values, radius: float, heel: float, heel_radius: float) -> Values:
    return np.where(arc_mm < heel + BEYOND_HEEL_MM, heel_radius, radius)


def _hangs_together(
    mask: NDArray[np.bool_], candidate: NDArray[np.bool_], high: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return which cells of the mask are candidates connected with one beyond the stripped stem."""
    drawn = np.zeros(mask.shape, np.uint8)
    drawn[mask] = candidate
    label = cv2.connectedComponents(drawn, connectivity=8)[1][mask]
    return candidate & np.isin(label, np.unique(label[candidate & high]))


def _without_wood(is_foliage: NDArray[np.bool_], near_axis: NDArray[np.bool_], true_cells_n: float) -> Field:
    """Return the probability of foliage (P,), so that its sum is the true number of cells.

    What the true area lacks is wood seen between leaves.  Where exactly it is seen the truth does not
    say; it is taken evenly from the cells near the axis, so the labels there are soft.
    """
    weight = is_foliage.astype(np.float32)
    total = float(weight.sum())
    missing = total - true_cells_n
    if total == 0 or missing <= 0:
        return weight
    above = is_foliage & near_axis
    n_above = float(above.sum())
    if missing < WOOD_MOST_SHARE * n_above:
        weight[above] = 1 - missing / n_above
        return weight
    least = 1 - WOOD_MOST_SHARE
    rest = is_foliage & ~above
    weight[above] = least
    weight[rest] = np.clip((true_cells_n - least * n_above) / max(float(rest.sum()), 1.0), 0, 1)
    return weight
