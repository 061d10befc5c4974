"""Fields of pixels and of cells are read at the same places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grader.shape.fields import CuttingFields
from grader.shape.sheet import Sheet, groups_on_sheets
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
    for field in (fields.coverage, fields.marks.tip):
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
    sheet, owner = Sheet.of([fields, fields]), np.array([0, 1])
    cells = np.array([[15, 5], [15, 5 + sheet.tops_px[1] // 2]])
    assert sheet.mm_of(cells, owner, 2) == pytest.approx(np.array([[3.05, 1.05]] * 2))
    assert sheet.cells_of(np.array([[3.05, 1.05]] * 2), owner, 2) == pytest.approx(cells[:, ::-1])


@pytest.mark.parametrize("sizes_mm", [[(40.0, 120.0)], [(40.0, 120.0), (7.7, 33.3), (61.5, 90.2)]])
def test_a_sheet_is_read_as_each_cutting_is_alone(sizes_mm: list[tuple[float, float]]) -> None:
    rng = np.random.default_rng(len(sizes_mm))
    cuttings = []
    for k, (height_mm, width_mm) in enumerate(sizes_mm):
        rows, columns = (2 * round(side_mm / MM_PER_PX / 2) for side_mm in (height_mm, width_mm))
        noise = [rng.uniform(size=(rows, columns)).astype(np.float32) for _ in range(2)]
        fields = fields_of(noise[0], leafy_axis=noise[1])
        cuttings.append(replace(fields, corner_mm=(10.0 * k, 3.0 * k)))
    sheet = Sheet.of(cuttings)
    owner = rng.integers(0, len(cuttings), 200)
    places = rng.uniform(-2.0, (120.0, 60.0), (200, 2)) + np.array([10.0, 3.0]) * owner[:, None]
    angle = rng.uniform(0.0, 6.28, 200)
    normals, across_mm = np.stack([np.cos(angle), np.sin(angle)], axis=1), np.linspace(-2.0, 2.0, 21)
    for name in ("coverage", "leafy_axis"):
        found = sheet.across(getattr(sheet, name), owner, places, normals, across_mm)
        for k, cutting in enumerate(cuttings):
            field = cutting.coverage if name == "coverage" else cutting.marks.leafy_axis
            # Further down is the next one.
            of = (owner == k) & (places[:, 1] - 3.0 * k < sizes_mm[k][0] + 4.0)
            alone = cutting.across(field, places[of], normals[of], across_mm)
            # OpenCV looks at 32 places between two pixels.
            assert np.abs(found[of] - alone).max() < 2.5 / 32


def test_many_cuttings_take_several_sheets() -> None:
    heights = [2000] * 40
    groups = list(groups_on_sheets(heights))
    assert [k for group in groups for k in range(40)[group]] == list(range(40))
    assert len(groups) == 3
    assert list(groups_on_sheets([])) == []
    assert list(groups_on_sheets([50_000, 100])) == [slice(0, 1), slice(1, 2)]
