"""Cards on plain paper: flat boxes with round corners that stand a little above it, exactly drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.frames import Points
from grader.locate.card import CARD_MM, CORNER_RADIUS_MM, THICKNESS_MM
from grader.locate.scale import pose_at_scale
from grader.records import MatPose
from tests.scenes import Conditions, Scene, camera, make_scene

SIZE_MM = (180.0, 120.0)
MIDDLE_MM = (80.0, 66.0)
SHOT = Conditions(px_per_mm=5.0, supersample=4)
"""Small, so that the tests are quick."""
BLUE = (0.08, 0.16, 0.32)


@dataclass(frozen=True, slots=True, eq=False)
class FlatCard:
    """A box with round corners; its top face and its foot are seen from the camera's eye."""

    eye_mm: tuple[float, float, float]
    centre_mm: tuple[float, float] = MIDDLE_MM
    sides_mm: tuple[float, float] = CARD_MM
    angle_deg: float = 8.0
    radius_mm: float = CORNER_RADIUS_MM
    height_mm: float = THICKNESS_MM
    colour: tuple[float, float, float] = BLUE

    @property
    def half_length_mm(self) -> float:
        """For the window that it is drawn in."""
        return math.hypot(*self.sides_mm) / 2 + 1.0

    @property
    def half_width_mm(self) -> float:
        """The same."""
        return self.half_length_mm

    def covers(self, points_mm: Points) -> NDArray[np.bool_]:
        """Return which points (N, 2), as seen on the paper, lie behind the top face or the foot."""
        foot = np.asarray(self.eye_mm[:2])
        top = foot + (points_mm - foot) * (1.0 - self.height_mm / self.eye_mm[2])
        return self._inside(top) | self._inside(points_mm)

    def _inside(self, points_mm: Points) -> NDArray[np.bool_]:
        angle = math.radians(self.angle_deg)
        along = np.array([math.cos(angle), math.sin(angle)])
        away = points_mm - np.asarray(self.centre_mm)
        local = np.abs(np.column_stack([away @ along, away @ np.array([-along[1], along[0]])]))
        beyond = np.maximum(local - (np.asarray(self.sides_mm) / 2 - self.radius_mm), 0.0)
        return np.asarray(np.hypot(*beyond.T) <= self.radius_mm)


def card_scene(
    conditions: Conditions | None = None, things: tuple[object, ...] = (), **card: object
) -> Scene:
    """Return a scene with one card (none with ``sides_mm=None``) and things that lie on it."""
    conditions = conditions or SHOT
    plane, _ = camera(conditions, SIZE_MM)
    cards = () if card.get("sides_mm", CARD_MM) is None else (FlatCard(plane.eye_mm, **card),)  # type: ignore[arg-type]
    return make_scene((), conditions, SIZE_MM, things=(*cards, *things))  # type: ignore[arg-type]


def as_drawn(pose: MatPose, true_scale: float) -> MatPose:
    """Return the pose that would be found at an assumed scale of 1 if the mat was printed at another."""
    drawn = pose_at_scale(pose, 1.0 / true_scale, 0.003, "assumed")
    return replace(drawn, print_scale=1.0)
