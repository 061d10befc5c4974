"""What a cutting would be after it is cut or stripped: the same shape record, shortened."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.frames import Points
from grader.records import CuttingShape, Values

LEAST_PIECE_MM = 10.0
"""Nobody sticks anything shorter; keeps the axis long enough to be measured."""
BASE_MIDDLE_MM = 6.5
"""Middle of the stretch that the base diameter is defined over (3 to 10 mm)."""
HIDDEN_SIGMA_MM, HIDDEN_SIGMA_PER_MM = 0.10, 0.005
"""Uncertainty of a width inferred under foliage, at its edge and per mm further in: starting values of our
own; stems taper by 0 to 0.02 mm per mm."""


def shape_after(shape: CuttingShape, from_mm: float, to_mm: float, strip_to_mm: float) -> CuttingShape:
    """Return the shape of the piece between two cuts, stripped at its lower end.

    Parameters
    ----------
    shape : CuttingShape
    from_mm, to_mm : float
        Distances along the axis from the present base, ``from_mm < to_mm``.
    strip_to_mm : float
        Foliage below this distance from the present base is taken off.

    Returns
    -------
    CuttingShape
        Distances start at the new base.  Foliage is shared out evenly along the axis; widths of wood that
        is now under foliage and would be bare follow the taper, with an uncertainty that says so.

    Raises
    ------
    ValueError
        If less than 10 mm would be left.
    """
    total_mm = float(shape.arc_mm[-1])
    from_mm, to_mm = max(from_mm, 0.0), min(to_mm, total_mm)
    if to_mm - from_mm < LEAST_PIECE_MM:
        raise ValueError(f"a piece from {from_mm} to {to_mm} mm is too short")
    inner = shape.arc_mm[(shape.arc_mm > from_mm) & (shape.arc_mm < to_mm)]
    arc_mm = np.concatenate(([from_mm], inner, [to_mm]))
    foliage_from = max(shape.foliage_from_mm, strip_to_mm, from_mm)
    share = _foliage_share(shape, foliage_from, to_mm, total_mm)
    is_recut = from_mm > 0.0
    width_mm, width_sigma_mm = _widths(shape, arc_mm, foliage_from)
    base_sigma = np.interp(from_mm + BASE_MIDDLE_MM, arc_mm, np.nan_to_num(width_sigma_mm, nan=0.0))
    return replace(
        shape,
        axis_mm=np.column_stack([np.interp(arc_mm, shape.arc_mm, shape.axis_mm[:, i]) for i in (0, 1)]),
        arc_mm=arc_mm - from_mm,
        axis_sigma_mm=np.interp(arc_mm, shape.arc_mm, shape.axis_sigma_mm),
        width_mm=width_mm,
        width_sigma_mm=width_sigma_mm,
        foliage_from_mm=foliage_from - from_mm,
        foliage_area_mm2=shape.foliage_area_mm2 * share,
        foliage_area_sigma_mm2=shape.foliage_area_sigma_mm2 * share,
        side_tips_mm=_tips_between(shape, max(foliage_from, from_mm), to_mm),
        strays_mm=_strays_left(shape, strip_to_mm, from_mm),
        heel=None if is_recut else shape.heel,
        base_width_sigma_mm=max(shape.base_width_sigma_mm, float(base_sigma) if is_recut else 0.0),
    )


def arc_of(shape: CuttingShape, points_mm: Points) -> Values:
    """Return the distance along the axis, (N,) mm, of the axis point nearest to each point (N, 2) mm."""
    if len(points_mm) == 0:
        return np.zeros(0)
    gaps = np.linalg.norm(points_mm[:, None, :] - shape.axis_mm[None, :, :], axis=2)
    return np.asarray(shape.arc_mm[np.argmin(gaps, axis=1)])


def width_at(shape: CuttingShape, at_mm: float) -> float:
    """Return the stem width at a distance from the base, mm; under foliage by the taper of what is seen.

    The taper is a straight line through all visible widths.  nan if fewer than two are visible.
    """
    is_seen = np.isfinite(shape.width_mm)
    if is_seen.sum() < 2:
        return float("nan")
    seen_arc = shape.arc_mm[is_seen]
    if seen_arc[0] <= at_mm <= seen_arc[-1]:
        return float(np.interp(at_mm, seen_arc, shape.width_mm[is_seen]))
    slope, start = np.polyfit(seen_arc, shape.width_mm[is_seen], 1)
    return float(start + min(slope, 0.0) * at_mm)


def _widths(shape: CuttingShape, arc_mm: Values, bare_to_mm: float) -> tuple[Values, Values]:
    """Return widths and their uncertainties at distances from the present base, bare up to ``bare_to_mm``."""
    width_mm = _interp_known(arc_mm, shape.arc_mm, shape.width_mm)
    sigma_mm = _interp_known(arc_mm, shape.arc_mm, shape.width_sigma_mm)
    is_seen = np.isfinite(shape.width_mm)
    is_inferred = np.isnan(width_mm) & (arc_mm <= bare_to_mm)
    if is_seen.sum() < 2 or not is_inferred.any():
        return width_mm, sigma_mm
    seen_to_mm = float(shape.arc_mm[is_seen][-1])
    inferred = np.array([width_at(shape, float(at_mm)) for at_mm in arc_mm[is_inferred]])
    depth_mm = np.maximum(arc_mm[is_inferred] - seen_to_mm, 0.0)
    width_mm[is_inferred] = np.maximum(inferred, 0.0)
    sigma_mm[is_inferred] = np.hypot(HIDDEN_SIGMA_MM, HIDDEN_SIGMA_PER_MM * depth_mm)
    return width_mm, sigma_mm


def _foliage_share(shape: CuttingShape, from_mm: float, to_mm: float, total_mm: float) -> float:
    whole_mm = total_mm - shape.foliage_from_mm
    if not whole_mm > 0.0:
        return 0.0
    return float(np.clip((to_mm - from_mm) / whole_mm, 0.0, 1.0))


def _interp_known(at_mm: Values, arc_mm: Values, values: Values) -> Values:
    """Interpolate, leaving nan where the nearest sample is nan."""
    is_known = np.isfinite(values)
    if not is_known.any():
        return np.full(len(at_mm), np.nan)
    filled = np.interp(at_mm, arc_mm[is_known], values[is_known])
    nearest = np.abs(at_mm[:, None] - arc_mm[None, :]).argmin(axis=1)
    return np.where(is_known[nearest], filled, np.nan)


def _tips_between(shape: CuttingShape, from_mm: float, to_mm: float) -> tuple[Points, ...]:
    if not shape.side_tips_mm:
        return ()
    springs_at = arc_of(shape, np.array([tip[0] for tip in shape.side_tips_mm]))
    return tuple(
        tip for tip, at_mm in zip(shape.side_tips_mm, springs_at, strict=True) if from_mm <= at_mm <= to_mm
    )


def _strays_left(shape: CuttingShape, strip_to_mm: float, from_mm: float) -> Points:
    """Return the strays that stay: stripping takes them all off, a new cut those below it."""
    if strip_to_mm > 0.0 or len(shape.strays_mm) == 0:
        return np.zeros((0, 2))
    return np.asarray(shape.strays_mm[arc_of(shape, shape.strays_mm) >= from_mm])
