"""What lies under and beside the cuttings: printed paper, bench, crumbs, fallen needles, drops, a pen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .mesh import Mesh, Part, grid_faces, joined, leaf_shape, leaves
from .plan import BROWN_COLOURS, LEAF_COLOURS

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

PAPER_REFLECTANCE = (0.80, 0.80, 0.785)
INK_REFLECTANCE = 0.035


def printed(ink_free: NDArray[np.float32], rng: np.random.Generator) -> Picture:
    """Return the paper's reflectance (H, W, 3) from how white each place is printed (H, W), 0 to 1.

    Ink spreads a little, paper is a little uneven.
    """
    white = gaussian_filter(ink_free.astype(np.float32), 0.9)[..., None]
    small = rng.normal(0, 1, ink_free.shape).astype(np.float32)
    grain = 0.010 * gaussian_filter(small, 1.2) * 4 + 0.02 * gaussian_filter(small, 12) * 30
    paper = np.asarray(PAPER_REFLECTANCE, np.float32) * (1 + 0.3 * grain[..., None])
    ink = INK_REFLECTANCE * (1 + 2.0 * grain[..., None])
    return np.clip(white * paper + (1 - white) * ink, 0.0, 0.95).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Curl:
    """A sheet that does not lie quite flat: two shallow waves."""

    height_mm: float = 0.0
    phase: float = 0.0

    def z_mm(self, page_xy_mm: Floats, page_mm: tuple[float, float]) -> Floats:
        """Return (N,) height of the paper at page places (N, 2), least 0."""
        u = page_xy_mm[:, 0] / page_mm[0]
        v = page_xy_mm[:, 1] / page_mm[1]
        wave = 0.5 + 0.5 * np.cos(2 * np.pi * (0.9 * u + 0.25 * v) + self.phase)
        return np.asarray(self.height_mm * np.clip(wave, 0.0, 1.0) ** 1.5)


def bench_texture(kind: str, rng: np.random.Generator, size: int = 2048) -> Picture:
    """Return the bench's reflectance (size, size, 3): "wood", "steel", "slate" or "board".

    Raises
    ------
    ValueError
        For any other kind.
    """
    noise = [gaussian_filter(rng.normal(0, 1, (size, size)), s, mode="wrap") * s for s in (1.0, 4.0, 20.0)]
    if kind == "wood":
        tint = np.array([0.30, 0.205, 0.125])
        streak = gaussian_filter(rng.normal(0, 1, (size, size)), (2.0, 90.0), mode="wrap") * 22
        row = np.arange(size)[:, None]
        plank = (row // 300).astype(int)
        tone = rng.normal(1.0, 0.08, plank.max() + 1)[plank]
        gap = 1 - 0.75 * np.exp(-((((row % 300) - 2.0) / 2.5) ** 2))
        value = (1 + 0.22 * streak + 0.06 * noise[1]) * tone * gap
    elif kind == "steel":
        tint = np.array([0.33, 0.335, 0.34])
        streak = gaussian_filter(rng.normal(0, 1, (size, size)), (0.8, 60.0), mode="wrap") * 12
        value = 1 + 0.10 * streak + 0.06 * noise[2]
    elif kind == "slate":
        tint = np.array([0.085, 0.09, 0.095])
        value = 1 + 0.20 * noise[1] + 0.25 * noise[2] + 0.1 * noise[0]
    elif kind == "board":
        tint = np.array([0.21, 0.24, 0.20])
        value = 1 + 0.12 * noise[0] + 0.10 * noise[2]
    else:
        raise ValueError(f"no bench is called {kind!r}")
    return np.clip(tint * value[..., None], 0.01, 0.9).astype(np.float32)


def crumbs(places_mm: Floats, sizes_mm: Floats, rng: np.random.Generator) -> Mesh:
    """Return dark lumps of soil: uneven little balls at page places (N, 2)."""
    rows, columns = 6, 9
    polar = np.linspace(0.05, np.pi - 0.05, rows)
    around = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    p, a = np.meshgrid(polar, around, indexing="ij")
    ball = np.column_stack(
        [(np.sin(p) * np.cos(a)).ravel(), (np.sin(p) * np.sin(a)).ravel(), np.cos(p).ravel()]
    )
    out = []
    for place, size in zip(places_mm, sizes_mm, strict=True):
        points = ball * rng.uniform(0.65, 1.2, (len(ball), 1)) * size / 2 * rng.uniform(0.7, 1.3, 3)
        points[:, 2] += size * 0.3 - min(points[:, 2].min() + size * 0.3, 0)
        points[:, :2] += place
        tint = np.array([0.045, 0.032, 0.022]) * rng.uniform(0.6, 1.8)
        faces = grid_faces(rows, columns, is_closed=True)
        tints = tint * rng.uniform(0.7, 1.3, (len(ball), 1))
        out.append(Mesh(points, faces, tints, np.full(len(faces), int(Part.STRAY))))
    return joined(out)


def fallen_needles(places_mm: Floats, rng: np.random.Generator) -> Mesh:
    """Return single needles lying on the paper at page places (N, 2)."""
    count = len(places_mm)
    angle = rng.uniform(0, 2 * np.pi, count)
    brown = rng.random(count) < 0.6
    tint = np.where(brown[:, None], BROWN_COLOURS[0], LEAF_COLOURS["green"])
    return leaves(
        leaf_shape("needle"),
        np.column_stack([places_mm, np.full(count, 0.35)]),
        np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)]),
        np.tile([0.0, 0.0, 1.0], (count, 1)),
        length_mm=rng.uniform(2.0, 6.0, count),
        width_mm=rng.uniform(0.5, 1.1, count),
        thickness_mm=np.full(count, 0.3),
        bend=rng.uniform(-0.03, 0.03, count),
        colour=tint,
        tip_colour=tint * 0.8,
        parts=np.full(count, int(Part.STRAY)),
    )


def pen(
    middle_mm: tuple[float, float],
    angle_deg: float,
    length_mm: float,
    width_mm: float,
    tint: tuple[float, float, float],
) -> tuple[Mesh, dict[str, Any]]:
    """Return a pen without a name on it: a barrel, a cap of another shade and a tip; and what truth says."""
    s = np.array([0, 0.02, 0.05, 0.10, 0.101, 0.30, 0.62, 0.621, 0.97, 0.99, 1.0]) * length_mm
    r = np.array([0.08, 0.12, 0.5, 0.85, 0.92, 0.95, 0.95, 1.0, 1.0, 0.9, 0.3]) * width_mm / 2
    sides = 32
    theta = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    a = np.radians(angle_deg)
    x = s[:, None] - length_mm / 2 + 0 * theta
    y = r[:, None] * np.cos(theta)
    z = width_mm / 2 + r[:, None] * np.sin(theta)
    points = np.stack(
        [x * np.cos(a) - y * np.sin(a) + middle_mm[0], x * np.sin(a) + y * np.cos(a) + middle_mm[1], z],
        axis=-1,
    )
    shade = np.where(s < 0.1 * length_mm, 1.8, np.where(s > 0.62 * length_mm, 0.45, 1.0))
    colours = np.clip(np.asarray(tint) * shade[:, None], 0.01, 0.8)
    faces = grid_faces(len(s), sides, is_closed=True)
    mesh = Mesh(
        points.reshape(-1, 3),
        faces,
        np.repeat(colours, sides, axis=0),
        np.full(len(faces), int(Part.STRAY)),
    )
    told = {
        "centre_mat": list(middle_mm),
        "angle_deg": angle_deg,
        "length_mm": length_mm,
        "width_mm": width_mm,
    }
    return mesh, told
