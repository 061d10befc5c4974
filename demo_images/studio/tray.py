"""A photo's plan becomes a tray: cuttings and things on the sheet, the stage to render, the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calib.design import mat_design

from . import props as things
from .camera import Camera, CameraPlan, place_camera
from .develop import DevelopPlan
from .layout import covered_cells, empty_cells, lay_out
from .lights import Light, make_light
from .mesh import Mesh, joined
from .plan import CuttingPlan
from .plants import Cutting, build_cutting
from .props import Prop
from .render import Stage, curl_height
from .surfaces import bench, printed_sheet
from .truth import FromAbove, Sheet, look_from_above, measure, neighbours

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class PhotoPlan:
    """One photo before it is made."""

    name: str
    about: str
    seed: int
    cuttings: tuple[CuttingPlan, ...]
    mat: str = "A4"
    light: str = "overcast"
    light_azimuth_deg: float | None = None
    bench: str = "planks"
    camera: CameraPlan = field(default_factory=CameraPlan)
    develop: DevelopPlan = field(default_factory=DevelopPlan)
    angle_deg: float = 90.0
    """Usual direction base to tip, counter-clockwise from the page's right."""
    angle_spread_deg: float = 8.0
    gap_mm: float = 4.0
    curl_mm: float = 0.0
    print_scale: float = 1.0
    crumbs: int = 0
    fallen: int = 0
    pen: bool = False
    drop: bool = False
    card: bool = False
    covered: int = 0
    """Plant labels laid over the printed border."""
    overlap: bool = False
    """The last cutting of the plan lies across the one before it."""
    tags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Tray:
    """Everything known before light is traced."""

    plan: PhotoPlan
    sheet: Sheet
    cuttings: tuple[Cutting, ...]
    views: tuple[FromAbove, ...]
    props: tuple[Prop, ...]
    camera: Camera
    light: Light


def set_up(plan: PhotoPlan) -> Tray:
    """Return the tray of a plan; the same plan gives the same tray."""
    rng = np.random.default_rng(plan.seed)
    layout = mat_design(plan.mat).layout
    sheet = Sheet(layout.page_mm, plan.print_scale)
    area = layout.lay_area_mm
    light = make_light(plan.light, rng, plan.light_azimuth_deg)
    props = _props(plan, sheet, area, rng)
    taken = empty_cells(sheet)
    for prop in props:
        if prop.name in ("pen", "card", "drop"):
            taken |= _prop_cells(prop, sheet)
    built = [build_cutting(cutting, rng) for cutting in plan.cuttings]
    alone, upper = (built[:-1], built[-1]) if plan.overlap else (built, None)
    placed = lay_out(
        alone,
        sheet,
        area,
        angle_deg=plan.angle_deg,
        angle_spread_deg=plan.angle_spread_deg,
        gap_mm=plan.gap_mm,
        taken=taken,
        rng=rng,
    )
    if upper is not None:
        placed.append(_across(upper, placed, sheet, area, taken, rng))
    camera = place_camera(
        plan.camera, (sheet.page_mm[0] * plan.print_scale, sheet.page_mm[1] * plan.print_scale)
    )
    views = tuple(look_from_above(cutting, sheet) for cutting in placed)
    order = sorted(range(len(placed)), key=lambda k: _reading_order(placed[k], sheet))
    return Tray(
        plan,
        sheet,
        tuple(placed[k] for k in order),
        tuple(views[k] for k in order),
        tuple(props),
        camera,
        light,
    )


def _reading_order(cutting: Cutting, sheet: Sheet) -> tuple[float, float]:
    x, y = sheet.page_from_world(cutting.axis_mm.mean(axis=0)[None])[0]
    return (float(np.floor(y / 60.0)), float(x))


def _prop_cells(prop: Prop, sheet: Sheet) -> Any:
    page = sheet.page_from_world(prop.mesh.vertices_mm)
    cells = empty_cells(sheet)
    x0, y0 = np.floor(page.min(axis=0)).astype(int) - 5
    x1, y1 = np.ceil(page.max(axis=0)).astype(int) + 5
    cells[max(y0, 0) : y1, max(x0, 0) : x1] = True
    return cells


