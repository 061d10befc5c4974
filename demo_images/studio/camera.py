"""The camera: where it stands and how its lens bends; world from the sheet's centre, y and z up, true mm."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FULL_FRAME_MM = 36.0
"""Width of the frame that "35 mm equivalent" refers to."""


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """Pinhole with radial and tangential distortion (the OpenCV model), of the upright picture."""

    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    dist: tuple[float, float, float, float]
    """k1, k2, p1, p2."""
    rotation: Floats
    """(3, 3) camera from world: x right, y down, z forward."""
    eye_mm: Floats
    """(3,)."""
    roll_deg: float

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the normal of the sheet."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1, 1))))

    def px_from_world(self, points_mm: Floats) -> Floats:
        """Return (N, 2) px of world points (N, 3)."""
        seen = (np.asarray(points_mm) - self.eye_mm) @ self.rotation.T
        x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
        k1, k2, p1, p2 = self.dist
        r2 = x * x + y * y
        radial = 1 + k1 * r2 + k2 * r2 * r2
        bent_x = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        bent_y = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        return self.focal_px * np.column_stack([bent_x, bent_y]) + np.asarray(self.centre_px)

    def as_truth(self) -> dict[str, Any]:
        """Return the camera as numbers for the truth file."""
        return {
            "width": self.size_px[0],
            "height": self.size_px[1],
            "fx": self.focal_px,
            "fy": self.focal_px,
            "cx": self.centre_px[0],
            "cy": self.centre_px[1],
            "dist": list(self.dist),
            "R": self.rotation.tolist(),
            "t": (-self.rotation @ self.eye_mm).tolist(),
            "eye": self.eye_mm.tolist(),
            "tilt_deg": self.tilt_deg,
            "roll_deg": self.roll_deg,
            "height_mm": float(self.eye_mm[2]),
        }


@dataclass(frozen=True, slots=True)
class CameraPlan:
    """How a photo is taken."""

    size_px: tuple[int, int] = (4032, 3024)
    focal_35mm: float = 26.0
    tilt_deg: float = 4.0
    tilt_towards_deg: float = 90.0
    roll_deg: float = 0.0
    fill: float = 0.93
    """Largest extent of the sheet as a share of the frame."""
    dist: tuple[float, float, float, float] = (0.02, -0.03, 0.0, 0.0)
    off_centre_px: tuple[float, float] = (6.0, -4.0)
    aim_mm: tuple[float, float] = (0.0, 0.0)


def place_camera(plan: CameraPlan, sheet_mm: tuple[float, float]) -> Camera:
    """Return the camera of a plan, as near to a sheet of true size ``sheet_mm`` as its fill allows."""
    tilt, towards, roll = np.radians([plan.tilt_deg, plan.tilt_towards_deg, plan.roll_deg])
    forward = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), -np.cos(tilt)])
    up = np.array([-np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    rotation = np.vstack([right, np.cross(forward, right), forward])
    width, height = plan.size_px
    camera = Camera(
        plan.size_px,
        plan.focal_35mm / FULL_FRAME_MM * width,
        ((width - 1) / 2 + plan.off_centre_px[0], (height - 1) / 2 + plan.off_centre_px[1]),
        plan.dist,
        rotation,
        np.zeros(3),
        plan.roll_deg,
    )
    half = np.array(sheet_mm) / 2
    corners = np.array([[x * half[0], y * half[1], 0.0] for x in (-1, 1) for y in (-1, 1)])
    aim = np.array([*plan.aim_mm, 0.0])
    near, far = 100.0, 3000.0
    for _ in range(50):
        distance = (near + far) / 2
        camera = replace(camera, eye_mm=aim - forward * distance)
        reach = np.abs(camera.px_from_world(corners) - np.array([width - 1, height - 1]) / 2)
        if (reach / np.array([width / 2, height / 2])).max() > plan.fill:
            near = distance
        else:
            far = distance
    return camera
