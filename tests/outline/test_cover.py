"""What plants cover, against drawn shapes whose areas and edges are known exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from grader.outline.cells import lay_cells, light_of_cells
from grader.outline.cover import Cover, cover_of
from grader.outline.plant import MAP_SHRINK, enlarged
from grader.records import FlatView
from tests.flat_views import cropped, linear_of_view, view_of_light
from tests.outline.test_edge import SIDE_PX, true_disc

ROWS_PX, COLUMNS_PX = 346, 402
GREEN, PAPER = np.array([0.10, 0.22, 0.07]), np.ones(3)
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
    return view_of_light(light_of(share, PAPER), lay), cells_of(share)


def light_of(share: np.ndarray, paper: np.ndarray) -> np.ndarray:
    """Mix plant and paper in linear light."""
    return (share[..., None] * GREEN + (1 - share[..., None]) * paper).astype(np.float32)


def cells_of(pixels: np.ndarray) -> np.ndarray:
    """Return the means of cells."""
    rows, columns = (side // MAP_SHRINK for side in pixels.shape)
    return pixels.reshape(rows, MAP_SHRINK, columns, MAP_SHRINK).mean(axis=(1, 3)).astype(np.float32)


def covered(view: FlatView, plant: np.ndarray) -> Cover:
    return cover_of(view, light_of_cells(view), plant, LEAST, lay_cells(view))


def share_of(light: np.ndarray, mask: np.ndarray) -> np.ndarray:
    return covered(view_of_light(light), cells_of(mask)).share


PLACES = [(60.0, 127.0), (330.0, 168.3), (200.4, 256.0)]


def test_the_share_is_that_of_the_discs() -> None:
    share = discs(PLACES, 28.0)
    cover = covered(*tray(share))
    assert cover.share.shape == (ROWS_PX, COLUMNS_PX)
    assert cover.share.sum() == pytest.approx(3 * np.pi * 28.0**2, rel=0.004)
    assert abs(cover.share - share).max() < 0.1


def test_a_window_finds_what_the_whole_finds() -> None:
    view, plant = tray(discs(PLACES, 28.0))
    window = (slice(60, 200), slice(10, 111))  # an odd number of pixels and of cells
    cells = tuple(slice(part.start // MAP_SHRINK, part.stop // MAP_SHRINK) for part in window)
    found = covered(cropped(view, window), plant[cells]).share
    assert abs(found - covered(view, plant).share[60:200, 10:110]).max() < 0.01


@pytest.mark.parametrize("place", [(5.0, 4.0), (399.0, 340.0), (201.0, 0.0)])
def test_a_plant_that_reaches_over_the_border_of_the_view(place: tuple[float, float]) -> None:
    share = discs([place], 28.0)
    cover = covered(*tray(share))
    assert abs(cover.share - share).max() < 0.1
    assert not covered(*tray(share)).cells[cells_of(share) == 0].any()


def test_cells_are_those_that_are_covered_by_half() -> None:
    view, plant = tray(discs(PLACES, 28.0))
    cover = covered(view, plant)
    mean = cover.share.reshape(ROWS_PX // 2, 2, COLUMNS_PX // 2, 2).mean(axis=(1, 3))
    sure = abs(mean - 0.5) > 1e-5
    assert np.array_equal(cover.cells[sure] > 0, mean[sure] > 0.5)


def test_off_the_lay_area_and_on_blank_paper_nothing_is_covered() -> None:
    share = discs(PLACES, 28.0)
    lay = np.ones(share.shape, bool)
    lay[:, :60] = False
    cover = covered(*tray(share, lay))
    assert not cover.share[:, :60].any() and cover.share[:, 60:100].any()
    blank, nothing = tray(np.zeros(share.shape))
    assert not covered(blank, nothing).share.any()


def test_a_warm_lamp_and_a_falling_light_change_nothing() -> None:
    share = discs(PLACES, 28.0)
    view, plant = tray(share)
    fall = np.linspace(0.5, 1.0, 6)[None, :, None] * np.array([1.0, 0.8, 0.55])
    light = view.light.__class__(np.repeat(fall, 6, axis=0).astype(np.float32), view.light.size_px)
    seen = linear_of_view(view) * light.within(view.whole)
    lamp = view_of_light(seen)
    lit = FlatView(lamp.rgb, light, lamp.lay_mask, lamp.mm_per_px, lamp.origin_mm, lamp.paper_noise)
    assert abs(covered(lit, plant).share - covered(view, plant).share).max() < 0.06


@given(radius_px=st.floats(8, 45), x=st.floats(52, 66), y=st.floats(52, 66), dim=st.floats(0.5, 1.0))
@settings(max_examples=25, deadline=None)
def test_the_covered_share_is_that_of_the_mixed_light(
    radius_px: float, x: float, y: float, dim: float
) -> None:
    share = true_disc(radius_px, (x, y))
    light = light_of(share, PAPER * dim)
    found = share_of(light, share > 0.5)
    assert abs(found - share).max() < 0.06
    assert found.sum() == pytest.approx(np.pi * radius_px**2, rel=0.004)


def test_a_mask_wrong_by_a_pixel_is_put_right() -> None:
    share = true_disc(30, (60, 60))
    for kernel_px, change in ((3, cv2.dilate), (3, cv2.erode)):
        mask = change((share > 0.5).astype(np.uint8), np.ones((kernel_px, kernel_px), np.uint8)) > 0
        found = share_of(light_of(share, PAPER), mask)
        assert found.sum() == pytest.approx(share.sum(), rel=0.01)


def test_paper_in_the_edge_of_a_shadow_is_no_plant() -> None:
    share = true_disc(30, (60, 60))
    shade = np.linspace(0.5, 1.0, SIDE_PX)[None, :, None] * np.ones((SIDE_PX, 1, 3))
    found = share_of(light_of(share, shade), share > 0.5)
    assert found.sum() == pytest.approx(share.sum(), rel=0.006)


def test_blur_moves_no_edge() -> None:
    share = true_disc(30, (60, 60))
    light = gaussian_filter(light_of(share, PAPER), (0.8, 0.8, 0))
    found = share_of(light, share > 0.5)
    assert found.sum() == pytest.approx(share.sum(), rel=0.006)


def test_nothing_stands_out_where_plant_and_paper_have_one_colour() -> None:
    mask = true_disc(30, (60, 60)) > 0.5
    grey = np.full((SIDE_PX, SIDE_PX, 3), 0.5, np.float32)
    provisional = enlarged(cells_of(mask), mask.shape) > LEAST
    assert np.array_equal(share_of(grey, mask) > 0, provisional)
