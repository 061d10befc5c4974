"""A small tray that exists only as numbers: its truth file, and a flawless result to spoil."""

from __future__ import annotations

import base64
import io
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from calib.frames import PlaneMap
from grader.records import Cutting, CuttingShape, Grade, GradedPhoto, MatPose, Measured, SetAside
from grader.traits.catalogue import does_not_exist
from tests.accuracy.truth import CuttingTruth, PhotoTruth, load_truth

PAGE_MM = (297.0, 210.0)
EYE_HEIGHT_MM = 300.0
FOCAL_PX = 3000.0
SIZE_PX = (4032, 3024)
CELL_MM = 0.2


def truth_file(folder: Path, n_cuttings: int = 4, **changes: Any) -> Path:
    """Write the truth of a tray seen from straight above its middle; ``changes`` replace top-level keys."""
    data: dict[str, Any] = {
        "mat_size_mm": list(PAGE_MM),
        "print_scale": 1.0,
        "curl_mm": 0.0,
        "tags": ["made up"],
        "light": {"name": "overcast"},
        "debris": None,
        "camera": {
            "width": SIZE_PX[0],
            "height": SIZE_PX[1],
            "fx": FOCAL_PX,
            "fy": FOCAL_PX,
            "cx": (SIZE_PX[0] - 1) / 2,
            "cy": (SIZE_PX[1] - 1) / 2,
            "dist": [0.0, 0.0, 0.0, 0.0],
            "R": [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]],
            "t": [0.0, 0.0, EYE_HEIGHT_MM],
            "tilt_deg": 0.0,
        },
        "cuttings": [_cutting_data(index) for index in range(n_cuttings)],
    }
    path = folder / "known.truth.json"
    path.write_text(json.dumps(data | changes))
    return path


def _cutting_data(index: int) -> dict[str, Any]:
    """Return a straight cutting of 90 mm: 28 mm bare stem 2.4 mm wide, then foliage 8 mm wide."""
    x_mm, y_mm = 60.0 + 20.0 * index, 50.0 + 30.0 * index
    stem = np.ones((12, 140), dtype=bool)
    foliage = np.ones((40, 310), dtype=bool)
    mask = np.zeros((40, 450), dtype=bool)
    mask[14:26, :140], mask[:, 140:] = stem, foliage
    text = io.BytesIO()
    Image.fromarray(mask).convert("1").save(text, "PNG")
    along_mm = np.arange(0.0, 91.0)
    return {
        "id": index,
        "kind": "scale",
        "total_length_mm": 90.0,
        "straight_length_mm": 90.0,
        "stripped_length_mm": 28.0,
        "base_diameter_mm": 2.4,
        "foliage_area_mm2": 496.0,
        "crook_deg": 12.0,
        "crook_at_mm": 30.0,
        "sweep_ratio": 0.02,
        "tips": 4,
        "brown_fraction": 0.02,
        "has_heel": False,
        "heel_length_mm": 0.0,
        "heel_width_mm": None,
        "stray_leaves": 0,
        "base_clear": True,
        "base_mat": [x_mm, y_mm],
        "tip_mat": [x_mm + 90.0, y_mm],
        "axis_mat": np.column_stack([x_mm + along_mm, np.full(91, y_mm)]).tolist(),
        "axis_z_mm": np.full(91, 1.2).tolist(),
        "overlaps": [],
        "touches": [],
        "in_frame": 1.0,
        "mask": {
            "origin_mat": [x_mm, y_mm - 4.0],
            "px_mm": CELL_MM,
            "shape": list(mask.shape),
            "png_base64": base64.b64encode(text.getvalue()).decode(),
        },
    }


def known_truth(folder: Path, n_cuttings: int = 4, **changes: Any) -> PhotoTruth:
    """Return that tray as loaded by the code under test."""
    return load_truth(truth_file(folder, n_cuttings, **changes))


