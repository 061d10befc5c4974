"""Patches of plant: gaps closed or kept, crumbs given to the plant they belong to."""

from __future__ import annotations

import numpy as np
import pytest

from grader.outline.pieces import PieceSettings, closed, whole_pieces, with_room
from grader.outline.plant import PlantMaps

CELL_MM = 0.2
SHAPE = (300, 500)
SETTINGS = PieceSettings()


def maps(bases: list[tuple[int, int]]) -> PlantMaps:
    """Return maps that say nothing but where bases (x, y) are."""
    zero = np.zeros(SHAPE, np.float32)
    base = zero.copy()
    for x, y in bases:
        base[y - 4 : y + 5, x - 4 : x + 5] = 0.9
    return PlantMaps(zero, zero, zero, zero, base, zero)


def bar(cells: np.ndarray, left: int, right: int, y: int, half: int = 4) -> None:
    cells[y - half : y + half + 1, left : right + 1] = 1


def pieces_of(cells: np.ndarray, bases: list[tuple[int, int]]) -> list:
    return whole_pieces(cells, maps(bases), CELL_MM, SETTINGS)


def test_a_gap_of_one_cell_is_closed_a_wider_one_is_kept() -> None:
    for gap, n_expected in ((1, 1), (2, 2)):
        cells = np.zeros(SHAPE, np.uint8)
        bar(cells, 50, 200, 60)
        cells[62 : 62 + gap, 50:201] = 0
        whole = closed(cells, CELL_MM, SETTINGS)
        assert np.array_equal(whole & cells, cells)
        assert (
            len(np.unique(np.flatnonzero(np.diff(whole[:, 100].astype(int), prepend=0) == 1))) == n_expected
        )


def test_closing_neither_moves_nor_widens_a_thing() -> None:
    cells = np.zeros(SHAPE, np.uint8)
    bar(cells, 50, 200, 60)
    assert np.array_equal(closed(cells, CELL_MM, SETTINGS), cells)


def test_two_cuttings_are_two_pieces_with_their_bases() -> None:
    cells = np.zeros(SHAPE, np.uint8)
    bar(cells, 50, 250, 60)
    bar(cells, 50, 250, 75)
    found = pieces_of(cells, [(50, 60), (250, 75)])
    assert [piece.area_mm2 for piece in found] == [pytest.approx(9 * 201 * 0.04)] * 2
    for piece, (x, y) in zip(found, [(50, 60), (250, 75)], strict=True):
        assert piece.ends is not None
        at = np.add(piece.ends.candidates[0].xy_px, piece.corner)
        # Half of the place of a base lies beyond the end; only what is near the piece counts.
        assert np.hypot(*np.subtract(at, (x, y))) < 3.0


def test_a_crumb_within_reach_joins_its_plant_and_one_further_off_is_left_out() -> None:
    cells = np.zeros(SHAPE, np.uint8)
    bar(cells, 50, 250, 60)
    cells[68:74, 100:110] = 1  # gap of 3 cells, 0.6 mm
    cells[80:86, 200:210] = 1  # 3 mm off
    (piece,) = pieces_of(cells, [(50, 60)])
    assert piece.area_mm2 == pytest.approx((9 * 201 + 60) * 0.04)
    x, y = piece.corner
    assert piece.mask[70 - y, 105 - x] and piece.mask.shape[0] == 74 - 56
    assert piece.ends is not None
    assert np.hypot(*np.subtract(np.add(piece.ends.candidates[0].xy_px, (x, y)), (50, 60))) < 3.0


def test_a_larger_piece_without_a_base_joins_the_nearest_with_one() -> None:
    cells = np.zeros(SHAPE, np.uint8)
    bar(cells, 50, 250, 60, half=6)
    bar(cells, 50, 250, 120, half=6)
    bar(cells, 100, 180, 75, half=4)  # 29 mm2, gap of 4 cells to the first, far from the second
    found = pieces_of(cells, [(50, 60), (50, 120)])
    assert sorted(round(piece.area_mm2, 1) for piece in found) == [
        pytest.approx(13 * 201 * 0.04, abs=0.1),
        pytest.approx((13 * 201 + 9 * 81) * 0.04, abs=0.1),
    ]


def test_pieces_without_any_base_are_kept_apart() -> None:
    cells = np.zeros(SHAPE, np.uint8)
    bar(cells, 50, 250, 60)
    bar(cells, 50, 250, 72)
    assert len(pieces_of(cells, [])) == 2


def test_room_ends_at_the_border_of_the_tray() -> None:
    corner, roomy = with_room((2, 290), np.ones((10, 20), bool), SHAPE)
    assert corner == (0, 284)
    assert roomy.shape == (16, 28)
    assert roomy.sum() == 200 and roomy[6, 2] and not roomy[5, 2]
