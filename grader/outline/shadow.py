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
N_BINS = 7
DEEPEST, FAINTEST = -1.9, -0.15
"""Log brightness of the first and beyond the last bin: darker is plant, lighter has no colour of its own."""
FEW = 30.0
"""So many pixels in a bin say that the line runs there; more hardly say it better."""


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
    candidates = _candidates(settings)
    blueness, tint, depth = candidates.T[..., None]
    edges = np.linspace(DEEPEST, FAINTEST, N_BINS * LEVELS_A_BIN + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    on_red, on_blue = _on_lines(middle[None, :], blueness, tint, depth, settings)
    red, blue = (
        _Cells.around(value, tolerance / 2)
        for value, tolerance in ((on_red, settings.red_tolerance), (on_blue, settings.blue_tolerance))
    )
    near = _counted(_summed(_usable(linear), len(middle), red, blue), red, blue)
    near[middle[None, :] < depth - 0.1] = 0.0
    by_bin = near.reshape(len(candidates), N_BINS, LEVELS_A_BIN).sum(axis=2)
    scores = np.log1p(by_bin / FEW).sum(axis=1)
    return ShadowColour(*(float(part) for part in candidates[int(scores.argmax())]))


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Which cells of a log colour are counted for each candidate and level."""

    first: int
    """Of all, in COLOUR_STEP from zero."""
    n: int
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    """(N, L) first, and beyond last, counted from the first of all."""

    @classmethod
    def around(cls, value: Cells, reach: float) -> _Cells:
        """Return the cells within reach of these values (N, L)."""
        low, high = (np.round((value + by) / COLOUR_STEP).astype(np.int64) for by in (-reach, reach))
        first = int(low.min())
        return cls(first, int(high.max()) - first, low - first, high - first)

    def of(self, colour: Field) -> NDArray[np.int64]:
        """Return the cells of log colours, outside 0 to ``n`` - 1 where none is counted."""
        return np.asarray(np.floor(colour / COLOUR_STEP), dtype=np.int64) - self.first


def _usable(linear: Field) -> Field:
    """Return the colours (N, 3) that shaded paper may have by their brightness."""
    level = cv2.transform(linear, np.full((1, 3), 1 / 3, np.float32))
    at = np.flatnonzero((level > np.exp(DEEPEST)) & (level < np.exp(FAINTEST)))
    return linear.reshape(-1, 3).take(at, axis=0)


def _summed(colours: Field, n_levels: int, red: _Cells, blue: _Cells) -> Cells:
    """Return how many pixels lie above and left of each corner of cells, (L * red + 1, blue + 1)."""
    brightness, in_red, in_blue = (part[0] for part in log_colour(colours[None]))
    level = np.floor((brightness - DEEPEST) * (n_levels / (FAINTEST - DEEPEST))).astype(np.int64)
    places = np.stack([level, red.of(in_red), blue.of(in_blue)])
    shape = (n_levels, red.n, blue.n)
    counted = (places >= 0).all(axis=0) & (places < np.reshape(shape, (3, 1))).all(axis=0)
    at = np.ravel_multi_index(tuple(places[:, counted]), shape)
    counts = np.bincount(at, minlength=int(np.prod(shape))).astype(np.float32)
    # All levels lie one below the other: a window's count is a difference, so nothing of those above stays.
    return np.asarray(cv2.integral(counts.reshape(-1, blue.n)), dtype=np.float64)


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


def _counted(summed: Cells, red: _Cells, blue: _Cells) -> Cells:
    """Return (N, L) how many pixels lie within both reaches, from a summed-area table."""
    first = np.arange(red.low.shape[1]) * red.n
    rows = [(first + red_at) * summed.shape[1] for red_at in (red.low, red.high)]
    (low_low, low_high), (high_low, high_high) = (
        [summed.ravel().take(row + blue_at) for blue_at in (blue.low, blue.high)] for row in rows
    )
    return np.asarray(high_high - low_high - high_low + low_low)