def flawless(truth: PhotoTruth, sigma: float = 0.1) -> GradedPhoto:
    """Return a result without any error, every value with the same uncertainty."""
    scale = FOCAL_PX / EYE_HEIGHT_MM
    homography = np.diag([scale, scale, 1.0])
    homography[:2, 2] = (np.array(SIZE_PX) - 1) / 2 - scale * np.array(truth.page_mm) / 2
    plane = PlaneMap(
        homography=homography,
        centre_px=((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2),
        radius_px=math.hypot(*SIZE_PX) / 2,
        k1=0.0,
        k2=0.0,
        p1=0.0,
        p2=0.0,
        eye_mm=truth.eye_mm,
    )
    pose = MatPose(
        mat_id="none",
        page_mm=truth.page_mm,
        lay_area_mm=(30.0, 30.0, truth.page_mm[0] - 30.0, truth.page_mm[1] - 30.0),
        fiducials_mm=(),
        plane=plane,
        n_fiducials=20,
        n_fiducials_expected=20,
        residual_rms_px=0.1,
        residual_rms_mm=0.01,
        position_sigma_mm=0.02,
        scale_sigma=0.001,
        print_scale=truth.print_scale,
        print_scale_source="assumed",
        tilt_deg=0.0,
        curl_mm=0.0,
        px_per_mm=scale,
    )
    cuttings = tuple(_found(truth, item, i + 1, sigma) for i, item in enumerate(truth.cuttings))
    return GradedPhoto(
        truth.photo, "", None, "", truth.camera.size_px, pose, cuttings, set_aside=(), warnings=()
    )


def _found(truth: PhotoTruth, true: CuttingTruth, number: int, sigma: float) -> Cutting:
    low, high = true.cells_mm.min(axis=0) - 0.1, true.cells_mm.max(axis=0) + 0.1
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    height = np.full(len(corners), float(np.median(true.axis_height_mm)))
    values = true.values
    traits = {
        name: does_not_exist("none") if math.isnan(value) else Measured(value, sigma)
        for name, value in values.items()
    }
    n = len(true.axis_mm)
    shape = CuttingShape(
        axis_mm=true.axis_mm,
        arc_mm=np.arange(float(n)),
        axis_sigma_mm=np.full(n, sigma),
        width_mm=np.full(n, values["base_diameter_mm"]),
        width_sigma_mm=np.full(n, sigma),
        foliage_from_mm=values["stripped_length_mm"],
        foliage_from_sigma_mm=sigma,
        tip_sigma_mm=sigma,
        base_sigma_mm=sigma,
        base_doubt=0.0,
        foliage_area_mm2=values["foliage_area_mm2"],
        foliage_area_sigma_mm2=sigma,
        browned_share=values["browned_share"],
        browned_share_sigma=sigma,
        side_tips_mm=(),
        strays_mm=np.zeros((0, 2)),
        heel=None,
        base_width_sigma_mm=sigma,
    )
    grade = Grade("1", (), "within all limits", "stick it", "none")
    return Cutting(number, "", truth.seen_from_true(corners, height), shape, traits, grade)


def with_trait(graded: GradedPhoto, trait: str, change: Any) -> GradedPhoto:
    """Return the result with one trait of every cutting replaced by ``change(index, Measured)``."""
    cuttings = tuple(
        replace(item, traits={**item.traits, trait: change(index, item.traits[trait])})
        for index, item in enumerate(graded.cuttings)
    )
    return replace(graded, cuttings=cuttings)


def set_aside(graded: GradedPhoto, index: int, kind: Any) -> GradedPhoto:
    """Return the result with one cutting not graded but set aside."""
    item = graded.cuttings[index]
    left = graded.cuttings[:index] + graded.cuttings[index + 1 :]
    return replace(
        graded, cuttings=left, set_aside=(SetAside(kind, "because", item.outline_mm, item.outline_mm.size),)
    )
