"""The colours that shaded paper can have in this photo.

Paper in shadow is lit by what is left of the light: part of the lamp or sun (penumbra) and the
ambient light of the room or sky.  So its colour lies on the mixing line between white and one
ambient colour, which is found in each photo.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
Cells = NDArray[np.float64]
COLOUR_STEP = 0.01
"""Of log colour, in which pixels are counted: a ninth of the tolerances."""
LEVELS_A_BIN = 4
"""Steps of brightness within one bin; paper of one bin changes its colour by less than a cell in each."""


@dataclass(frozen=True, slots=True)
class ShadowSettings:
    """Search range and tolerances; log colours are natural logarithms of channel ratios."""

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
    blueness, tint, depth = (np.float32(part) for part in (shadow.blueness, shadow.tint, shadow.depth))
    return _on_lines(brightness, blueness, tint, depth, settings)


def _on_lines(
    brightness: NDArray[Any], blueness: Any, tint: Any, depth: Any, settings: ShadowSettings
) -> tuple[NDArray[Any], NDArray[Any]]:
    """The same for ambient light given by its parts; all of shapes that go together."""
    red, blue = np.exp(settings.daylight_slope * blueness + tint), np.exp(blueness)
    full = np.exp(depth)
    dimmed = full * 3 / (red + 1 + blue)
    level = np.exp(np.clip(brightness, depth, 0))
    shade = (1 - level) / (1 - full)
    red, green, blue = (np.log1p(shade * (part * dimmed - 1)) for part in (red, np.ones_like(red), blue))
    return red - green, blue - green


def find_shadow_colour(linear: Field, settings: ShadowSettings) -> ShadowColour:
    """Return the ambient colour whose mixing line with white runs through most pixels, evenly.

    A line of shaded paper is populated at every brightness; the colour of a leaf is not.  The
    score is therefore the sum of the logarithms of the counts in bins of brightness.  All pixels are
    counted once, by brightness and colour; a candidate's count is then a few sums (a summed-area table).

    Parameters
    ----------
    linear : (H, W, 3) float32
        Relative linear light, reduced to about 0.4 mm a pixel: less noise, quick.
    settings : ShadowSettings
    """
    deepest, faintest, most_colour, bin_width, few = -1.9, -0.15, 0.9, 0.25, 30.0
    brightness, red, blue = log_colour(linear)
    usable = (brightness < faintest) & (brightness > deepest) & (np.hypot(red, blue) < most_colour)
    n_bins = int((faintest - deepest) / bin_width)
    levels = np.linspace(deepest, faintest, n_bins * LEVELS_A_BIN + 1)
    cells = np.linspace(-most_colour, most_colour, round(2 * most_colour / COLOUR_STEP) + 1)
    counts, _ = np.histogramdd(
        np.stack([brightness[usable], red[usable], blue[usable]], axis=1), bins=(levels, cells, cells)
    )
    summed = np.pad(counts, ((0, 0), (1, 0), (1, 0))).cumsum(axis=1).cumsum(axis=2)
    middle = (levels[1:] + levels[:-1]) / 2
    candidates = _candidates(settings)
    blueness, tint, depth = candidates.T[..., None]
    on_red, on_blue = _on_lines(middle[None, :], blueness, tint, depth, settings)
    near = _counted(summed, on_red, settings.red_tolerance / 2, on_blue, settings.blue_tolerance / 2)
    near[middle[None, :] < depth - 0.1] = 0.0
    scores = np.log1p(near.reshape(len(candidates), n_bins, LEVELS_A_BIN).sum(axis=2) / few).sum(axis=1)
    return ShadowColour(*(float(part) for part in candidates[int(scores.argmax())]))


def _candidates(settings: ShadowSettings) -> Cells:
    """Return blueness, tint and depth, (N, 3), of every candidate."""
    return np.array(
        [
            (blueness, tint, depth)
            for depth in settings.depths
            for blueness in np.arange(*settings.blueness)
            for tint in (settings.sky_tint if blueness > settings.sky_blueness else settings.tint)
        ]
    )


def _counted(summed: Cells, red: Cells, red_reach: float, blue: Cells, blue_reach: float) -> Cells:
    """Return (..., L) how many pixels lie within both reaches, from summed-area tables (L, N, N)."""
    n_cells = summed.shape[1] - 1
    middle = n_cells / 2

    def edge(value: Cells) -> NDArray[np.int64]:
        return np.asarray(np.clip(np.round(value / COLOUR_STEP + middle), 0, n_cells), dtype=np.int64)

    level = np.arange(len(summed))
    left, right = edge(red - red_reach), edge(red + red_reach)
    low, high = edge(blue - blue_reach), edge(blue + blue_reach)
    above = summed[level, right, high] - summed[level, left, high]
    return np.asarray(above - summed[level, right, low] + summed[level, left, low])
