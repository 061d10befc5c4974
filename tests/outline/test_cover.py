"""What plants cover is the same in windows as on the whole, wherever the windows are cut."""

from __future__ import annotations

import numpy as np
import pytest

from grader.outline.cover import ROOM_CELLS, STRIP_CELLS, cover_of
from grader.outline.edge import coverage_of
from grader.outline.plant import MAP_SHRINK, enlarged
from grader.records import FlatView
from tests.flat_views import linear_of_view, view_of_light

ROWS_PX, COLUMNS_PX = 2 * MAP_SHRINK * STRIP_CELLS + 90, 402
GREEN = np.array([0.10, 0.22, 0.07])
LEAST = 0.5


def discs(centres_px: list[tuple[float, float]], radius_px: float) -> np.ndarray:
    """Return the covered share of each pixel: discs with an edge of one pixel."""
    rows, columns = np.mgrid[:ROWS_PX, :COLUMNS_PX]
    share = np.zeros((ROWS_PX, COLUMNS_PX))
    for x, y in centres_px:
        share = np.maximum(share, np.clip(radius_px + 0.5 - np.hypot(columns - x, rows - y), 0, 1))
    return share


def tray(share: np.ndarray, lay: np.ndarray | None = None) -> tuple[FlatView, np.ndarray]:
    """Return a view of plants and what a network would say of its cells."""
    light = share[..., None] * GREEN + (1 - share[..., None])
    cells = share.reshape(ROWS_PX // 2, 2, COLUMNS_PX // 2, 2).mean(axis=(1, 3))
    return view_of_light(light, lay), cells.astype(np.float32)


EDGE_OF_STRIP_PX = MAP_SHRINK * STRIP_CELLS
PLACES = [(60.0, EDGE_OF_STRIP_PX - 1.0), (330.0, EDGE_OF_STRIP_PX + 40.3), (200.4, 2.0 * EDGE_OF_STRIP_PX)]


def test_the_share_is_that_of_the_discs_across_strips_too() -> None:
    share = discs(PLACES, 28.0)
    cover = cover_of(*tray(share), LEAST)
    assert cover.share.shape == (ROWS_PX, COLUMNS_PX)
    assert cover.share.sum() == pytest.approx(3 * np.pi * 28.0**2, rel=0.004)
    assert abs(cover.share - share).max() < 0.1


def test_windows_find_what_the_whole_finds() -> None:
    view, plant = tray(discs(PLACES, 28.0))
    solid = enlarged(plant, view.lay_mask.shape) > LEAST
    whole = coverage_of(np.ascontiguousarray(np.moveaxis(linear_of_view(view), -1, 0)), solid)
    assert abs(cover_of(view, plant, LEAST).share - whole).max() < 0.01


def test_cells_are_those_that_are_covered_by_half() -> None:
    view, plant = tray(discs(PLACES, 28.0))
    cover = cover_of(view, plant, LEAST)
    mean = cover.share.reshape(ROWS_PX // 2, 2, COLUMNS_PX // 2, 2).mean(axis=(1, 3))
    sure = abs(mean - 0.5) > 1e-5
    assert np.array_equal(cover.cells[sure] > 0, mean[sure] > 0.5)


def test_off_the_lay_area_and_on_blank_paper_nothing_is_covered() -> None:
    share = discs(PLACES, 28.0)
    lay = np.ones(share.shape, bool)
    lay[:, :60] = False
    cover = cover_of(*tray(share, lay), LEAST)
    assert not cover.share[:, :60].any() and cover.share[:, 60:100].any()
    blank, nothing = tray(np.zeros(share.shape))
    assert not cover_of(blank, nothing, LEAST).share.any()


def test_a_warm_lamp_and_a_falling_light_change_nothing() -> None:
    share = discs(PLACES, 28.0)
    view, plant = tray(share)
    fall = np.linspace(0.5, 1.0, 6)[None, :, None] * np.array([1.0, 0.8, 0.55])
    light = view.light.__class__(np.repeat(fall, 6, axis=0).astype(np.float32), view.light.size_px)
    seen = linear_of_view(view) * light.within(view.whole)
    lamp = view_of_light(seen)
    lit = FlatView(lamp.rgb, light, lamp.lay_mask, lamp.mm_per_px, lamp.origin_mm, lamp.paper_noise)
    assert abs(cover_of(lit, plant, LEAST).share - cover_of(view, plant, LEAST).share).max() < 0.06


def test_room_is_enough_for_the_carried_colours() -> None:
    # A plant one cell inside a strip: its edge lies in the next strip's room, its paper beyond it.
    share = discs([(200.0, EDGE_OF_STRIP_PX - 28.0 - MAP_SHRINK)], 28.0)
    cover = cover_of(*tray(share), LEAST)
    assert abs(cover.share - share).max() < 0.1
    assert ROOM_CELLS * MAP_SHRINK >= 8
