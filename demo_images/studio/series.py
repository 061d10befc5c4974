"""Random sets for measuring the grader: "dev" to develop on, "judge" for figures only.

The two differ in seeds and in the ranges that everything is drawn from, so that a figure of the judging
set says something about photos never seen before.  Half of each set is taken in even light; each other
photo has one difficulty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.design import mat_layout

from .camera import CameraPlan, place_camera
from .develop import Development
from .layout import LayPlan
from .lights import Light, light_of
from .photo import Clutter, PhotoPlan, Spot
from .random_cuttings import CuttingRanges, random_cuttings
from .surroundings import Curl

Rng = np.random.Generator
Range = tuple[float, float]

CONDITIONS = (
    "even", "even", "sun", "even", "tilt", "even", "warm", "even", "debris", "even", "curled",
    "even", "covered", "even", "distortion", "even", "miniature", "even", "oversize", "even", "card",
    "lowres",
)  # fmt: skip
"""Taken in turn."""
EVEN_LIGHTS = ("soft", "soft", "window", "two lamps")
BENCHES = ("wood", "steel", "slate", "board")
USUAL_COUNT = 44
"""Two rounds of the conditions: more than 500 cuttings."""
MARGIN_SHARE = 0.015
"""Least bench seen beside the page, as a share of the picture."""


@dataclass(frozen=True, slots=True)
class Ranges:
    """What a set is drawn from."""

    first_seed: int
    cuttings: CuttingRanges
    focal_35mm: Range
    k1: Range
    tilt_deg: Range
    steep_deg: Range
    fill: Range
    print_scale: Range
    blur_px: Range
    sharpen: Range
    contrast: Range
    angles_deg: Sequence[float]
    """Usual directions from cut end to tip, from +x towards +y."""


SETS = {
    "dev": Ranges(
        first_seed=20_000,
        cuttings=CuttingRanges((60, 135), (10, 32), 2.25, (0.8, 1.15), (0.35, 0.85)),
        focal_35mm=(24, 28),
        k1=(-0.02, 0.05),
        tilt_deg=(1, 14),
        steep_deg=(15, 25),
        fill=(0.84, 0.92),
        print_scale=(0.985, 1.015),
        blur_px=(0.5, 0.75),
        sharpen=(0.15, 0.5),
        contrast=(0.1, 0.35),
        angles_deg=(-90, -90, -75, -105),
    ),
    "judge": Ranges(
        first_seed=70_000,
        cuttings=CuttingRanges((55, 150), (6, 38), 2.4, (0.7, 1.25), (0.3, 1.0)),
        focal_35mm=(23, 30),
        k1=(-0.05, 0.08),
        tilt_deg=(0, 15),
        steep_deg=(16, 25),
        fill=(0.82, 0.94),
        print_scale=(0.97, 1.02),
        blur_px=(0.45, 0.9),
        sharpen=(0.0, 0.7),
        contrast=(0.0, 0.5),
        angles_deg=(-90, -88, -60, -120, 0),
    ),
}


def photos(name: str, count: int = USUAL_COUNT) -> list[PhotoPlan]:
    """Return ``count`` plans of a set in :data:`SETS`; each photo has its own random numbers."""
    return [_photo(name, number, SETS[name]) for number in range(count)]


def _photo(name: str, number: int, ranges: Ranges) -> PhotoPlan:
    seed = ranges.first_seed + number
    rng = np.random.default_rng(seed)
    condition = CONDITIONS[number % len(CONDITIONS)]
    light = condition if condition in ("sun", "warm") else str(rng.choice(EVEN_LIGHTS))
    return PhotoPlan(
        f"{name}_{number:02d}_{condition}",
        (name, condition),
        random_cuttings(condition, ranges.cuttings, rng),
        _camera(condition, ranges, rng),
        _light(light, rng),
        seed,
        bench=str(rng.choice(BENCHES)),
        curl=Curl(float(rng.uniform(1.0, 2.0)), float(rng.uniform(0, 6)))
        if condition == "curled"
        else Curl(),
        lay=LayPlan(
            angle_deg=float(rng.choice(ranges.angles_deg)),
            spread_deg=float(rng.uniform(3, 12)),
            crowd_gap_mm=6.0 if light in ("sun", "warm") else 3.5,
        ),
        clutter=_clutter(condition, rng),
        development=_development(light, ranges, rng),
        plain_samples=25,
        fine_samples=36,
        print_scale=float(rng.uniform(*ranges.print_scale)) if condition == "card" else 1.0,
    )


def _light(name: str, rng: Rng) -> Light:
    return light_of(name, float(rng.uniform(0, 360)), float(rng.uniform(35, 65)))


def _camera(condition: str, ranges: Ranges, rng: Rng) -> CameraPlan:
    tilt = rng.uniform(*(ranges.steep_deg if condition == "tilt" else ranges.tilt_deg))
    k1 = rng.uniform(*ranges.k1)
    if condition == "distortion":
        k1 = rng.choice([-1.0, 1.0]) * rng.uniform(0.09, 0.14)
    width, height = (2016, 1512) if condition == "lowres" else (4032, 3024)
    plan = CameraPlan(
        width_px=width,
        height_px=height,
        focal_35mm=float(rng.uniform(*ranges.focal_35mm)),
        tilt_deg=float(tilt),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.normal(0, 2)),
        fill=float(rng.uniform(*ranges.fill)),
        aim_mm=(float(rng.normal(0, 4)), float(rng.normal(0, 3))),
        k1=float(k1),
        k2=float(-k1 * rng.uniform(0.2, 1.2)),
        p1=float(rng.normal(0, 4e-4)),
        p2=float(rng.normal(0, 4e-4)),
        centre_off_px=(float(rng.normal(0, 12)), float(rng.normal(0, 12))),
    )
    return _stepped_back(plan)


def _stepped_back(plan: CameraPlan) -> CameraPlan:
    """Return the camera so far back that the whole page is in the picture."""
    width, height = mat_layout("A4").page_mm
    corners = np.array([[x * width / 2, y * height / 2, 0.0] for x in (-1, 1) for y in (-1, 1)])
    size = np.array([plan.width_px, plan.height_px])
    while True:
        px = place_camera(plan, (width, height)).seen_at_px(corners)
        if ((px > MARGIN_SHARE * size) & (px < (1 - MARGIN_SHARE) * size)).all():
            return plan
        plan = replace(plan, fill=plan.fill * 0.98)


def _clutter(condition: str, rng: Rng) -> Clutter:
    width, height = mat_layout("A4").page_mm
    if condition == "debris":
        has_pen = rng.random() < 0.4
        return Clutter(
            crumbs=int(rng.integers(20, 60)),
            needles=int(rng.integers(5, 18)),
            drops=int(rng.integers(0, 4)),
            pen=(width * float(rng.uniform(0.45, 0.55)), height - 42.0, float(rng.normal(0, 2)))
            if has_pen
            else None,
        )
    if condition == "card":
        spot = (
            width - 78.0 - float(rng.uniform(0, 10)),
            64.0 + float(rng.uniform(0, 8)),
            float(rng.uniform(-8, 8)),
        )
        return Clutter(card=spot)
    if condition == "covered":
        above: Spot = (float(rng.uniform(60, width - 60)), 16.0, float(rng.uniform(-4, 4)))
        left: Spot = (14.0, float(rng.uniform(70, height - 70)), 90.0 + float(rng.uniform(-4, 4)))
        return Clutter(labels=(above, left))
    return Clutter()


def _development(light: str, ranges: Ranges, rng: Rng) -> Development:
    return Development(
        blur_px=float(rng.uniform(*ranges.blur_px)),
        electrons=float(rng.uniform(2500, 5000) if light == "warm" else rng.uniform(4000, 12000)),
        exposure=float(rng.uniform(0.8, 1.05)),
        contrast=float(rng.uniform(*ranges.contrast)),
        sharpen=float(rng.uniform(*ranges.sharpen)),
        sharpen_px=float(rng.uniform(0.8, 1.5)),
        quality=int(rng.integers(88, 95)),
        orientation=int(rng.choice([1, 1, 1, 3, 6, 6, 8, 2, 5])),
        vignette=float(rng.uniform(0.02, 0.2)),
    )
