"""The covered share of every pixel of a tray, worked out where something grows: most of a tray is paper."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.edge import EDGE_LEVEL, Planes, coverage_of
from grader.outline.plant import MAP_SHRINK, enlarged
from grader.records import FlatView, linear_of

STRIP_CELLS = 64
"""Rows taken at a time, of cells: windows of one strip stay in the processor's cache."""
ROOM_CELLS = 4
"""Seen beyond the plant (0.8 mm): the reach of the colours that are carried to its edge."""
LIGHT_STEP_PX = 64
"""The paper's light is taken as even over so many pixels: here it only weighs one colour against another."""
Bits = NDArray[np.uint8]
LINEAR = linear_of(np.arange(256, dtype=np.uint8))
"""Linear light of every code."""


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """How much of each place is covered by plants."""

    share: NDArray[np.float32]
    """(H, W) of the pixels of the flat view, 0 to 1."""
    cells: Bits
    """(H/2, W/2) 1 where half of a cell of the maps is covered."""


def cover_of(view: FlatView, plant: NDArray[np.float32], least_likeness: float) -> Cover:
    """Return what plants cover, from the probabilities (H/2, W/2) of the maps.

    Parameters
    ----------
    view : FlatView
    plant : (H/2, W/2) float32
        Probability of being plant.
    least_likeness : float
        From which a place counts.
    """
    n_rows, n_columns = plant.shape
    share = np.zeros((n_rows * MAP_SHRINK, n_columns * MAP_SHRINK), dtype=np.float32)
    cells = np.zeros(plant.shape, dtype=np.uint8)
    likely = np.asarray(plant > least_likeness, dtype=np.uint8)
    light = view.light.within(view.whole, tuple(-(-side // LIGHT_STEP_PX) for side in share.shape))
    for top in range(0, n_rows, STRIP_CELLS):
        bottom = min(n_rows, top + STRIP_CELLS)
        low, high = max(0, top - ROOM_CELLS), min(n_rows, bottom + ROOM_CELLS)
        for left, right in _runs(likely[low:high]):
            room = _pixels(low, high), _pixels(left, right)
            lay = view.lay_mask[room]
            solid = (enlarged(plant[low:high, left:right], lay.shape) > least_likeness) & lay
            middle = tuple((part.start + part.stop) // 2 // LIGHT_STEP_PX for part in room)
            covered = coverage_of(_linear(view.rgb[room], light[middle]), solid) * lay
            kept = covered[(top - low) * MAP_SHRINK : (bottom - low) * MAP_SHRINK]
            share[_pixels(top, bottom), room[1]] = kept
            mean = cv2.resize(kept, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
            cells[top:bottom, left:right] = mean > EDGE_LEVEL
    return Cover(share, cells)


def _runs(likely: Bits) -> Iterator[tuple[int, int]]:
    """Return the columns, first and beyond last, with something in them or near: an even number of them."""
    has = likely.max(axis=0)
    padded = np.pad(has, (0, len(has) % 2)).reshape(-1, 2).max(axis=1)
    near = cv2.dilate(padded[None], np.ones((1, ROOM_CELLS + 1), np.uint8))[0]
    change = np.flatnonzero(np.diff(near, prepend=0, append=0))
    for first, beyond in 2 * change.reshape(-1, 2):
        yield int(first), min(int(beyond), len(has))


def _pixels(first: int, beyond: int) -> slice:
    return slice(first * MAP_SHRINK, beyond * MAP_SHRINK)


def _linear(rgb: Bits, light: NDArray[np.float32]) -> Planes:
    """Return light over that of the paper (3,), one plane a colour, of 8 bit codes (h, w, 3)."""
    planes = np.empty((3, *rgb.shape[:2]), dtype=np.float32)
    for codes, paper, plane in zip(cv2.split(np.ascontiguousarray(rgb)), light, planes, strict=True):
        cv2.LUT(codes, LINEAR / paper, dst=plane)
    return planes
