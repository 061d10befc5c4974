"""The truth of a photo, measured on the geometry by the definitions; nothing here looks at a picture.

``NAME.truth.json`` holds real millimetres; places are in page mm, origin at the top left of the page,
x right, y down.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import binary_dilation
from scipy.spatial import cKDTree

from .curves import arc_length, at_arc, crook, sweep
from .cutting import Cutting
from .mesh import Part
from .raster import seen_from_above

Floats = NDArray[np.float64]

CELL_MM = 0.1
"""Cells in which areas are counted."""
MASK_CELL_MM = 0.2
"""Cells of the silhouette that is stored."""
BASE_FROM_MM, BASE_TO_MM = 3.0, 10.0
"""The stretch above cut face or heel in which the base diameter is defined."""
BASE_LEAST_MM = 2.0
"""A shorter clear stretch shows no base diameter."""
HIDDEN_MOST = 0.05
"""Share of that stretch that leaves may cover before it counts as hidden."""
SEEN_ASIDE_MM = 1.0
"""Foliage this close to the stem's edge tells where it begins as seen from above."""
AXIS_STEP_MM = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What is seen of one cutting from straight above."""

    corner_mm: tuple[float, float]
    """Outer corner of the first cell; a multiple of the mask's cell."""
    parts: NDArray[np.int64]
    """(rows, columns) of :class:`Part`, -1 where there is none; cells of ``CELL_MM``."""

    def centres_mm(self, chosen: NDArray[np.bool_]) -> Floats:
        """Return (N, 2) centres of cells."""
        rows, columns = np.nonzero(chosen)
        return np.column_stack([columns + 0.5, rows + 0.5]) * CELL_MM + np.asarray(self.corner_mm)


def look_from_above(cutting: Cutting) -> Seen:
    """Return what is seen of a laid cutting."""
    corners = cutting.mesh.vertices_mm[:, :2]
    low = np.floor(corners.min(axis=0) / MASK_CELL_MM - 1) * MASK_CELL_MM
    high = np.ceil(corners.max(axis=0) / MASK_CELL_MM + 1) * MASK_CELL_MM
    columns, rows = (int(n) for n in np.round((high - low) / CELL_MM))
    corner = (float(low[0]), float(low[1]))
    face = seen_from_above(cutting.mesh, corner_mm=corner, cell_mm=CELL_MM, shape=(rows, columns))
    return Seen(corner, np.where(face >= 0, cutting.mesh.parts[face], -1))


def mask_of(seen: Seen) -> NDArray[np.bool_]:
    """Return the silhouette in cells of ``MASK_CELL_MM``: those at least half covered."""
    step = round(MASK_CELL_MM / CELL_MM)
    rows, columns = seen.parts.shape[0] // step, seen.parts.shape[1] // step
    covered = (seen.parts >= 0).reshape(rows, step, columns, step).mean(axis=(1, 3))
    return np.asarray(covered >= 0.5)


def base_width_mm(cutting: Cutting) -> tuple[float, float, float]:
    """Return the mean stem width by the definition, and where its stretch begins and ends along the axis."""
    start = cutting.heel_mm + BASE_FROM_MM
    end = cutting.heel_mm + BASE_TO_MM
    if cutting.plan.stripped_mm < end:
        end = cutting.plan.stripped_mm
    if end - start < BASE_LEAST_MM:
        end = start + BASE_LEAST_MM
    arc = arc_length(cutting.axis_mm)[: len(cutting.wood_width_mm)]
    return float(cutting.wood_width_mm[(arc >= start) & (arc <= end)].mean()), start, end


