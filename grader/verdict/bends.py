"""The bends of an axis, and the sharpest one between any two places."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.records import CuttingShape, Values
from grader.verdict.along import at_arc

# The definition of crook (grader/traits/catalogue.py).
CHORD_MM, CROOK_STEP_MM = 12.0, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Bends:
    """All pairs of neighbouring 12 mm chords."""

    middle_mm: Values
    """(M,) where the two meet, from the base."""
    angle_deg: Values
    sigma_deg: Values
    highest: NDArray[np.intp]
    """(L, M) row k: place of the largest angle among 2^k from each on."""
    highest_peak: NDArray[np.intp]
    """(L, M) the same among peaks only."""
    peak_deg: Values
    """(M,) the angles where they are at least as large as everywhere within half a chord, else -1."""

    def sharpest(self, from_mm: Values, to_mm: Values) -> tuple[Values, NDArray[np.intp]]:
        """Return the largest angle (N,) with its middle between two places, and its index; -1 where none."""
        return self._largest(self.angle_deg, self.highest, from_mm, to_mm)

    def sharpest_peak(self, from_mm: Values, to_mm: Values) -> tuple[Values, NDArray[np.intp]]:
        """Return the same of peaks only."""
        return self._largest(self.peak_deg, self.highest_peak, from_mm, to_mm)

    def _largest(
        self, curve: Values, table: NDArray[np.intp], from_mm: Values, to_mm: Values
    ) -> tuple[Values, NDArray[np.intp]]:
        first = np.searchsorted(self.middle_mm, from_mm)
        last = np.searchsorted(self.middle_mm, to_mm, side="right") - 1
        exists = last >= first
        if not exists.any():
            return np.full(len(first), -1.0), np.zeros(len(first), dtype=np.intp)
        first, last = np.where(exists, first, 0), np.where(exists, last, 0)
        row = np.frexp(last - first + 1)[1] - 1  # the largest power of two that fits in
        low, high = table[row, first], table[row, last + 1 - (1 << row)]
        index = np.where(curve[high] > curve[low], high, low)
        return np.where(exists, curve[index], -1.0), index


def bends_of(shape: CuttingShape) -> Bends:
    """Return middles, angles and uncertainties of all pairs of neighbouring 12 mm chords."""
    middles = np.arange(CHORD_MM, float(shape.arc_mm[-1]) - CHORD_MM + 1e-9, CROOK_STEP_MM)
    here, below, above = (at_arc(shape, middles + away) for away in (0.0, -CHORD_MM, CHORD_MM))
    before, after = here - below, above - here
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    angles = np.degrees(np.abs(np.arctan2(cross, np.sum(before * after, axis=1))))
    low = np.searchsorted(shape.arc_mm, middles - CHORD_MM)
    high = np.searchsorted(shape.arc_mm, middles + CHORD_MM, side="right")
    across = _medians(shape.axis_sigma_mm, low, high)
    # Second difference of three positions over one chord: variance 1 + 4 + 1.
    sigmas = np.degrees(math.sqrt(6) * across / CHORD_MM)
    peaks = np.where(_is_peak(angles), angles, -1.0)
    return Bends(middles, angles, sigmas, _highest(angles), _highest(peaks), peaks)


def _medians(values: Values, low: NDArray[np.intp], high: NDArray[np.intp]) -> Values:
    """Return the medians (M,) of stretches; on an evenly stepped axis they have two or three sizes."""
    medians = np.full(len(low), np.nan)
    for size in np.unique(high - low):
        chosen = np.flatnonzero(high - low == size)
        windows = np.lib.stride_tricks.sliding_window_view(values, int(size))
        medians[chosen] = np.median(windows[low[chosen]], axis=1)
    return medians


def _highest(curve: Values) -> NDArray[np.intp]:
    """Return the first place (L, M) of the largest value among 2^k places from each on.

    A sparse table: any stretch is covered by two of these (Bender and Farach-Colton 2000, "The LCA Problem
    Revisited", from memory).
    """
    rows = [np.arange(len(curve))]
    reach = 1
    while 2 * reach <= len(curve):
        low, high = rows[-1].copy(), rows[-1].copy()
        high[:-reach] = rows[-1][reach:]
        rows.append(np.where(curve[high] > curve[low], high, low))
        reach *= 2
    return np.stack(rows)


def _is_peak(angles: Values) -> NDArray[np.bool_]:
    """Return where a curve is at least as high as everywhere within half a chord."""
    reach = round(CHORD_MM / 2.0 / CROOK_STEP_MM)
    padded = np.pad(angles, reach, constant_values=-1.0)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(angles >= windows.max(axis=1)) if len(angles) else np.zeros(0, dtype=np.bool_)
