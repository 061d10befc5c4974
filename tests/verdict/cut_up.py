"""Cut and strip a shape for real: the record of the piece, to be measured like any cutting.

The second way to what grader/verdict/predict.py foresees: axis and widths are cut out point by point, then
the traits stage measures the piece.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grader.records import CuttingShape, Traits
from grader.traits.measure import measure_traits
from tests.synthetic_records import straight_pose


def cut_up(
    shape: CuttingShape, from_mm: float, to_mm: float, strip_to_mm: float, true_width_mm: np.ndarray
) -> CuttingShape:
    """Return the piece between two cuts, stripped below ``strip_to_mm`` (from the present base).

    ``true_width_mm`` (K,) is the stem's width all along, also where foliage hides it.  Foliage is even.
    """
    inner = shape.arc_mm[(shape.arc_mm > from_mm) & (shape.arc_mm < to_mm)]
    arc_mm = np.concatenate(([from_mm], inner, [to_mm]))
    leafy_from = max(shape.foliage_from_mm, strip_to_mm, from_mm)
    whole_mm = float(shape.arc_mm[-1]) - shape.foliage_from_mm
    share = max(to_mm - leafy_from, 0.0) / whole_mm
    width = np.interp(arc_mm, shape.arc_mm, true_width_mm)
    return replace(
        shape,
        axis_mm=np.column_stack([np.interp(arc_mm, shape.arc_mm, shape.axis_mm[:, k]) for k in (0, 1)]),
        arc_mm=arc_mm - from_mm,
        axis_sigma_mm=np.interp(arc_mm, shape.arc_mm, shape.axis_sigma_mm),
        width_mm=np.where(arc_mm <= leafy_from, width, np.nan),
        width_sigma_mm=np.interp(arc_mm, shape.arc_mm, shape.width_sigma_mm),
        foliage_from_mm=leafy_from - from_mm,
        foliage_area_mm2=shape.foliage_area_mm2 * share,
        heel=shape.heel if from_mm == 0.0 else None,
        strays_mm=shape.strays_mm[:0] if strip_to_mm else shape.strays_mm,
    )


def measured_piece(piece: CuttingShape) -> Traits:
    """Return what the traits stage measures on a piece."""
    return measure_traits(piece, straight_pose())
