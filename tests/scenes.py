"""Analytic scenes: cuttings of exactly known size on plain paper, as a camera would see them.

Nothing here is drawn with a drawing call.  Shapes are signed distances on the mat, in true mm; the
share of each pixel that a shape covers is found by testing a grid of points inside the pixel, in the
photo's own geometry.  Light is mixed in linear light, then blurred, made noisy and given the sRGB
curve.  The camera is a plain pinhole, straight above or tilted; its PlaneMap is built from it exactly,
so each stage can be tested alone.  Cuttings lie flat in the plane of the paper (height 0), so what is
seen is what is true.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, gaussian_filter, shift

from calib.frames import PlaneMap, Points
from grader.records import MatPose, Photo

Values = NDArray[np.float64]

BARK = (0.12, 0.085, 0.06)
"""Linear light reflected, paper white = 1."""
PALE_BARK = (0.30, 0.25, 0.20)
GREEN = (0.045, 0.13, 0.03)
BLUE_GREEN = (0.10, 0.19, 0.16)
BROWN = (0.20, 0.10, 0.035)
CUT_FACE = (0.62, 0.53, 0.36)


@dataclass(frozen=True, slots=True, eq=False)
class Stem:
    """A stem along a circular arc (or a straight line), its width changing linearly."""

    base_mm: tuple[float, float]
    angle_deg: float
    """Direction at the base, from +x towards +y."""
    length_mm: float
    width_base_mm: float
    width_tip_mm: float
    turn_deg: float = 0.0
    """Change of direction from base to tip; 0 is straight."""
    kink_at_mm: float = math.nan
    """With it the whole turn happens here, between two straight parts."""
    colour: tuple[float, float, float] = BARK

    def point_at(self, arc_mm: float | Values) -> Points:
        """Return (N, 2) mm on the centre line."""
        arc = np.atleast_1d(np.asarray(arc_mm, dtype=float))
        start = np.radians(self.angle_deg)
        turn = np.radians(self.turn_deg)
        if not math.isnan(self.kink_at_mm):
            before, after = np.minimum(arc, self.kink_at_mm), np.maximum(arc - self.kink_at_mm, 0.0)
            x = before * np.cos(start) + after * np.cos(start + turn)
            y = before * np.sin(start) + after * np.sin(start + turn)
        elif turn == 0.0:
            x, y = arc * np.cos(start), arc * np.sin(start)
        else:
            radius = self.length_mm / turn
            x = radius * (np.sin(start + arc / radius) - np.sin(start))
            y = radius * (np.cos(start) - np.cos(start + arc / radius))
        return np.column_stack([x + self.base_mm[0], y + self.base_mm[1]])

    def direction_at(self, arc_mm: float) -> Values:
        """Return the unit direction (2,) of the centre line."""
        share = arc_mm / self.length_mm
        if not math.isnan(self.kink_at_mm):
            share = float(arc_mm > self.kink_at_mm)
        angle = np.radians(self.angle_deg + self.turn_deg * share)
        return np.array([np.cos(angle), np.sin(angle)])

    def width_at(self, arc_mm: float | Values) -> Values:
        """Return the width in mm at a distance from the base."""
        share = np.asarray(arc_mm, dtype=float) / self.length_mm
        return np.asarray(self.width_base_mm + (self.width_tip_mm - self.width_base_mm) * share)

    def covers(self, points_mm: Points) -> NDArray[np.bool_]:
        """Return which points (N, 2) lie on the stem; its ends are cut square."""
        inside = np.zeros(len(points_mm), dtype=bool)
        for arc, away in self._coordinates(points_mm):
            inside |= (arc >= 0.0) & (arc <= self.length_mm) & (np.abs(away) <= self.width_at(arc) / 2)
        return inside

    def _coordinates(self, points_mm: Points) -> list[tuple[Values, Values]]:
        """Return for each part of the centre line (distance along it, distance from it)."""
        if not math.isnan(self.kink_at_mm):
            kink = self.point_at(self.kink_at_mm)[0]
            low_arc, low_away = _along(points_mm, np.array(self.base_mm), self.angle_deg)
            high_arc, high_away = _along(points_mm, kink, self.angle_deg + self.turn_deg)
            low_arc = np.where(low_arc <= self.kink_at_mm, low_arc, np.nan)
            high_arc = np.where(high_arc >= 0.0, high_arc + self.kink_at_mm, np.nan)
            # A round joint closes the gap on the outer side of the kink.
            joint = np.hypot(*(points_mm - kink).T)
            return [(low_arc, low_away), (high_arc, high_away), (np.full_like(joint, self.kink_at_mm), joint)]
        if self.turn_deg == 0.0:
            return [_along(points_mm, np.array(self.base_mm), self.angle_deg)]
        radius = self.length_mm / np.radians(self.turn_deg)
        start = np.radians(self.angle_deg)
        centre = np.array(self.base_mm) + radius * np.array([-np.sin(start), np.cos(start)])
        from_centre = (points_mm - centre) * np.sign(radius)
        angle = np.arctan2(from_centre[:, 0], -from_centre[:, 1]) - start
        angle = (angle + np.pi) % (2 * np.pi) - np.pi
        return [(angle * radius, np.hypot(*from_centre.T) - abs(radius))]


def _along(points_mm: Points, start: Values, angle_deg: float) -> tuple[Values, Values]:
    away = points_mm - start
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return away[:, 0] * cosine + away[:, 1] * sine, away[:, 1] * cosine - away[:, 0] * sine


@dataclass(frozen=True, slots=True, eq=False)
class Ellipse:
    """A leaf, a blob of foliage, a crumb: half axes in mm."""

    centre_mm: tuple[float, float]
    half_length_mm: float
    half_width_mm: float
    angle_deg: float
    colour: tuple[float, float, float] = GREEN

    @property
    def area_mm2(self) -> float:
        """Exact area."""
        return math.pi * self.half_length_mm * self.half_width_mm

    def covers(self, points_mm: Points) -> NDArray[np.bool_]:
        """Return which points (N, 2) lie inside."""
        along, across = _along(points_mm, np.array(self.centre_mm), self.angle_deg)
        return (along / self.half_length_mm) ** 2 + (across / self.half_width_mm) ** 2 <= 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Plant:
    """One cutting: a stem, and leaves from ``foliage_from_mm`` on, painted over it in order."""

    stem: Stem
    leaves: tuple[Ellipse, ...] = ()
    foliage_from_mm: float = math.nan
    """Where the lowest leaves are attached."""
    strays: tuple[Ellipse, ...] = ()

    @property
    def parts(self) -> tuple[Stem | Ellipse, ...]:
        """Everything, in painting order."""
        return (self.stem, *self.strays, *self.leaves)

    @property
    def base_mm(self) -> Values:
        """Middle of the cut face (2,)."""
        return np.asarray(self.stem.point_at(0.0)[0])

    @property
    def tip_mm(self) -> Values:
        """End of the leader (2,): the stem runs to the end of its last leaves."""
        return np.asarray(self.stem.point_at(self.stem.length_mm)[0])

    @property
    def base_diameter_mm(self) -> float:
        """Mean width from 3 to 10 mm above the base: the width is linear, so that in the middle."""
        return float(self.stem.width_at(6.5))

    @property
    def straight_length_mm(self) -> float:
        """From base to tip in a straight line."""
        return float(np.hypot(*(self.tip_mm - self.base_mm)))


def leafy(
    stem: Stem,
    foliage_from_mm: float,
    leaf_length_mm: float = 7.0,
    spacing_mm: float = 1.4,
    spread_deg: float = 42.0,
    colour: tuple[float, float, float] = GREEN,
) -> Plant:
    """Return a cutting with leaves on both sides from ``foliage_from_mm`` to the tip.

    Each leaf is an ellipse attached to the centre line at its lower end; none reaches beyond the tip.
    """
    leaves = []
    for index, arc in enumerate(np.arange(foliage_from_mm, stem.length_mm, spacing_mm)):
        shrink = min(1.0, 0.35 + (stem.length_mm - arc) / 30.0)
        half = leaf_length_mm * shrink / 2
        half = min(half, (stem.length_mm - arc) / (2 * math.cos(math.radians(spread_deg))))
        side = 1 if index % 2 else -1
        along = stem.direction_at(float(arc))
        angle = math.degrees(math.atan2(along[1], along[0])) + side * spread_deg
        centre = stem.point_at(float(arc))[0] + half * np.array(
            [math.cos(math.radians(angle)), math.sin(math.radians(angle))]
        )
        leaves.append(Ellipse((centre[0], centre[1]), half, max(0.22 * half, 0.3), angle, colour))
    return Plant(stem, tuple(leaves), foliage_from_mm)


@dataclass(frozen=True, slots=True)
class Conditions:
    """What happens to the light between the paper and the file."""

    px_per_mm: float = 10.0
    tilt_deg: float = 0.0
    """About the mat's x axis: the lower edge of the mat comes nearer."""
    eye_height_mm: float = 400.0
    blur_px: float = 0.6
    """Standard deviation of the blur, in linear light."""
    noise: float = 0.004
    """Standard deviation in linear light, paper white = 1."""
    shadow: float = 0.0
    """Share of the light that the shadow takes; 0 is none."""
    shadow_offset_mm: tuple[float, float] = (1.0, 1.4)
    shadow_soft_mm: float = 0.8
    light: tuple[float, float, float] = (0.8, 0.8, 0.8)
    """Linear light of lit paper in the photo."""
    falloff: float = 0.0
    """Relative loss of light from the left to the right edge."""
    supersample: int = 6
    """Points across one pixel: coverage is exact to 1 / (2 * 6 * 6) of a pixel at straight edges."""
    seed: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A photo, where the mat is in it, and what lies there."""

    photo: Photo
    pose: MatPose
    plants: tuple[Plant, ...]
    things: tuple[Stem | Ellipse, ...] = field(default=())


def make_scene(
    plants: Sequence[Plant],
    conditions: Conditions | None = None,
    size_mm: tuple[float, float] = (150.0, 80.0),
    things: Sequence[Stem | Ellipse] = (),
    margin_mm: float = 3.0,
) -> Scene:
    """Return a photo of plants (and other things) on plain paper that fills the frame.

    The lay area is the paper without ``margin_mm`` at each edge.
    """
    conditions = conditions or Conditions()
    plane, shape = camera(conditions, size_mm)
    parts = [part for plant in plants for part in plant.parts] + list(things)
    light, silhouette = _reflected(parts, plane, shape, conditions.supersample)
    light *= _falling(silhouette, conditions)[..., None]
    light *= np.asarray(conditions.light)
    light = gaussian_filter(light, (conditions.blur_px, conditions.blur_px, 0.0), mode="nearest")
    rng = np.random.default_rng(conditions.seed)
    light += rng.normal(0.0, conditions.noise, light.shape)
    rgb = np.round(255.0 * srgb_from_linear(np.clip(light, 0.0, 1.0))).astype(np.uint8)
    rgb.setflags(write=False)
    photo = Photo(Path("scene.png"), "", rgb, "", math.nan, None)
    return Scene(photo, _pose(plane, size_mm, margin_mm, conditions), tuple(plants), tuple(things))


def camera(conditions: Conditions, size_mm: tuple[float, float]) -> tuple[PlaneMap, tuple[int, int]]:
    """Return the exact map of a pinhole over the middle of the paper, and the photo's (H, W)."""
    scale, height = conditions.px_per_mm, conditions.eye_height_mm
    shape = (round(size_mm[1] * scale), round(size_mm[0] * scale))
    centre_px = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    tilt = math.radians(conditions.tilt_deg)
    # Axes of the camera in mat coordinates (x right, y down, z away from the camera, i.e. into the paper).
    rotation = np.array(
        [[1, 0, 0], [0, math.cos(tilt), math.sin(tilt)], [0, -math.sin(tilt), math.cos(tilt)]]
    )
    middle = np.array([size_mm[0] / 2, size_mm[1] / 2, 0.0])
    eye = middle - height / math.cos(tilt) * rotation[2]
    focal_px = scale * height / math.cos(tilt)
    intrinsic = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1]])
    homography = intrinsic @ np.column_stack([rotation[:, 0], rotation[:, 1], -rotation @ eye])
    eye_mm = (float(eye[0]), float(eye[1]), float(-eye[2]))
    plane = PlaneMap(
        homography=homography / homography[2, 2],
        centre_px=centre_px,
        radius_px=math.hypot(*shape) / 2,
        k1=0.0,
        k2=0.0,
        p1=0.0,
        p2=0.0,
        eye_mm=eye_mm,
    )
    return plane, shape


