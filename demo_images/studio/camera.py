"""The camera: a pinhole above the sheet with a little lens distortion (OpenCV's model).

World: mm, origin at the centre of the sheet, x right, y up the page, z up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = 43.267
"""Diagonal of 36 x 24 mm: the base of a 35 mm equivalent focal length (CIPA DCG-001, from memory)."""


@dataclass(frozen=True, slots=True)
class CameraPlan:
    """How a photo is taken."""

    width_px: int = 4032
    height_px: int = 3024
    focal_35mm: float = 26.0
    tilt_deg: float = 4.0
    tilt_towards_deg: float = -90.0
    """Side of the sheet from which the camera looks: -90 stands at its lower edge."""
    roll_deg: float = 0.0
    fill: float = 0.88
    """Width of the page over that of the picture."""
    aim_mm: tuple[float, float] = (0.0, 0.0)
    k1: float = -0.006
    k2: float = 0.004
    p1: float = 0.0
    p2: float = 0.0
    """Of a lens that is not quite centred."""
    centre_off_px: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """A placed camera: ``x_camera = turn @ x_world + shift_mm``."""

    width_px: int
    height_px: int
    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float]
    """k1, k2, p1, p2."""
    turn: Floats
    shift_mm: Floats
    focal_35mm: float
    tilt_deg: float

    @property
    def eye_mm(self) -> Floats:
        """Where the camera stands (3,)."""
        return np.asarray(-self.turn.T @ self.shift_mm)

    @property
    def matrix(self) -> Floats:
        """OpenCV's camera matrix."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    def seen_at_px(self, world_mm: Floats) -> Floats:
        """Return (N, 2) pixels of points (N, 3)."""
        dist = np.array(self.distortion)
        turn, _ = cv2.Rodrigues(self.turn)
        points = np.ascontiguousarray(world_mm, dtype=np.float64).reshape(-1, 1, 3)
        found, _ = cv2.projectPoints(points, turn, self.shift_mm, self.matrix, dist)
        return np.asarray(found.reshape(-1, 2))

    def described(self) -> dict[str, Any]:
        """Return the camera as the truth file tells it."""
        return {
            "width": self.width_px,
            "height": self.height_px,
            "fx": self.focal_px,
            "fy": self.focal_px,
            "cx": self.centre_px[0],
            "cy": self.centre_px[1],
            "dist": list(self.distortion),
            "R": self.turn.tolist(),
            "t": self.shift_mm.tolist(),
            "eye": self.eye_mm.tolist(),
            "tilt_deg": self.tilt_deg,
        }


def place_camera(plan: CameraPlan, page_mm: tuple[float, float]) -> Camera:
    """Return the camera of a plan, so far away that the page fills the wanted share of the width."""
    diagonal_px = float(np.hypot(plan.width_px, plan.height_px))
    focal_px = plan.focal_35mm * diagonal_px / FULL_FRAME_DIAGONAL_MM
    distance = max(
        focal_px * page_mm[0] / (plan.fill * plan.width_px),
        focal_px * page_mm[1] / (min(plan.fill * 1.05, 0.96) * plan.height_px),
    )
    tilt, side = np.radians(plan.tilt_deg), np.radians(plan.tilt_towards_deg)
    back = np.array([np.sin(tilt) * np.cos(side), np.sin(tilt) * np.sin(side), np.cos(tilt)])
    aim = np.array([*plan.aim_mm, 0.0])
    eye = aim + distance * back
    forward = -back
    up = np.array([0.0, 1.0, 0.0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    roll = np.radians(plan.roll_deg)
    turned_right = np.cos(roll) * right + np.sin(roll) * down
    turned_down = -np.sin(roll) * right + np.cos(roll) * down
    turn = np.stack([turned_right, turned_down, forward])
    centre = (
        (plan.width_px - 1) / 2 + plan.centre_off_px[0],
        (plan.height_px - 1) / 2 + plan.centre_off_px[1],
    )
    return Camera(
        plan.width_px,
        plan.height_px,
        focal_px,
        centre,
        (plan.k1, plan.k2, plan.p1, plan.p2),
        turn,
        -turn @ eye,
        plan.focal_35mm,
        plan.tilt_deg,
    )


def world_of_page(points_mm: Floats, page_mm: tuple[float, float]) -> Floats:
    """Return (N, 3) world points of page points (N, 3): x right, y down, z up from the top left corner."""
    out = np.array(points_mm, dtype=np.float64)
    out[:, 0] -= page_mm[0] / 2
    out[:, 1] = page_mm[1] / 2 - out[:, 1]
    return out
