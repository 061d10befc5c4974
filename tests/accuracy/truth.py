"""NAME.truth.json -> what is really on the photo, in true mm of the mat frame.

The files give positions in page mm (as drawn); the code under test works in true mm.  One page mm is
``print_scale`` true mm, so positions are multiplied here, once.  The camera of the truth (OpenCV model,
world from the centre of the sheet, x right, y up, z up) is evaluated with the formulas of that model,
not with the code under test.
"""

from __future__ import annotations

import base64
import io
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.spatial import cKDTree

Points = NDArray[np.float64]

SUFFIX = ".truth.json"
TILT_PLAIN_MAX_DEG = 15.0
"""The goals for even conditions hold up to this tilt."""
CURL_PLAIN_MAX_MM = 1.0
"""Paper on a bench is never quite flat; the stress set has 2 mm and more."""
LOWRES_MAX_MP = 8.0
"""Photos below this many megapixels form a set of their own: between 4 and 12."""
STRESS_LIGHTS = ("hard_sun", "sun", "warm", "bulb")
"""Words in the name of a light that make it a stress condition."""


@dataclass(frozen=True, slots=True, eq=False)
class TruthCamera:
    """Pinhole with two radial and two tangential terms."""

    size_px: tuple[int, int]
    focal_px: tuple[float, float]
    centre_px: tuple[float, float]
    dist: tuple[float, ...]
    """k1, k2, p1, p2 (, k3)."""
    rotation: NDArray[np.float64]
    shift_mm: NDArray[np.float64]

    @property
    def eye_mm(self) -> NDArray[np.float64]:
        """Camera centre (3,), world: from the sheet's centre, y up."""
        return np.asarray(-self.rotation.T @ self.shift_mm)

    def px_from_world(self, world_mm: Points) -> Points:
        """Return (N, 2) px of (N, 3) world points, by the equations of the OpenCV camera model."""
        seen = world_mm @ self.rotation.T + self.shift_mm
        x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
        k1, k2, p1, p2, k3 = (*self.dist, 0.0)[:5]
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        bent_x = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
        bent_y = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
        return np.column_stack(
            [
                self.focal_px[0] * bent_x + self.centre_px[0],
                self.focal_px[1] * bent_y + self.centre_px[1],
            ]
        )


@dataclass(frozen=True, slots=True, eq=False)
class CuttingTruth:
    """One cutting as it is; lengths and positions in true mm."""

    id: int
    kind: str
    values: dict[str, float]
    """Name of the trait -> true value; nan where the definition gives none."""
    is_base_clear: bool
    base_mm: Points
    """(2,)."""
    tip_mm: Points
    """(2,)."""
    axis_mm: Points
    axis_height_mm: NDArray[np.float64]
    cells_mm: Points
    """(N, 2) centres of the cells of the silhouette, straight from above."""
    cell_area_mm2: float
    is_alone: bool
    """It neither touches nor overlaps another one."""
    is_inside: bool
    """It lies wholly in the picture."""

    def cells_height_mm(self) -> NDArray[np.float64]:
        """Return (N,) rough height of every cell: that of the nearest axis point."""
        _, nearest = cKDTree(self.axis_mm).query(self.cells_mm)
        return np.asarray(self.axis_height_mm[nearest])


@dataclass(frozen=True, slots=True, eq=False)
class PhotoTruth:
    """One photo as it is."""

    name: str
    photo: Path
    page_mm: tuple[float, float]
    """True mm: page as drawn times the print scale."""
    print_scale: float
    mat_id: str
    """Empty when the file does not name one (a foreign board)."""
    camera: TruthCamera
    curl_mm: float
    stress: tuple[str, ...]
    """Why the wider goals apply; empty for even conditions."""
    is_lowres: bool
    cuttings: tuple[CuttingTruth, ...]

    @property
    def eye_mm(self) -> tuple[float, float, float]:
        """Camera centre in the mat frame: foot point and height."""
        x, y, z = self.camera.eye_mm
        return float(x + self.page_mm[0] / 2), float(self.page_mm[1] / 2 - y), float(z)

    def px_from_mat(self, points_mm: Points, height_mm: float | NDArray[np.float64] = 0.0) -> Points:
        """Return (N, 2) px where mat points (N, 2), raised by ``height_mm``, are seen."""
        points_mm = np.asarray(points_mm, dtype=float)
        x = points_mm[:, 0] - self.page_mm[0] / 2
        y = self.page_mm[1] / 2 - points_mm[:, 1]
        return self.camera.px_from_world(np.column_stack([x, y, np.broadcast_to(height_mm, x.shape)]))

    def seen_from_true(self, points_mm: Points, height_mm: NDArray[np.float64] | float) -> Points:
        """Return where raised points appear on the mat plane: foot + (true - foot) * H / (H - z)."""
        eye = np.asarray(self.eye_mm)
        grow = eye[2] / (eye[2] - np.asarray(height_mm, dtype=float))
        return np.asarray(eye[:2] + (points_mm - eye[:2]) * np.reshape(grow, (-1, 1)))

    def clearance_mm(self, cutting: CuttingTruth, area_mm: tuple[float, float, float, float]) -> float:
        """Return how far inside an area (left, top, right, bottom) a cutting is seen; < 0 if it leaves it."""
        seen = self.seen_from_true(cutting.cells_mm, cutting.cells_height_mm())
        return float(min((seen - area_mm[:2]).min(), (np.asarray(area_mm[2:]) - seen).min()))


