"""What one cutting shall be: the choices from which its geometry is built."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class HeelPlan:
    """A short piece of older wood left at the lower end."""

    length_mm: float
    width_mm: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class CuttingPlan:
    """One cutting before it is built; lengths in mm along the axis."""

    kind: str
    """"scale", "awl", "needle" or "broad"."""
    length_mm: float
    base_width_mm: float
    stripped_mm: float
    colour: str
    bark: str
    turn_deg: float = 5.0
    wobble_deg: float = 3.0
    bends: tuple[tuple[float, float, float], ...] = ()
    """(where mm, angle deg, over how many mm)."""
    heel: HeelPlan | None = None
    brown: float = 0.0
    """Chance of a shoot, and a fifth of that of a leaf, to be browned."""
    strays: int = 0
    fullness: float = 1.0
    """1 is a usual number and length of side shoots."""
    leaf_scale: float = 1.0
    cut_tilt_deg: float = 8.0


# Reflectance in linear light, chosen by eye.
LEAF_COLOURS: dict[str, tuple[float, float, float]] = {
    "dark green": (0.028, 0.072, 0.022),
    "green": (0.050, 0.125, 0.032),
    "yellow-green": (0.155, 0.215, 0.035),
    "gold": (0.30, 0.29, 0.045),
    "glaucous": (0.085, 0.150, 0.135),
    "blue": (0.11, 0.17, 0.185),
}
BROWN_COLOURS: tuple[tuple[float, float, float], ...] = (
    (0.205, 0.095, 0.036),
    (0.150, 0.062, 0.026),
    (0.330, 0.205, 0.085),
)
BARK_COLOURS: dict[str, tuple[float, float, float]] = {
    "red-brown": (0.165, 0.078, 0.042),
    "grey-brown": (0.175, 0.135, 0.100),
    "olive": (0.095, 0.092, 0.042),
    "dark": (0.060, 0.043, 0.032),
    "grey": (0.235, 0.215, 0.190),
}
CUT_FACE_COLOUR = (0.56, 0.45, 0.27)
PITH_COLOUR = (0.38, 0.29, 0.16)
CAMBIUM_COLOUR = (0.30, 0.33, 0.12)
