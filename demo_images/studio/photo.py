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
from .develop import Development, develop, jpeg_bytes
from .flat_things import card, label
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


Spot = tuple[float, float, float]
"""Where a thing lies: x, y in mm from the sheet's top left corner, angle in degrees."""


@dataclass(frozen=True, slots=True)
class Clutter:
    """What lies about."""

    crumbs: int = 0
    needles: int = 0
    drops: int = 0
    pen: Spot | None = None
    card: Spot | None = None
    labels: tuple[Spot, ...] = ()


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
    plain_samples: int = 49
    fine_samples: int = 64
    mat: str = "A4"
    print_scale: float = 1.0
    """True mm per drawn mm."""


@dataclass(frozen=True, slots=True, eq=False)
class Arranged:
    """A plan with its geometry, in true mm from the sheet's top left corner."""

    plan: PhotoPlan
    page_mm: tuple[float, float]
    """As printed."""
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
    scale = plan.print_scale
    page = (layout.page_mm[0] * scale, layout.page_mm[1] * scale)
    left, top, right, bottom = (side * scale for side in layout.lay_area_mm)
    built = [build_cutting(one, rng) for one in plan.cuttings]
    glossy, taken, props = _things(plan.clutter, rng)
    cuttings = lay(built, plan.lay, (left, top, right, bottom), taken, rng)
    if plan.lay.is_pair_overlapping:
        cuttings[-1] = cuttings[-1].laid_higher(PAIR_LIFT_MM)
    loose, drops, told = _clutter(plan.clutter, cuttings, (left, top, right, bottom), rng)
    camera = place_camera(plan.camera, page)
    return Arranged(plan, page, camera, cuttings, loose, glossy, drops, {**props, **told})


def _things(clutter: Clutter, rng: np.random.Generator) -> tuple[Mesh, Floats, dict[str, Any]]:
    """Return things left on the sheet, points of the places they take from cuttings, what truth says."""
    meshes, taken, told = [], [np.zeros((0, 2))], {}
    if clutter.pen is not None:
        x, y, angle = clutter.pen
        mesh, told["pen"] = pen((x, y), angle, PEN_LENGTH_MM, PEN_WIDTH_MM, (0.02, 0.05, 0.16))
        meshes.append(mesh)
        # a pen has long faces: fill in between its corners
        along = np.linspace(0, 1, 60)[:, None, None]
        ring = mesh.vertices_mm[:, :2]
        taken.append((ring[:32] + along * (ring[-32:] - ring[:32])).reshape(-1, 2))
    if clutter.card is not None:
        x, y, angle = clutter.card
        mesh, told["card"] = card((x, y), angle, rng)
        meshes.append(mesh)
        taken.append(mesh.vertices_mm[:, :2])
    for number, (x, y, angle) in enumerate(clutter.labels):
        mesh, told[f"label {number}"] = label((x, y), angle)
        meshes.append(mesh)
    return joined(meshes), np.concatenate(taken), told


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
        "mat_size_mm": list(mat_design(plan.mat).layout.page_mm),
        "mat_id": mat_design(plan.mat).layout.mat_id,
        "print_scale": plan.print_scale,
        "curl_mm": plan.curl.height_mm,
        "image_size": [camera.width_px, camera.height_px],
        "exif_orientation": plan.development.orientation,
        "camera": camera.described(),
        "light": plan.light.described(),
        "seed": plan.seed,
        "bench": plan.bench,
        "props": drawn_from_true(arranged.props, plan.print_scale),
        "cuttings": [drawn_from_true(one, plan.print_scale) for one in told],
    }


def drawn_from_true(told: dict[str, Any], print_scale: float) -> dict[str, Any]:
    """Return the same facts with places (keys that end in ``_mat``) and mask cells in drawn page mm.

    Lengths, widths and areas stay in true mm.
    """
    out: dict[str, Any] = {}
    for key, value in told.items():
        if isinstance(value, dict):
            out[key] = drawn_from_true(value, print_scale)
        elif key.endswith("_mat") or key == "px_mm":
            out[key] = (np.asarray(value) / print_scale).tolist() if print_scale != 1.0 else value
        else:
            out[key] = value
    return out


def make_photo(plan: PhotoPlan, folder: Path) -> Path:
    """Write ``NAME.jpg`` and ``NAME.truth.json``; needs Mitsuba. Return the picture's path."""
    from .scene import Stage
    from .trace import trace

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
    light = trace(
        stage,
        arranged.camera,
        plain_samples=plan.plain_samples,
        fine_samples=plan.fine_samples,
        seed=plan.seed,
    )
    picture = develop(light, plan.development, plan.light.white, rng)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{plan.name}.jpg"
    path.write_bytes(jpeg_bytes(picture, plan.development, plan.camera.focal_35mm))
    (folder / f"{plan.name}.truth.json").write_text(
        json.dumps(truth_of(arranged), indent=1), encoding="utf-8"
    )
    return path