def photo_of(truth_path: Path) -> Path | None:
    """Return the photo beside a truth file, or None."""
    stem = truth_path.name.removesuffix(SUFFIX)
    for suffix in (".jpg", ".jpeg", ".png", ".tif", ".webp", ".heic"):
        path = truth_path.with_name(stem + suffix)
        if path.is_file():
            return path
    return None


def load_truth(path: Path) -> PhotoTruth:
    """Return the truth written in ``NAME.truth.json``."""
    data = json.loads(Path(path).read_text(encoding="utf-8"))
    scale = float(data.get("print_scale", 1.0))
    width_mm, height_mm = data["mat_size_mm"]
    camera = _camera(data["camera"])
    photo = photo_of(Path(path))
    return PhotoTruth(
        name=path.name.removesuffix(SUFFIX),
        photo=photo if photo is not None else path.with_name(path.name.removesuffix(SUFFIX) + ".jpg"),
        page_mm=(width_mm * scale, height_mm * scale),
        print_scale=scale,
        mat_id=str(data.get("mat_id") or ""),
        camera=camera,
        curl_mm=float(data.get("curl_mm") or 0.0),
        stress=_stress(data),
        is_lowres=camera.size_px[0] * camera.size_px[1] < LOWRES_MAX_MP * 1e6,
        cuttings=tuple(_cutting(item, scale) for item in data.get("cuttings", ())),
    )


def _camera(data: dict[str, Any]) -> TruthCamera:
    return TruthCamera(
        size_px=(int(data["width"]), int(data["height"])),
        focal_px=(float(data["fx"]), float(data["fy"])),
        centre_px=(float(data["cx"]), float(data["cy"])),
        dist=tuple(float(value) for value in data["dist"]),
        rotation=np.asarray(data["R"], dtype=float).reshape(3, 3),
        shift_mm=np.asarray(data["t"], dtype=float).reshape(3),
    )


def _stress(data: dict[str, Any]) -> tuple[str, ...]:
    """Return what makes this a stress photo, from its data rather than from its name."""
    found = []
    light = data.get("light") or {}
    name = str(light.get("name", light) if isinstance(light, dict) else light).lower()
    if any(word in name for word in STRESS_LIGHTS):
        found.append(name)
    if float(data["camera"].get("tilt_deg") or 0.0) > TILT_PLAIN_MAX_DEG:
        found.append("tilt")
    if float(data.get("curl_mm") or 0.0) > CURL_PLAIN_MAX_MM:
        found.append("curled")
    if data.get("debris"):
        found.append("debris")
    tags = data.get("tags") or []
    found += [tag for tag in tags if tag in ("stress", "covered", "distortion") and tag not in found]
    return tuple(found)


def _number(item: dict[str, Any], key: str) -> float:
    value = item.get(key)
    return math.nan if value is None else float(value)


def _cutting(item: dict[str, Any], scale: float) -> CuttingTruth:
    cells_mm, cell_area_mm2 = _cells(item["mask"], scale)
    has_heel = bool(item.get("has_heel"))
    heel_length_mm = _number(item, "heel_length_mm")
    values = {
        "total_length_mm": _number(item, "total_length_mm"),
        "straight_length_mm": _number(item, "straight_length_mm"),
        "stripped_length_mm": _number(item, "stripped_length_mm"),
        "base_diameter_mm": _number(item, "base_diameter_mm"),
        "foliage_area_mm2": _number(item, "foliage_area_mm2"),
        "crook_deg": _number(item, "crook_deg"),
        "crook_at_mm": _number(item, "crook_at_mm"),
        "sweep_ratio": _number(item, "sweep_ratio"),
        "tips_count": _number(item, "tips"),
        "browned_share": _number(item, "brown_fraction"),
        "heel_length_mm": heel_length_mm if has_heel else 0.0,
        "heel_width_mm": _number(item, "heel_width_mm") if has_heel else math.nan,
        "strays_count": _number(item, "stray_leaves"),
    }
    return CuttingTruth(
        id=int(item["id"]),
        kind=str(item.get("kind", "")),
        values=values,
        is_base_clear=bool(item.get("base_clear", True)),
        base_mm=np.asarray(item["base_mat"], dtype=float) * scale,
        tip_mm=np.asarray(item["tip_mat"], dtype=float) * scale,
        axis_mm=np.asarray(item["axis_mat"], dtype=float) * scale,
        axis_height_mm=np.asarray(item["axis_z_mm"], dtype=float),
        cells_mm=cells_mm,
        cell_area_mm2=cell_area_mm2,
        is_alone=not (item.get("overlaps") or item.get("touches") or item.get("overlap_cells")),
        is_inside=float(item.get("in_frame", 1.0)) >= 1.0,
    )


def _cells(mask: dict[str, Any], scale: float) -> tuple[Points, float]:
    picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(mask["png_base64"])))) > 0
    step_mm = float(mask["px_mm"])
    rows, columns = np.nonzero(picture)
    cells = np.column_stack([columns + 0.5, rows + 0.5]) * step_mm + np.asarray(mask["origin_mat"])
    return cells * scale, (step_mm * scale) ** 2
