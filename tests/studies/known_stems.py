"""Known photo -> the cuttings found in it, as the shape stage sees them, each beside its truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.frames import Points
from grader.outline import find_silhouettes
from grader.records import Silhouette, SilhouetteKind
from grader.shape import trace
from grader.shape.branches import skeletons_of
from grader.shape.curves import arc_of
from grader.shape.fields import CuttingFields, cutting_fields
from grader.shape.sheet import Sheet
from tests.studies.known_photos import KnownPhoto

SAME_BASE_MM = 5.0
"""A found base so near to the place where a true one is seen is the same."""


@dataclass(frozen=True, slots=True, eq=False)
class KnownStem:
    """One cutting found; positions as seen on the plane of the mat."""

    place: str
    """Folder of the photo."""
    truth: dict[str, Any]
    fields: CuttingFields
    line_mm: Points
    """(N, 2) axis from the base."""
    heel_mm: float
    """Length of the heel found, 0 without."""
    until_mm: float
    """The bare stem ends here, along the axis."""
    rough_width_mm: float
    eye_mm: tuple[float, float, float]


def known_stems(known: KnownPhoto) -> Iterator[KnownStem]:
    """Yield the cuttings whose base lies where a true one is seen."""
    for silhouette in find_silhouettes(known.view, known.pose):
        if silhouette.kind is SilhouetteKind.CUTTING:
            stem = _stem(known, silhouette)
            if stem is not None:
                yield stem


def _stem(known: KnownPhoto, silhouette: Silhouette) -> KnownStem | None:
    # The first steps of trace_cuttings, up to where widths and areas are taken.
    fields = cutting_fields(silhouette, known.view)
    sheet = Sheet.of([fields])
    skeletons = skeletons_of(sheet)
    followed = trace._followed([silhouette], sheet, skeletons, [fields])
    if not followed:
        return None
    traced = trace._traced(sheet, skeletons, followed, trace.ShapeSettings().axis)[0]
    axis, onset = traced.axis, traced.onset
    heel_mm = traced.heel.length_mm if traced.heel is not None else 0.0
    truth = _same(known, axis.line_mm[0])
    if truth is None:
        return None
    total = float(arc_of(axis.line_mm)[-1])
    return KnownStem(
        place=known.name.split("/")[0],
        truth=truth,
        fields=fields,
        line_mm=axis.line_mm,
        heel_mm=heel_mm,
        until_mm=onset.attached_mm if np.isfinite(onset.attached_mm) else total,
        rough_width_mm=onset.stem_width_mm,
        eye_mm=tuple(float(v) for v in known.pose.plane.eye_mm),
    )


def _same(known: KnownPhoto, base_mm: Points) -> dict[str, Any] | None:
    foot, eye = np.asarray(known.pose.plane.eye_mm[:2]), known.pose.plane.eye_mm[2]
    near: dict[float, dict[str, Any]] = {}
    for cutting in known.truth["cuttings"]:
        below = np.asarray(cutting["base_mat"]) * known.pose.print_scale
        seen = foot + (below - foot) * eye / (eye - cutting["axis_z_mm"][0])
        near[float(np.hypot(*(seen - base_mm)))] = cutting
    away = min(near, default=np.inf)
    return near[away] if away < SAME_BASE_MM else None
