"""How far off the ends and the axis of a cutting lie: tells why a length or a bend is wrong.

And the diameter of stems whose base is not clear (stripped less than 10 mm, or hidden), which the goals
leave out: the definition still gives a value for most of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from grader.records import Cutting
from tests.accuracy.reading import Reading
from tests.accuracy.truth import CuttingTruth

PLACES: Mapping[str, str] = MappingProxyType(
    {
        "base_along_mm": "base, inwards +, mm",
        "tip_along_mm": "tip, too far +, mm",
        "axis_bare_mm": "axis, bare stem, mm",
        "axis_leafy_mm": "axis, in foliage, mm",
        "diameter_unclear_mm": "diam. short/hidden, mm",
    }
)
"""Pseudo measurements and their titles; the true value of a place is 0."""
STEP_MM = 4.0
"""The axis is compared at every such distance from the base; closer places err alike."""
END_CHORD_MM = 8.0
"""The direction of the axis at an end is that of a chord of this length."""


def place_readings(photo: str, true: CuttingTruth, found: Cutting) -> list[Reading]:
    """Return the errors of both ends along the true axis, and of the axis across it."""
    shape = found.shape
    axis = np.asarray(shape.axis_mm)

    def reading(name: str, error_mm: float, sigma_mm: float) -> Reading:
        return Reading(photo, true.id, found.number, name, 0.0, float(error_mm), float(sigma_mm), False)

    base = (axis[0] - true.base_mm) @ end_direction(true.axis_mm)
    tip = -(axis[-1] - true.tip_mm) @ end_direction(true.axis_mm[::-1])
    readings = [
        reading("base_along_mm", base, shape.base_sigma_mm),
        reading("tip_along_mm", tip, shape.tip_sigma_mm),
    ]
    where = np.arange(0.0, float(shape.arc_mm[-1]), STEP_MM)
    points = np.column_stack([np.interp(where, shape.arc_mm, axis[:, i]) for i in (0, 1)])
    sigmas = np.interp(where, shape.arc_mm, shape.axis_sigma_mm)
    arcs, errors = across(true.axis_mm, points)
    stripped_mm = true.values["stripped_length_mm"]
    for arc, error, sigma in zip(arcs, errors, sigmas, strict=True):
        name = "axis_bare_mm" if arc < stripped_mm else "axis_leafy_mm"
        readings.append(reading(name, error, sigma))
    diameter = found.traits.get("base_diameter_mm")
    true_mm = true.values["base_diameter_mm"]
    if not true.is_base_clear and diameter is not None and np.isfinite(true_mm):
        told = (true_mm, diameter.value, diameter.sigma)
        readings.append(Reading(photo, true.id, found.number, "diameter_unclear_mm", *told, says_none=False))
    return readings


def end_direction(axis_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit direction (2,) of an axis at its first point, pointing along it."""
    steps = np.hypot(*np.diff(axis_mm, axis=0).T)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    later = np.array([np.interp(END_CHORD_MM, arc, axis_mm[:, i]) for i in (0, 1)])
    along = later - axis_mm[0]
    return np.asarray(along / np.hypot(*along))


def across(
    axis_mm: NDArray[np.float64], points_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return for points (N, 2) the distance along a polyline (N,) and the signed distance from it (N,).

    Positive to the right of the polyline's direction as seen in the image (y down).
    """
    start, along = axis_mm[:-1], np.diff(axis_mm, axis=0)
    length = np.hypot(*along.T)
    arc = np.concatenate([[0.0], np.cumsum(length)[:-1]])
    away = points_mm[:, None] - start[None]
    # The first and last piece go on straight, so that a point beyond an end errs only across.
    least, most = np.zeros(len(along)), np.ones(len(along))
    least[0], most[-1] = -np.inf, np.inf
    share = np.clip((away * along).sum(axis=-1) / np.maximum(length**2, 1e-12), least, most)
    foot = away - share[..., None] * along
    distance = np.hypot(foot[..., 0], foot[..., 1])
    nearest = distance.argmin(axis=1)
    rows = np.arange(len(points_mm))
    side = along[nearest, 0] * foot[rows, nearest, 1] - along[nearest, 1] * foot[rows, nearest, 0]
    return arc[nearest] + share[rows, nearest] * length[nearest], np.sign(side) * distance[rows, nearest]
