"""Fields of pixels and of cells are read at the same places."""

from __future__ import annotations

import numpy as np
import pytest

from grader.shape.fields import CuttingFields, centre_line
from tests.shape.probabilities import MM_PER_PX, blank, fields_of

SLOPE = np.array([0.013, -0.007])
"""Of a plane over x and y, per mm."""


def plane() -> np.ndarray:
    """Return a field whose value at each pixel's centre is that of the plane there."""
    rows, columns = np.mgrid[: blank().shape[0], : blank().shape[1]]
    return (0.5 + (columns * SLOPE[0] + rows * SLOPE[1]) * MM_PER_PX).astype(np.float32)


def planes() -> CuttingFields:
    return fields_of(plane(), tip=plane(), bare_axis=plane())


PLACES_MM = np.random.default_rng(3).uniform((1.0, 1.0), (110.0, 38.0), (50, 2))


def test_values_of_pixels_and_cells_lie_on_the_plane() -> None:
    fields = planes()
    true = 0.5 + PLACES_MM @ SLOPE
    assert fields.marks.tip.shape == tuple(side // 2 for side in fields.coverage.shape)
    for field in (fields.coverage, fields.marks.tip, centre_line(fields)):
        assert fields.at(field, PLACES_MM) == pytest.approx(true, abs=1e-3)


def test_profiles_across_a_curve_are_read_as_their_places_are() -> None:
    fields = planes()
    normals = np.tile([0.6, 0.8], (len(PLACES_MM), 1))
    across_mm = np.linspace(-0.8, 0.8, 9)
    places = PLACES_MM[:, None] + across_mm[None, :, None] * normals[:, None]
    for field in (fields.coverage, fields.marks.tip):
        found = fields.across(field, PLACES_MM, normals, across_mm)
        assert found == pytest.approx(fields.at(field, places), abs=1e-3)


def test_the_middle_of_a_cell_is_where_it_is() -> None:
    fields = planes()
    assert fields.cell_px == 2 and fields.cell_mm == pytest.approx(2 * MM_PER_PX)
    assert fields.middle_mm(fields.coverage, np.array([30, 10])) == pytest.approx((3.0, 1.0))
    assert fields.middle_mm(fields.marks.tip, np.array([15, 5])) == pytest.approx((3.05, 1.05))