def _across(
    upper: Cutting,
    placed: list[Cutting],
    sheet: Sheet,
    area: tuple[float, float, float, float],
    taken: Any,
    rng: Rng,
) -> Cutting:
    """Lay ``upper`` across one of the placed cuttings and clear of all the others."""
    best: tuple[float, Cutting] | None = None
    cells = [covered_cells(cutting, sheet, 2.0) for cutting in placed]
    left, top, right, bottom = area
    for number, lower in enumerate(placed):
        others = taken.copy()
        for k, other in enumerate(cells):
            if k != number:
                others |= other
        heading = lower.axis_mm[-1] - lower.axis_mm[0]
        usual = np.degrees(np.arctan2(heading[1], heading[0]))
        for _ in range(25):
            target = lower.axis_mm[int(rng.uniform(0.2, 0.7) * len(lower.axis_mm))]
            angle = usual + rng.choice([-1, 1]) * rng.uniform(25, 75)
            a = np.radians(angle)
            base = target - upper.plan.length_mm * rng.uniform(0.3, 0.7) * np.array([np.cos(a), np.sin(a)])
            lying = upper.placed(
                (float(base[0]), float(base[1])), float(angle), 1.2 * lower.plan.base_width_mm
            )
            page = sheet.page_from_world(lying.mesh.vertices_mm)
            outside = max(
                left - page[:, 0].min(),
                page[:, 0].max() - right,
                top - page[:, 1].min(),
                page[:, 1].max() - bottom,
            )
            clash = float((others & covered_cells(lying, sheet, 2.0)).sum()) + 50.0 * max(outside + 1.0, 0.0)
            if best is None or clash < best[0]:
                best = (clash, lying)
        if best is not None and best[0] == 0.0:
            break
    if best is None:
        raise ValueError("an overlapping pair needs at least two cuttings")
    return best[1]


def _props(plan: PhotoPlan, sheet: Sheet, area: tuple[float, float, float, float], rng: Rng) -> list[Prop]:
    left, top, right, bottom = area
    found = []
    if plan.crumbs:
        found.append(things.crumbs(plan.crumbs, area, sheet, rng))
    if plan.fallen:
        kind = plan.cuttings[0].kind if plan.cuttings else "awl"
        found.append(things.fallen_leaves(plan.fallen, kind, area, sheet, rng))
    if plan.pen:
        at = (left + rng.uniform(0.25, 0.4) * (right - left), bottom - rng.uniform(9, 12))
        found.append(things.pen(at, float(rng.uniform(-1.5, 1.5)), sheet, rng))
    if plan.drop:
        at = (right - rng.uniform(10, 20), top + rng.uniform(10, 20))
        found.append(things.water_drop(at, float(rng.uniform(2.5, 5.0)), sheet))
    if plan.card:
        at = (right - 46 - rng.uniform(0, 10), top + 32 + rng.uniform(0, 8))
        found.append(things.card(at, float(rng.uniform(-8, 8)), sheet, rng))
    found += _labels(plan, sheet, rng)
    return found


def _labels(plan: PhotoPlan, sheet: Sheet, rng: Rng) -> list[Prop]:
    """Return plant labels over the border, all on one side and a corner."""
    width, height = sheet.page_mm
    found = []
    for number in range(plan.covered):
        if number % 2 == 0:
            at, turn = (rng.uniform(20, width - 90), rng.uniform(10.0, 22.0)), rng.uniform(-4, 4)
        else:
            at, turn = (rng.uniform(2.0, 8.0), rng.uniform(70, height - 20)), 90 + rng.uniform(-4, 4)
        found.append(things.label((float(at[0]), float(at[1])), float(turn), (62.0, 15.0), sheet))
    return found


