"""Places between those worked out lie where the map puts them, within a twentieth of a pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.above import GridInPhoto
from calib.frames import PlaneMap
from tests.calib.test_frames import BEND, PLANE

FIRST_MM, SPACING_MM = (20.05, 31.05), 0.1
SHAPE = (613, 1205)
"""No multiples of the step: the last places are cut."""


def exact(plane: PlaneMap, rows: range) -> np.ndarray:
    x, y = np.meshgrid(np.arange(SHAPE[1]), np.array(rows))
    return plane.px_from_mm(np.stack([x, y], axis=-1) * SPACING_MM + np.asarray(FIRST_MM))


@pytest.mark.parametrize("plane", [PLANE, replace(PLANE, bend=BEND)], ids=["flat", "bent"])
def test_all_places(plane: PlaneMap) -> None:
    grid = GridInPhoto.of(plane, FIRST_MM, SPACING_MM, SHAPE, 16)
    x_px, y_px = grid.maps()
    assert x_px.shape == y_px.shape == SHAPE
    off = np.hypot(*(np.stack([x_px, y_px], axis=-1) - exact(plane, range(SHAPE[0]))).transpose(2, 0, 1))
    assert off.max() < 0.05


def test_parts_are_those_of_the_whole_from_a_corner_of_their_own() -> None:
    grid = GridInPhoto.of(PLANE, FIRST_MM, SPACING_MM, SHAPE, 16)
    whole = np.stack(grid.maps())
    for rows in (slice(0, 128), slice(512, 613)):
        for columns in (slice(0, 512), slice(1024, 1205)):
            part = grid.part(rows, columns)
            left, top, right, bottom = part.box_px()
            x_px, y_px = part.maps((left, top))
            assert np.abs(np.stack([x_px + left, y_px + top]) - whole[:, rows, columns]).max() < 1e-3
            # All four pixels that a place is interpolated from lie in the box.
            assert x_px.min() >= 0 and x_px.max() <= right - left - 1
            assert y_px.min() >= 0 and y_px.max() <= bottom - top - 1


def test_finer_steps_are_nearer() -> None:
    worst, rows, columns = [], slice(0, 64), slice(0, SHAPE[1])
    for step in (16, 64):
        x_px, y_px = GridInPhoto.of(PLANE, FIRST_MM, SPACING_MM, SHAPE, step).part(rows, columns).maps()
        worst.append(np.abs(np.stack([x_px, y_px], axis=-1) - exact(PLANE, range(64))).max())
    # Linear interpolation errs with the square of the step; float32 rounds to a quarter of a thousandth.
    assert worst[0] < worst[1] / 4
