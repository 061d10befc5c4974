"""Series of random photos for measuring the grader: other seeds and ranges than the demo set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .camera import CameraPlan
from .develop import Development
from .layout import LayPlan
from .lights import light_of
from .photo import Clutter, PhotoPlan
from .plan import CuttingPlan
from .recipes import crooked, heeled, tiny, usual
from .surroundings import Curl

SETS = {"dev": 5000, "judge": 9000}
"""First seed of each series."""
LIGHTS = ("soft", "window", "sun", "warm", "two lamps")
BENCHES = ("wood", "steel", "slate", "board")


def _cutting(rng: np.random.Generator) -> CuttingPlan:
    kind = str(rng.choice(["scale", "scale", "scale", "awl", "needle", "broad"]))
    sort = rng.choice(
        ["usual", "crooked", "heel", "thick", "tiny", "bare", "brown", "short"],
        p=[0.42, 0.12, 0.10, 0.08, 0.08, 0.06, 0.08, 0.06],
    )
    plan = usual(rng, kind=kind, length_mm=(60, 125), stripped_mm=(12, 36), strays=0.2)
    if sort == "crooked":
        return crooked(plan, rng, at_mm=(14, 32), deg=(12, 60))
    if sort == "heel":
        return heeled(plan, rng)
    if sort == "thick":
        return replace(plan, base_width_mm=rng.uniform(4.0, 10.5), length_mm=max(plan.length_mm, 85.0))
    if sort == "tiny":
        return tiny(rng, kind)
    if sort == "bare":
        return replace(plan, stripped_mm=rng.uniform(2.0, 8.0))
    if sort == "brown":
        return replace(plan, brown=rng.uniform(0.1, 0.7))
    if sort == "short":
        return replace(plan, length_mm=rng.uniform(40, 60), stripped_mm=rng.uniform(8, 18))
    return plan


def photos(name: str, count: int) -> list[PhotoPlan]:
    """Return ``count`` plans of a series in :data:`SETS`."""
    plans = []
    for k in range(count):
        seed = SETS[name] + k
        rng = np.random.default_rng(seed)
        number = int(rng.integers(3, 9))
        plans.append(
            PhotoPlan(
                f"{name}_{k:02d}",
                (name,),
                tuple(_cutting(rng) for _ in range(number)),
                CameraPlan(
                    focal_35mm=float(rng.choice([24.0, 26.0, 28.0])),
                    tilt_deg=rng.uniform(0, 15),
                    tilt_towards_deg=rng.uniform(-180, 180),
                    roll_deg=rng.normal(0, 3),
                    fill=rng.uniform(0.76, 0.86),
                    aim_mm=(rng.normal(0, 4), rng.normal(0, 3)),
                    k1=rng.uniform(-0.02, 0.02),
                    k2=rng.uniform(-0.015, 0.015),
                    centre_off_px=(rng.normal(0, 8), rng.normal(0, 8)),
                ),
                light_of(str(rng.choice(LIGHTS)), rng.uniform(0, 360), rng.uniform(35, 65)),
                seed,
                bench=str(rng.choice(BENCHES)),
                curl=Curl(rng.uniform(0, 0.8), rng.uniform(0, 6)),
                lay=LayPlan(
                    angle_deg=float(rng.choice([-90, -90, 0, 90])),
                    spread_deg=8.0,
                    is_row=bool(rng.random() < 0.7),
                ),
                clutter=Clutter(
                    crumbs=int(rng.choice([0, 0, 8])),
                    needles=int(rng.choice([0, 0, 6])),
                    drops=int(rng.choice([0, 0, 3])),
                ),
                development=Development(
                    blur_px=rng.uniform(0.5, 1.0),
                    electrons=rng.uniform(3500, 12000),
                    exposure=rng.uniform(0.8, 1.05),
                    sharpen=rng.uniform(0.2, 0.7),
                    orientation=int(rng.choice([1, 3, 6, 8])),
                ),
                samples=64,
            )
        )
    return plans
