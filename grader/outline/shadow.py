"""Telling plant from paper: the colours that shaded paper can have, and the distance from them.

Paper in shadow is lit by what is left of the light: part of the lamp or sun (penumbra) and the
ambient light of the room or sky.  So its colour lies on the mixing line between white and one
ambient colour, which is found in each photo.  What lies off that line, or is darker than the
ambient light allows, is not paper.
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
    daylight_slope: float = -0.5
    """ln(R/G) against ln(B/G) along daylight and lamp colours (measured on rendered skies)."""
    red_tolerance: float = 0.09
    """Scatter of ln(R/G) of shaded paper about the line: noise, coloured bounce light."""
    blue_tolerance: float = 0.13
    """Scatter of ln(B/G); bounce light from foliage takes away more blue."""
    dark_tolerance: float = 0.25
    """Scatter of log brightness below the ambient floor: contact shadow."""
    smooth_px: float = 0.8
    """Gaussian smoothing before colours are judged: single-pixel chroma noise of JPEG."""
    faintest: float = -0.12
    """Log brightness above which a pixel counts as clean paper whatever its colour."""


@dataclass(frozen=True, slots=True)
class ShadowColour:
    """Ambient light relative to the full light, as colour and log brightness."""

    blueness: float
    tint: float
    depth: float


@dataclass(frozen=True, slots=True, eq=False)
class ColourFields:
    """Per pixel: log brightness, ln(R/G), ln(B/G) and how unlike paper it is (1 = at the limit)."""

    brightness: Field
    red: Field
    blue: Field
    unlike_paper: Field


def log_colour(linear: Field) -> tuple[Field, Field, Field]:
    """Return log brightness, ln(R/G) and ln(B/G), each (H, W), of relative linear light (H, W, 3)."""
    clipped = np.clip(linear, 2e-3, 3.0)
    log = cv2.log(clipped)
    brightness = cv2.log(clipped.mean(axis=-1))
    return brightness, log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]


def shaded_paper(
    brightness: Field, shadow: ShadowColour, settings: ShadowSettings
) -> tuple[Field, Field]:
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
    brightness, red, blue = log_colour(small)
    deepest, faintest, most_colour, bin_width, few = -1.9, -0.15, 0.9, 0.25, 30.0
    usable = (brightness < faintest) & (brightness > deepest) & (np.hypot(red, blue) < most_colour)
    brightness, red, blue = brightness[usable], red[usable], blue[usable]
    n_bins = int((faintest - deepest) / bin_width)
    bins = np.clip(((brightness - deepest) / bin_width).astype(int), 0, n_bins - 1)
    best, best_score = ShadowColour(0.0, 0.0, settings.depths[1]), -np.inf
    for depth in settings.depths:
        for blueness in np.arange(*settings.blueness):
            for tint in settings.tint:
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


def colour_fields(linear: Field, shadow: ShadowColour, settings: ShadowSettings) -> ColourFields:
    """Return colours and how unlike paper each pixel is: distance from the line over tolerance."""
    smooth = cv2.GaussianBlur(linear, (0, 0), settings.smooth_px)
    brightness, red, blue = log_colour(smooth)
    on_red, on_blue = shaded_paper(brightness, shadow, settings)
    off_red = (red - on_red) / settings.red_tolerance
    off_blue = (blue - on_blue) / settings.blue_tolerance
    too_dark = np.maximum(0, (shadow.depth - 0.1 - brightness) / settings.dark_tolerance)
    unlike = np.sqrt(off_red**2 + off_blue**2 + too_dark**2)
    unlike[brightness > settings.faintest] = 0.0
    return ColourFields(brightness, red, blue, unlike.astype(np.float32))
