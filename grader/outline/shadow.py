"""The colours that shaded paper can have in this photo.

Paper in shadow is lit by what is left of the light: part of the lamp or sun (penumbra) and the
ambient light of the room or sky.  So its colour lies on the mixing line between white and one
ambient colour, which is found in each photo.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class ShadowSettings:
    """Search range and tolerances; log colours are natural logarithms of channel ratios."""

    shrink: int = 4
    """The line is found on a picture reduced by this factor (0.4 mm): less noise, quick."""
    depths: tuple[float, ...] = (-1.4, -1.7, -2.0, -2.3)
    """Candidates for the log brightness of paper lit by ambient light alone."""
    blueness: tuple[float, float, float] = (-0.3, 0.85, 0.05)
    """Candidates for ln(B/G) of the ambient light: low, high, step. Sky is blue, walls are warm."""
    tint: tuple[float, ...] = (-0.1, -0.05, 0.0, 0.05)
    """Candidates for the departure of ln(R/G) from the daylight line."""
    sky_tint: tuple[float, ...] = (-0.3, -0.25, -0.2, -0.15, -0.1, -0.05, 0.0)
    """The same for blue ambient light: clear sky takes away more red than the daylight line says."""
    sky_blueness: float = 0.25
    """ln(B/G) above which the ambient light is a clear sky."""
    daylight_slope: float = -0.5
    """ln(R/G) against ln(B/G) along daylight and lamp colours (measured on rendered skies)."""
    red_tolerance: float = 0.09
    """Scatter of ln(R/G) of shaded paper about the line: noise, coloured bounce light."""
    blue_tolerance: float = 0.13
    """Scatter of ln(B/G); bounce light from foliage takes away more blue."""


@dataclass(frozen=True, slots=True)
class ShadowColour:
    """Ambient light relative to the full light, as colour and log brightness."""

    blueness: float
    tint: float
    depth: float


def log_colour(linear: Field) -> tuple[Field, Field, Field]:
    """Return log brightness, ln(R/G) and ln(B/G), each (H, W), of relative linear light (H, W, 3)."""
    clipped = np.clip(linear, 2e-3, 3.0)
    log = cv2.log(clipped)
    brightness = cv2.log(clipped.mean(axis=-1))
    return brightness, log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]


def shaded_paper(brightness: Field, shadow: ShadowColour, settings: ShadowSettings) -> tuple[Field, Field]:
    """Return ln(R/G) and ln(B/G) that paper of this log brightness has in this photo."""
    ambient = np.exp([settings.daylight_slope * shadow.blueness + shadow.tint, 0.0, shadow.blueness])
    ambient = ambient / ambient.mean() * np.exp(shadow.depth)
    level = np.exp(np.clip(brightness, shadow.depth, 0.0))
    shade = ((1 - level) / (1 - np.exp(shadow.depth))).astype(np.float32)
    red, green, blue = (np.log1p(shade * np.float32(a - 1)) for a in ambient)
    return red - green, blue - green


def find_shadow_colour(linear: Field, settings: ShadowSettings) -> ShadowColour:
    """Return the ambient colour whose mixing line with white runs through most pixels, evenly.

    A line of shaded paper is populated at every brightness; the colour of a leaf is not.  The
    score is therefore the sum of the logarithms of the counts in bins of brightness.
    """
    small = cv2.resize(
        linear, None, fx=1 / settings.shrink, fy=1 / settings.shrink, interpolation=cv2.INTER_AREA
    )
    brightness, red, blue = log_colour(np.asarray(small, dtype=np.float32))
    deepest, faintest, most_colour, bin_width, few = -1.9, -0.15, 0.9, 0.25, 30.0
    usable = (brightness < faintest) & (brightness > deepest) & (np.hypot(red, blue) < most_colour)
    brightness, red, blue = brightness[usable], red[usable], blue[usable]
    n_bins = int((faintest - deepest) / bin_width)
    bins = np.clip(((brightness - deepest) / bin_width).astype(int), 0, n_bins - 1)
    best, best_score = ShadowColour(0.0, 0.0, settings.depths[1]), -np.inf
    for depth in settings.depths:
        for blueness in np.arange(*settings.blueness):
            is_sky = blueness > settings.sky_blueness
            for tint in settings.sky_tint if is_sky else settings.tint:
                candidate = ShadowColour(float(blueness), tint, depth)
                on_red, on_blue = shaded_paper(brightness, candidate, settings)
                near = (np.abs(red - on_red) < settings.red_tolerance / 2) & (
                    np.abs(blue - on_blue) < settings.blue_tolerance / 2
                )
                near &= brightness > depth - 0.1
                counts = np.bincount(bins[near], minlength=n_bins)
                score = float(np.log1p(counts / few).sum())
                if score > best_score:
                    best, best_score = candidate, score
    return best
