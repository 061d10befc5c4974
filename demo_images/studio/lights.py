"""Lights over the bench, as plain descriptions; radiance in arbitrary linear units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Rgb = tuple[float, float, float]

SUN_RADIUS_DEG = 0.27
"""Half the apparent diameter of the sun."""


@dataclass(frozen=True, slots=True)
class Lamp:
    """A flat round or square light that looks at the middle of the sheet."""

    at_mm: tuple[float, float, float]
    size_mm: float
    """Radius of a disk, half side of a square."""
    radiance: Rgb
    is_square: bool = False


@dataclass(frozen=True, slots=True)
class Light:
    """All light on the bench."""

    name: str
    sky: Rgb
    """From every upper direction."""
    lamps: tuple[Lamp, ...]
    white: Rgb
    """What the camera took for white: its white balance is imperfect."""

    def as_truth(self) -> dict[str, Any]:
        """Return the light for the truth file."""
        return {
            "name": self.name,
            "sky": list(self.sky),
            "lamps": [{"at": list(lamp.at_mm), "size_mm": lamp.size_mm} for lamp in self.lamps],
        }


def _towards(azimuth_deg: float, elevation_deg: float, distance_mm: float) -> tuple[float, float, float]:
    a, e = np.radians([azimuth_deg, elevation_deg])
    at = distance_mm * np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    return (float(at[0]), float(at[1]), float(at[2]))


def make_light(name: str, rng: np.random.Generator, azimuth_deg: float | None = None) -> Light:
    """Return one of the lights: "overcast", "shade", "window", "two_lamps", "hard_sun", "warm_lamp"."""
    azimuth = float(rng.uniform(0, 360)) if azimuth_deg is None else azimuth_deg

    def scaled(colour: Rgb, irradiance: float, lamp_solid: float) -> Rgb:
        """Return the radiance that gives about ``irradiance`` through a solid angle (sr, cosine in)."""
        return (colour[0] * irradiance / lamp_solid, colour[1] * irradiance / lamp_solid, colour[2] * irradiance / lamp_solid)

    if name == "overcast":
        panel = scaled((0.98, 1.0, 1.04), 1.6, 1400.0**2 / 1700.0**2)
        lamp = Lamp(_towards(azimuth, rng.uniform(55, 80), 1700.0), 700.0, panel, True)
        return Light(name, (0.42, 0.44, 0.47), (lamp,), (0.97, 1.0, 1.05))
    if name == "shade":
        panel = scaled((0.96, 1.0, 1.06), 0.9, 1600.0**2 / 1500.0**2)
        lamp = Lamp(_towards(azimuth, rng.uniform(40, 65), 1500.0), 800.0, panel, True)
        return Light(name, (0.5, 0.55, 0.62), (lamp,), (0.93, 1.0, 1.08))
    if name == "window":
        panel = scaled((0.97, 1.0, 1.05), 3.4, 900.0**2 / 1300.0**2)
        lamp = Lamp(_towards(azimuth, rng.uniform(28, 42), 1300.0), 450.0, panel, True)
        return Light(name, (0.17, 0.17, 0.165), (lamp,), (0.99, 1.0, 1.03))
    if name == "two_lamps":
        lamps = tuple(
            Lamp(_towards(azimuth + turn, rng.uniform(45, 60), 900.0), 110.0, scaled((1.05, 1.0, 0.90), 1.3, 0.047), True)
            for turn in (0.0, float(rng.uniform(140, 200)))
        )
        return Light(name, (0.16, 0.155, 0.145), lamps, (1.04, 1.0, 0.91))
    if name == "hard_sun":
        distance = 20000.0
        radius = distance * float(np.tan(np.radians(SUN_RADIUS_DEG)))
        lamp = Lamp(_towards(azimuth, rng.uniform(33, 55), distance), radius, scaled((1.06, 1.0, 0.90), 3.2, np.pi * (radius / distance) ** 2))
        return Light(name, (0.105, 0.140, 0.205), (lamp,), (1.02, 1.0, 0.97))
    if name == "warm_lamp":
        size = float(rng.uniform(28, 55))
        lamp = Lamp(_towards(azimuth, rng.uniform(50, 68), 820.0), size, scaled((1.35, 0.98, 0.50), 2.4, np.pi * (size / 820.0) ** 2))
        return Light(name, (0.145, 0.105, 0.060), (lamp,), (1.20, 1.0, 0.70))
    raise ValueError(f"no light is called {name!r}")
