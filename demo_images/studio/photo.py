"""One photo from its plan: cuttings built and laid, traced, developed, with the truth beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.design import INCH_MM, mat_design
from calib.draw import raster

from .camera import Camera, CameraPlan, place_camera, world_of_page
from .cutting import Cutting, build_cutting
from .develop import Development, develop, jpeg_bytes, through_lens
from .layout import LayPlan, lay
from .lights import Light
from .mesh import Mesh, joined
from .plan import CuttingPlan
from .surroundings import Curl, bench_texture, crumbs, fallen_needles, pen, printed
from .truth import cutting_truth, look_from_above, neighbours

Floats = NDArray[np.float64]

PRINT_PX_PER_MM = 20.0
PAIR_LIFT_MM = 2.0
"""The upper cutting of an overlapping pair rests on the lower."""
TOUCH_MM = 0.4
CRUMB_GAP_MM = 2.0
PEN_LENGTH_MM, PEN_WIDTH_MM = 138.0, 9.5


@dataclass(frozen=True, slots=True)
class Clutter:
    """What lies about."""

    crumbs: int = 0
    needles: int = 0
    drops: int = 0
    pen: tuple[float, float, float] | None = None
    """Page x, page y, angle; none if None."""


@dataclass(frozen=True, slots=True)
class PhotoPlan:
    """One photo."""

    name: str
    tags: tuple[str, ...]
    cuttings: tuple[CuttingPlan, ...]
    camera: CameraPlan
    light: Light
    seed: int
    bench: str = "wood"
    curl: Curl = field(default_factory=Curl)
    lay: LayPlan = field(default_factory=LayPlan)
    clutter: Clutter = Clutter()
    development: Development = field(default_factory=Development)
    samples: int = 128
    mat: str = "A4"


@dataclass(frozen=True, slots=True, eq=False)
class Arranged:
    """A plan with its geometry."""

    plan: PhotoPlan
    page_mm: tuple[float, float]
    camera: Camera
    cuttings: list[Cutting]
    loose: Mesh
    glossy: Mesh
    drops_mm: Floats
    props: dict[str, Any]


def arrange(plan: PhotoPlan) -> Arranged:
    """Return the geometry of a plan."""
    rng = np.random.default_rng(plan.seed)
    layout = mat_design(plan.mat).layout
    built = [build_cutting(one, rng) for one in plan.cuttings]
    glossy, props = joined([]), {}
    if plan.clutter.pen is not None:
        x, y, angle = plan.clutter.pen
        glossy, props["pen"] = pen((x, y), angle, PEN_LENGTH_MM, PEN_WIDTH_MM, (0.02, 0.05, 0.16))
    taken = glossy.vertices_mm[:, :2]
    if len(taken):
        # a pen has long faces: fill in between its corners
        along = np.linspace(0, 1, 60)[:, None, None]
        taken = (taken[:32] + along * (taken[-32:] - taken[:32])).reshape(-1, 2)
    cuttings = lay(built, plan.lay, layout.lay_area_mm, taken, rng)
    if plan.lay.is_pair_overlapping:
        cuttings[-1] = cuttings[-1].laid_higher(PAIR_LIFT_MM)
    loose, drops, told = _clutter(plan.clutter, cuttings, layout.lay_area_mm, rng)
    camera = place_camera(plan.camera, layout.page_mm)
    return Arranged(plan, layout.page_mm, camera, cuttings, loose, glossy, drops, {**props, **told})


def _clutter(
    clutter: Clutter,
    cuttings: list[Cutting],
    area: tuple[float, float, float, float],
    rng: np.random.Generator,
) -> tuple[Mesh, Floats, dict[str, Any]]:
    """Return crumbs and needles, drops, and what the truth tells of them; all clear of the cuttings."""
    plants = np.concatenate([c.mesh.vertices_mm[::7, :2] for c in cuttings])

    def places(count: int) -> Floats:
        found: list[Floats] = []
        while len(found) < count:
            spot = rng.uniform(area[:2], area[2:])
            if np.min(np.sum((plants - spot) ** 2, axis=1)) > (CRUMB_GAP_MM + 3.0) ** 2:
                found.append(spot)
        return np.array(found).reshape(-1, 2)

    at_crumbs, at_needles, at_drops = (places(n) for n in (clutter.crumbs, clutter.needles, clutter.drops))
    sizes = rng.uniform(0.5, 2.6, clutter.crumbs)
    loose = joined([crumbs(at_crumbs, sizes, rng), fallen_needles(at_needles, rng)])
    drops = np.column_stack([at_drops, rng.uniform(0.8, 2.4, clutter.drops)])
    told = {
        "crumbs_mat": np.round(at_crumbs, 2).tolist(),
        "needles_mat": np.round(at_needles, 2).tolist(),
        "drops_mat": np.round(at_drops, 2).tolist(),
    }
    return loose, drops, {key: value for key, value in told.items() if value}


def truth_of(arranged: Arranged) -> dict[str, Any]:
    """Return the truth of a photo, all from geometry."""
    plan, camera = arranged.plan, arranged.camera
    seen = [look_from_above(cutting) for cutting in arranged.cuttings]
    overlaps = neighbours(seen, arranged.page_mm, 0.0)
    close = neighbours(seen, arranged.page_mm, TOUCH_MM)
    told = []
    for k, (cutting, look) in enumerate(zip(arranged.cuttings, seen, strict=True)):
        points = world_of_page(cutting.mesh.vertices_mm[::5], arranged.page_mm)
        px = camera.seen_at_px(points)
        inside = ((px >= 0) & (px < [camera.width_px, camera.height_px])).all(axis=1)
        ends = np.array([[*cutting.axis_mm[i], cutting.height_mm[i]] for i in (0, -1)])
        base_px, tip_px = camera.seen_at_px(world_of_page(ends, arranged.page_mm))
        told.append(
            {
                **cutting_truth(k, cutting, look),
                "overlaps": overlaps[k],
                "touches": [j for j in close[k] if j not in overlaps[k]],
                "in_frame": float(inside.mean()),
                "base_px": np.round(base_px, 1).tolist(),
                "tip_px": np.round(tip_px, 1).tolist(),
            }
        )
    return {
        "name": plan.name,
        "tags": list(plan.tags),
        "mat": plan.mat,
        "mat_size_mm": list(arranged.page_mm),
        "print_scale": 1.0,
        "curl_mm": plan.curl.height_mm,
        "image_size": [camera.width_px, camera.height_px],
        "exif_orientation": plan.development.orientation,
        "camera": camera.described(),
        "light": plan.light.described(),
        "props": arranged.props,
        "cuttings": told,
    }


def make_photo(plan: PhotoPlan, folder: Path) -> Path:
    """Write ``NAME.jpg`` and ``NAME.truth.json``; needs Mitsuba. Return the picture's path."""
    from .scene import Stage, trace

    arranged = arrange(plan)
    rng = np.random.default_rng(plan.seed + 1)
    stage = Stage(
        arranged.page_mm,
        printed(raster(mat_design(plan.mat), PRINT_PX_PER_MM * INCH_MM), rng),
        bench_texture(plan.bench, rng),
        plan.curl,
        joined([*(c.mesh for c in arranged.cuttings), arranged.loose]),
        arranged.glossy,
        arranged.drops_mm,
        plan.light,
    )
    canvas = trace(stage, arranged.camera, samples=plan.samples, seed=plan.seed)
    picture = develop(through_lens(canvas, arranged.camera), plan.development, plan.light.white, rng)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{plan.name}.jpg"
    path.write_bytes(jpeg_bytes(picture, plan.development, plan.camera.focal_35mm))
    (folder / f"{plan.name}.truth.json").write_text(
        json.dumps(truth_of(arranged), indent=1), encoding="utf-8"
    )
    return path