def cutting_truth(number: int, cutting: Cutting, seen: Seen) -> dict[str, Any]:
    """Return everything that is true of one laid cutting by itself."""
    axis = cutting.axis_mm
    total = float(arc_length(axis)[-1])
    plan = cutting.plan
    width, start, end = base_width_mm(cutting)
    foliage = np.isin(seen.parts, (int(Part.GREEN), int(Part.BROWN)))
    brown = seen.parts == int(Part.BROWN)
    angle, where = crook(axis, from_mm=cutting.heel_mm)
    hidden = _hidden_share(cutting, seen, foliage, start, end)
    places = at_arc(axis, np.arange(0.0, total, AXIS_STEP_MM))
    heights = np.interp(np.arange(0.0, total, AXIS_STEP_MM), arc_length(axis), cutting.height_mm)
    return {
        "id": number,
        "kind": plan.kind,
        "colour": plan.colour,
        "total_length_mm": total,
        "straight_length_mm": float(np.linalg.norm(axis[-1] - axis[0])),
        "stripped_length_mm": plan.stripped_mm,
        "base_diameter_mm": width,
        "base_clear": bool(plan.stripped_mm - start >= BASE_LEAST_MM and hidden < HIDDEN_MOST),
        "has_heel": plan.heel is not None,
        "heel_length_mm": cutting.heel_mm,
        "heel_width_mm": plan.heel.width_mm if plan.heel is not None else None,
        "crook_deg": None if np.isnan(angle) else angle,
        "crook_at_mm": None if np.isnan(where) else where,
        "sweep_ratio": sweep(axis),
        "tips": cutting.tips,
        "stray_leaves": plan.strays,
        "max_height_mm": float(cutting.mesh.vertices_mm[:, 2].max()),
        "base_mat": axis[0].tolist(),
        "tip_mat": axis[-1].tolist(),
        "axis_mat": np.round(np.concatenate([places, axis[-1:]]), 3).tolist(),
        "axis_z_mm": np.round(np.append(heights, cutting.height_mm[-1]), 2).tolist(),
        "foliage_area_mm2": float(foliage.sum() * CELL_MM**2),
        "silhouette_area_mm2": float((seen.parts >= 0).sum() * CELL_MM**2),
        "brown_fraction": float(brown.sum() / max(foliage.sum(), 1)),
        "foliage_seen_from_mm": _seen_from_mm(cutting, seen, foliage),
        "centroid_mat": seen.centres_mm(seen.parts >= 0).mean(axis=0).tolist(),
        "mask": _packed(seen),
    }


def _on_axis(cutting: Cutting, places_mm: Floats) -> tuple[Floats, Floats]:
    """Return how far along the axis places are, and their distance from its edge (negative: on the stem)."""
    wood = cutting.axis_mm[: len(cutting.wood_width_mm)]
    distance, nearest = cKDTree(wood).query(places_mm)
    return arc_length(wood)[nearest], distance - cutting.wood_width_mm[nearest] / 2


def _hidden_share(
    cutting: Cutting, seen: Seen, foliage: NDArray[np.bool_], start: float, end: float
) -> float:
    """Return the share of the stem between two places that leaves hide or border."""
    arc, edge = _on_axis(cutting, seen.centres_mm(seen.parts >= 0))
    is_foliage = foliage[seen.parts >= 0]
    here = (arc >= start) & (arc <= end) & (edge < 2 * CELL_MM)
    return float(is_foliage[here].mean()) if here.any() else 1.0


def _seen_from_mm(cutting: Cutting, seen: Seen, foliage: NDArray[np.bool_]) -> float:
    """Return how far from the base foliage begins, as seen from above."""
    arc, edge = _on_axis(cutting, seen.centres_mm(foliage))
    near = arc[edge < SEEN_ASIDE_MM]
    return float(near.min()) if len(near) else float(arc_length(cutting.axis_mm)[-1])


def _packed(seen: Seen) -> dict[str, Any]:
    mask = mask_of(seen)
    stream = io.BytesIO()
    Image.fromarray(mask * np.uint8(255)).convert("1").save(stream, "PNG", optimize=True)
    return {
        "origin_mat": list(seen.corner_mm),
        "px_mm": MASK_CELL_MM,
        "shape": list(mask.shape),
        "png_base64": base64.b64encode(stream.getvalue()).decode("ascii"),
    }


def neighbours(seen: list[Seen], page_mm: tuple[float, float], reach_mm: float) -> list[list[int]]:
    """Return for each cutting the others whose silhouettes come within ``reach_mm`` of its own."""
    shape = (round(page_mm[1] / MASK_CELL_MM) + 1, round(page_mm[0] / MASK_CELL_MM) + 1)
    masks = []
    for one in seen:
        page = np.zeros(shape, dtype=bool)
        mask = mask_of(one)
        column, row = (round(c / MASK_CELL_MM) for c in one.corner_mm)
        top, left = max(row, 0), max(column, 0)
        part = mask[top - row :, left - column :]
        target = page[top : top + part.shape[0], left : left + part.shape[1]]
        target |= part[: target.shape[0], : target.shape[1]]
        masks.append(page)
    grown = masks
    if reach_mm > 0:
        grown = [binary_dilation(m, iterations=max(round(reach_mm / MASK_CELL_MM), 1)) for m in masks]
    return [[j for j in range(len(seen)) if j != i and (grown[i] & masks[j]).any()] for i in range(len(seen))]
