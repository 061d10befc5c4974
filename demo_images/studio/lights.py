"""Lights of a scene: daylight through cloud, sun, a warm bulb, two lamps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True, slots=True)
class Lamp:
    """A glowing ball; places in world mm, radiance in linear RGB."""

    place_mm: tuple[float, float, float]
    radius_mm: float
    radiance: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Light:
    """All light of a scene."""

    name: str
    sky: tuple[float, float, float]
    """Radiance from everywhere above: sky or walls of a room."""
    lamps: tuple[Lamp, ...]
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """What the phone's white balance multiplies."""

    def described(self) -> dict[str, Any]:
        """Return the light as the truth file tells it."""
        return {
            "name": self.name,
            "sky": list(self.sky),
            "lamps": [
                {
                    "place_mm": list(lamp.place_mm),
                    "radius_mm": lamp.radius_mm,
                    "radiance": list(lamp.radiance),
                }
                for lamp in self.lamps
            ],
        }


def _ball(
    azimuth_deg: float,
    height_deg: float,
    away_mm: float,
    radius_mm: float,
    irradiance: float,
    tint: tuple[float, float, float],
) -> Lamp:
    """Return a ball that gives about ``irradiance`` (of a white sheet's radiance) on the sheet's centre."""
    a, h = np.radians(azimuth_deg), np.radians(height_deg)
    place = away_mm * np.array([np.cos(h) * np.cos(a), np.cos(h) * np.sin(a), np.sin(h)])
    solid = (radius_mm / away_mm) ** 2 * np.sin(h)
    x, y, z = (float(v) for v in place)
    r, g, b = (irradiance / solid * t for t in tint)
    return Lamp((x, y, z), radius_mm, (r, g, b))


def light_of(name: str, azimuth_deg: float, height_deg: float, strength: float = 1.0) -> Light:
    """Return one of the kinds of light: "soft", "window", "sun", "warm" or "two lamps".

    Raises
    ------
    ValueError
        For any other name.
    """
    if name == "soft":
        lamp = _ball(azimuth_deg, 65.0, 2600.0, 900.0, 0.35 * strength, (0.97, 1.0, 1.03))
        return Light(name, (0.56, 0.60, 0.64), (lamp,), (1.02, 1.0, 0.96))
    if name == "window":
        lamp = _ball(azimuth_deg, height_deg, 1500.0, 330.0, 0.55 * strength, (0.96, 1.0, 1.06))
        return Light(name, (0.32, 0.32, 0.31), (lamp,), (1.02, 1.0, 0.98))
    if name == "sun":
        # the sun's disc has a radius of 0.27 degrees (from memory)
        lamp = _ball(azimuth_deg, height_deg, 9000.0, 9000.0 * 0.0047, 0.78 * strength, (1.05, 1.0, 0.90))
        return Light(name, (0.13, 0.17, 0.24), (lamp,), (1.0, 1.0, 1.02))
    if name == "warm":
        lamp = _ball(azimuth_deg, height_deg, 850.0, 38.0, 0.62 * strength, (1.35, 0.98, 0.56))
        return Light(name, (0.19, 0.15, 0.105), (lamp,), (0.86, 1.0, 1.35))
    if name == "two lamps":
        one = _ball(azimuth_deg, height_deg, 800.0, 60.0, 0.42 * strength, (1.08, 1.0, 0.90))
        two = _ball(azimuth_deg + 150, height_deg + 8, 900.0, 60.0, 0.30 * strength, (1.06, 1.0, 0.92))
        return Light(name, (0.17, 0.17, 0.165), (one, two), (0.97, 1.0, 1.06))
    raise ValueError(f"no light is called {name!r}")