def _reflected(
    parts: Sequence[Stem | Ellipse], plane: PlaneMap, shape: tuple[int, int], supersample: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return linear reflectance (H, W, 3), parts painted in order on white, and their silhouette (H, W)."""
    picture, silhouette = np.ones((*shape, 3)), np.zeros(shape)
    for part in parts:
        rows, columns = _window(part, plane, shape)
        cover = _coverage(part, plane, rows, columns, supersample)
        silhouette[rows, columns] = np.maximum(silhouette[rows, columns], cover)
        over = cover[..., None]
        picture[rows, columns] = picture[rows, columns] * (1.0 - over) + over * np.asarray(part.colour)
    return picture, silhouette


def _falling(silhouette: NDArray[np.float64], conditions: Conditions) -> NDArray[np.float64]:
    """Return the relative light (H, W) that falls on the paper: falloff and a soft shadow."""
    width = silhouette.shape[1]
    light = np.broadcast_to(
        1.0 - conditions.falloff * (np.arange(width) + 0.5) / width, silhouette.shape
    ).copy()
    if conditions.shadow:
        x_px, y_px = np.asarray(conditions.shadow_offset_mm) * conditions.px_per_mm
        blocked = shift(silhouette, (y_px, x_px), order=1)
        blocked = gaussian_filter(blocked, conditions.shadow_soft_mm * conditions.px_per_mm)
        light *= 1.0 - conditions.shadow * blocked * (1.0 - silhouette)
    return light


def _window(part: Stem | Ellipse, plane: PlaneMap, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Return the rows and columns of the photo that a part can touch."""
    if isinstance(part, Stem):
        line = part.point_at(np.linspace(0.0, part.length_mm, 60))
        reach = max(part.width_base_mm, part.width_tip_mm)
    else:
        line = np.array([part.centre_mm])
        reach = max(part.half_length_mm, part.half_width_mm)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (reach + 0.5)
    px = plane.px_from_mm((line[:, None] + corners[None]).reshape(-1, 2))
    low = np.clip(np.floor(px.min(axis=0)).astype(int), 0, None)
    high = np.clip(np.ceil(px.max(axis=0)).astype(int) + 1, 0, [shape[1], shape[0]])
    high = np.maximum(high, low)
    return slice(low[1], high[1]), slice(low[0], high[0])


def _coverage(
    part: Stem | Ellipse, plane: PlaneMap, rows: slice, columns: slice, supersample: int
) -> NDArray[np.float64]:
    """Return the share (h, w) of each pixel that a part covers, from a grid of points inside it."""
    shape = (rows.stop - rows.start, columns.stop - columns.start)
    if 0 in shape:
        return np.zeros(shape)
    x, y = np.meshgrid(np.arange(columns.start, columns.stop), np.arange(rows.start, rows.stop))
    # Inside and outside are plain; only pixels near an edge need many points. Corners are tested first.
    rough = _hits(part, plane, x.ravel(), y.ravel(), 2).reshape(*shape, 4)
    cover = rough.mean(axis=-1)
    edge = binary_dilation(cover > 0.0, iterations=2) & ~_all_around(cover >= 1.0)
    cover[edge] = _hits(part, plane, x[edge], y[edge], supersample).mean(axis=-1)
    return np.asarray(cover)


def _all_around(full: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return pixels that are covered with all their neighbours; the window's rim counts as an edge."""
    return np.asarray(~binary_dilation(~full, structure=np.ones((3, 3)), border_value=1))


def _hits(
    part: Stem | Ellipse, plane: PlaneMap, x_px: NDArray[np.int64], y_px: NDArray[np.int64], n: int
) -> NDArray[np.bool_]:
    """Return (K, n * n) which points of the grid inside each of K pixels lie on the part."""
    inner = (np.arange(n) + 0.5) / n - 0.5
    dx, dy = (offset.ravel() for offset in np.meshgrid(inner, inner))
    points = np.stack([x_px[:, None] + dx, y_px[:, None] + dy], axis=-1).reshape(-1, 2)
    return part.covers(plane.mm_from_px(points)).reshape(len(x_px), n * n)


def _pose(plane: PlaneMap, size_mm: tuple[float, float], margin_mm: float, conditions: Conditions) -> MatPose:
    return MatPose(
        mat_id="scene",
        page_mm=size_mm,
        lay_area_mm=(margin_mm, margin_mm, size_mm[0] - margin_mm, size_mm[1] - margin_mm),
        fiducials_mm=(),
        plane=plane,
        n_fiducials=20,
        n_fiducials_expected=20,
        residual_rms_px=0.05,
        residual_rms_mm=0.05 / conditions.px_per_mm,
        position_sigma_mm=0.01,
        scale_sigma=0.0005,
        print_scale=1.0,
        print_scale_source="assumed",
        tilt_deg=abs(conditions.tilt_deg),
        curl_mm=0.0,
        px_per_mm=conditions.px_per_mm,
    )


def srgb_from_linear(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return sRGB values 0 to 1 of linear light 0 to 1 (IEC 61966-2-1:1999)."""
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1 / 2.4) - 0.055)
