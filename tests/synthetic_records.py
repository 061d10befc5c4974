"""Records of invented cuttings with plain numbers, so that late stages can be tested without pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import (
    Cutting,
    CuttingShape,
    GradedPhoto,
    Heel,
    MatPose,
    Measured,
    SetAside,
    SilhouetteKind,
    Traits,
)
from grader.verdict import Targets, grade_cutting, load_targets

PX_PER_MM = 10.0
PAGE_MM = (297.0, 210.0)
STEP_MM = 0.5


def plain_traits(**changed: Measured) -> dict[str, Measured]:
    """Return the traits of a cutting that is grade 1 by the landscape juniper targets."""
    traits = {
        "total_length_mm": Measured(90.0, 0.4),
        "straight_length_mm": Measured(89.0, 0.4),
        "stripped_length_mm": Measured(30.0, 0.6),
        "base_diameter_mm": Measured(2.4, 0.04),
        "foliage_area_mm2": Measured(600.0, 9.0),
        "crook_deg": Measured(6.0, 1.5),
        "crook_at_mm": Measured(40.0, 3.0),
        "sweep_ratio": Measured(0.03, 0.003),
        "tips_count": Measured(3.0, 0.0),
        "browned_share": Measured(0.02, 0.01),
        "heel_length_mm": Measured(0.0, 0.3),
        "heel_width_mm": Measured(math.nan, 0.0, "there is no heel"),
        "strays_count": Measured(0.0, 0.0),
    }
    assert not set(changed) - set(traits)
    return traits | changed


def straight_shape(
    length_mm: float = 90.0,
    stripped_mm: float = 30.0,
    width_mm: float = 2.4,
    taper_mm_per_mm: float = 0.0,
    heel: Heel | None = None,
    base_mm: tuple[float, float] = (100.0, 100.0),
    angle_deg: float = 0.0,
    bend_at_mm: float = math.inf,
    bend_deg: float = 0.0,
) -> CuttingShape:
    """Return a cutting with a straight axis, or one with a single sharp bend."""
    arc = np.append(np.arange(0.0, length_mm, STEP_MM), length_mm)
    below, above = np.minimum(arc, bend_at_mm), np.maximum(arc - bend_at_mm, 0.0)
    first, second = math.radians(angle_deg), math.radians(angle_deg + bend_deg)
    axis = np.column_stack(
        [
            base_mm[0] + below * math.cos(first) + above * math.cos(second),
            base_mm[1] + below * math.sin(first) + above * math.sin(second),
        ]
    )
    width = np.where(arc <= stripped_mm, width_mm - taper_mm_per_mm * arc, np.nan)
    return CuttingShape(
        axis_mm=axis,
        arc_mm=arc,
        axis_sigma_mm=np.full(len(arc), 0.1),
        width_mm=width,
        width_sigma_mm=np.full(len(arc), 0.04),
        foliage_from_mm=stripped_mm,
        foliage_from_sigma_mm=0.6,
        tip_sigma_mm=0.3,
        base_sigma_mm=0.1,
        base_doubt=0.0,
        foliage_area_mm2=600.0,
        foliage_area_sigma_mm2=9.0,
        browned_share=0.02,
        browned_share_sigma=0.01,
        side_tips_mm=(),
        strays_mm=np.zeros((0, 2)),
        heel=heel,
        base_width_sigma_mm=0.04,
    )


def measured_from(shape: CuttingShape) -> Traits:
    """Measure a synthetic shape: plain geometry, written apart from the traits stage."""
    total = float(shape.arc_mm[-1])
    start = shape.heel.length_mm if shape.heel else 0.0
    is_base = (shape.arc_mm >= start + 3.0) & (shape.arc_mm <= start + 10.0) & np.isfinite(shape.width_mm)
    base = float(shape.width_mm[is_base].mean()) if is_base.any() else math.nan
    heading = np.unwrap(np.arctan2(*np.diff(shape.axis_mm, axis=0).T[::-1]))
    bends = np.abs(np.degrees(np.diff(heading)))
    is_low = shape.arc_mm[1:-1] < total - 20.0
    sharpest = float(bends[is_low].max(initial=0.0))
    at_mm = float(shape.arc_mm[1:-1][is_low][bends[is_low].argmax()]) if is_low.any() else 0.0
    heel_mm = shape.heel.length_mm if shape.heel else 0.0
    return plain_traits(
        total_length_mm=Measured(total, 0.4),
        stripped_length_mm=Measured(shape.foliage_from_mm, 0.6),
        base_diameter_mm=Measured(base, 0.04 if math.isfinite(base) else math.nan),
        foliage_area_mm2=Measured(shape.foliage_area_mm2, 9.0),
        crook_deg=Measured(sharpest, 1.0),
        crook_at_mm=Measured(at_mm, 3.0),
        heel_length_mm=Measured(heel_mm, 0.3),
        strays_count=Measured(float(len(shape.strays_mm)), 0.0),
    )


def outline_of(shape: CuttingShape, half_width_mm: float = 6.0) -> Points:
    """Return a closed outline: narrow along the bare stem, wide along the foliage."""
    along = np.gradient(shape.axis_mm, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    half = np.where(np.isfinite(shape.width_mm), np.nan_to_num(shape.width_mm) / 2.0, half_width_mm)
    left, right = shape.axis_mm + half[:, None] * across, shape.axis_mm - half[:, None] * across
    return np.concatenate([left, right[::-1]])


def straight_pose(mat_id: str = "A4-1", warnings: tuple[str, ...] = ()) -> MatPose:
    """Return the pose of a mat seen from straight above at 10 px per mm, 20 px in from the corner."""
    plane = PlaneMap(
        homography=np.array([[PX_PER_MM, 0.0, 20.0], [0.0, PX_PER_MM, 20.0], [0.0, 0.0, 1.0]]),
        centre_px=(1500.0, 1060.0),
        radius_px=1837.0,
        k1=0.0,
        k2=0.0,
        p1=0.0,
        p2=0.0,
        eye_mm=(148.0, 104.0, 350.0),
    )
    return MatPose(
        mat_id=mat_id,
        page_mm=PAGE_MM,
        lay_area_mm=(25.0, 25.0, 272.0, 185.0),
        fiducials_mm=(),
        plane=plane,
        n_fiducials=20,
        n_fiducials_expected=20,
        residual_rms_px=0.1,
        residual_rms_mm=0.01,
        position_sigma_mm=0.03,
        scale_sigma=0.001,
        print_scale=1.0,
        print_scale_source="assumed",
        tilt_deg=0.0,
        curl_mm=0.0,
        px_per_mm=PX_PER_MM,
        warnings=warnings,
    )


def graded_cutting(number: int, shape: CuttingShape, targets: Targets | None = None) -> Cutting:
    """Return a shape measured and graded."""
    traits = measured_from(shape)
    grade = grade_cutting(traits, targets or load_targets(), shape)
    return Cutting(number, "", outline_of(shape), shape, traits, grade)


def graded_photo(path: Path = Path("tray 1.jpg"), batch: Mapping[str, str] | None = None) -> GradedPhoto:
    """Return a tray with one cutting of each grade and one thing set aside.

    1: grade 1; 2: grade 2 (too short for 75 mm); 3: cull (oversized all along); 4: unsure (74.8 mm).
    """
    shapes = (
        straight_shape(base_mm=(120.0, 50.0), angle_deg=180.0),
        straight_shape(length_mm=66.0, stripped_mm=27.0, base_mm=(250.0, 60.0), angle_deg=180.0),
        straight_shape(length_mm=70.0, width_mm=9.0, base_mm=(120.0, 110.0), angle_deg=180.0),
        straight_shape(length_mm=74.8, base_mm=(250.0, 120.0), angle_deg=180.0),
    )
    pen = np.array([[60.0, 150.0], [190.0, 150.0], [190.0, 158.0], [60.0, 158.0]])
    return GradedPhoto(
        path=path,
        sha256="0" * 64,
        taken_at=None,
        camera="Generic Phone",
        image_size_px=(3010, 2140),
        pose=straight_pose(),
        cuttings=tuple(graded_cutting(number, shape) for number, shape in enumerate(shapes, start=1)),
        set_aside=(SetAside(SilhouetteKind.OBJECT, "This is not a cutting: take it off.", pen, 1040.0),),
        batch=dict(batch or {}),
    )


def with_strays(shape: CuttingShape, *at_mm: float) -> CuttingShape:
    """Return the shape with a stray needle on its axis at each distance from the base."""
    places = [[np.interp(at, shape.arc_mm, shape.axis_mm[:, k]) for k in (0, 1)] for at in at_mm]
    return replace(shape, strays_mm=np.array(places, dtype=float).reshape(-1, 2))