def stage_of(tray: Tray) -> Stage:
    """Return what the renderer needs."""
    plan, sheet = tray.plan, tray.sheet
    true_mm = (sheet.page_mm[0] * sheet.print_scale, sheet.page_mm[1] * sheet.print_scale)
    curl_axis = _curl_axis(plan)

    def on_sheet(mesh: Mesh) -> Mesh:
        points = mesh.vertices_mm.copy()
        points[:, 2] += curl_height(points, true_mm, plan.curl_mm, curl_axis)
        return mesh.moved(points)

    rng = np.random.default_rng(plan.seed + 1)
    return Stage(
        camera=tray.camera,
        light=tray.light,
        sheet_mm=true_mm,
        sheet_picture=printed_sheet(mat_design(plan.mat), rng),
        curl_mm=plan.curl_mm,
        curl_axis_deg=curl_axis,
        bench_picture=bench(plan.bench, rng),
        plants=on_sheet(joined([cutting.mesh for cutting in tray.cuttings])),
        things=on_sheet(joined([prop.mesh for prop in tray.props if not prop.is_water])),
        water=on_sheet(joined([prop.mesh for prop in tray.props if prop.is_water])),
    )


def _curl_axis(plan: PhotoPlan) -> float:
    return float(np.random.default_rng(plan.seed + 2).choice([0.0, 0.0, 90.0, 25.0, 150.0]))


def truth_of(tray: Tray) -> dict[str, Any]:
    """Return the truth file's content."""
    plan, camera = tray.plan, tray.camera
    overlaps, touches = neighbours(list(tray.views))
    cuttings = []
    for number, (cutting, view) in enumerate(zip(tray.cuttings, tray.views, strict=True)):
        numbers = {"id": number, **measure(cutting, view, tray.sheet)}
        numbers["overlaps"], numbers["touches"] = overlaps[number], touches[number]
        numbers["in_frame"] = _in_frame(cutting, camera)
        cuttings.append(numbers)
    return {
        "name": plan.name,
        "about": plan.about,
        "definitions": "lengths along the axis seen from straight above; base diameter 3 to 10 mm above the cut; "
        "true mm; *_mat in page mm, origin top left, y down",
        "tags": list(plan.tags),
        "mat_id": mat_design(plan.mat).layout.mat_id,
        "mat_size_mm": list(tray.sheet.page_mm),
        "lay_area_mat": list(mat_design(plan.mat).layout.lay_area_mm),
        "print_scale": plan.print_scale,
        "curl_mm": plan.curl_mm,
        "curl_axis_deg": _curl_axis(plan) if plan.curl_mm else None,
        "image_size": list(camera.size_px),
        "exif_orientation": plan.develop.orientation,
        "camera": camera.as_truth(),
        "px_per_mm": camera.focal_px / float(np.linalg.norm(camera.eye_mm)),
        "light": tray.light.as_truth(),
        "bench": plan.bench,
        "props": {
            prop.name + (f" {k}" if prop.name == "label" else ""): prop.truth
            for k, prop in enumerate(tray.props)
        },
        "debris": {"crumbs": plan.crumbs, "fallen": plan.fallen} if plan.crumbs or plan.fallen else None,
        "seed": plan.seed,
        "cuttings_asked": len(plan.cuttings),
        "cuttings_placed": len(cuttings),
        "cuttings": cuttings,
    }


def _in_frame(cutting: Cutting, camera: Camera) -> float:
    px = camera.px_from_world(cutting.mesh.vertices_mm[::7])
    inside = (px >= 0).all(axis=1) & (px <= np.array(camera.size_px) - 1).all(axis=1)
    return float(inside.mean())


def shrunk(plan: PhotoPlan, share: float) -> PhotoPlan:
    """Return the same photo with fewer pixels, for a trial."""
    width, height = plan.camera.size_px
    size = (int(width * share), int(height * share))
    return replace(plan, camera=replace(plan.camera, size_px=size))


PlanMaker = Callable[[Rng], CuttingPlan]
