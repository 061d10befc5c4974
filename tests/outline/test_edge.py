"""Coverage and outlines against drawn shapes whose areas and edges are known exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from grader.outline.edge import coverage_of, outlines_mm

SIDE_PX, FINER = 120, 8
MM_PER_PX = 0.1
GREEN, PAPER = np.array([0.10, 0.22, 0.07]), np.ones(3)


def true_disc(radius_px: float, centre_px: tuple[float, float], hole_px: float = 0.0) -> np.ndarray:
    """Return the covered share of each pixel, from a picture that is FINER times as fine."""
    fine = (np.arange(SIDE_PX * FINER) + 0.5) / FINER - 0.5
    away = np.hypot(fine[None, :] - centre_px[0], fine[:, None] - centre_px[1])
    solid = (away < radius_px) & (away >= hole_px)
    return solid.reshape(SIDE_PX, FINER, SIDE_PX, FINER).mean(axis=(1, 3))


def light_of(share: np.ndarray, paper: np.ndarray) -> np.ndarray:
    """Mix plant and paper in linear light."""
    return (share[..., None] * GREEN + (1 - share[..., None]) * paper).astype(np.float32)


def planes(light: np.ndarray) -> np.ndarray:
    """Return light (H, W, 3) as one plane a colour."""
    return np.ascontiguousarray(np.moveaxis(light, -1, 0))


@given(radius_px=st.floats(8, 45), x=st.floats(52, 66), y=st.floats(52, 66), dim=st.floats(0.5, 1.0))
@settings(max_examples=25, deadline=None)
def test_the_covered_share_is_that_of_the_mixed_light(
    radius_px: float, x: float, y: float, dim: float
) -> None:
    share = true_disc(radius_px, (x, y))
    light = light_of(share, PAPER * dim)
    found = coverage_of(planes(light), share > 0.5)
    assert abs(found - share).max() < 0.06
    assert found.sum() == pytest.approx(np.pi * radius_px**2, rel=0.004)


def test_a_mask_wrong_by_a_pixel_is_put_right() -> None:
    share = true_disc(30, (60, 60))
    for kernel_px, change in ((3, cv2.dilate), (3, cv2.erode)):
        mask = change((share > 0.5).astype(np.uint8), np.ones((kernel_px, kernel_px), np.uint8)) > 0
        found = coverage_of(planes(light_of(share, PAPER)), mask)
        assert found.sum() == pytest.approx(share.sum(), rel=0.01)


def test_paper_in_the_edge_of_a_shadow_is_no_plant() -> None:
    share = true_disc(30, (60, 60))
    shade = np.linspace(0.5, 1.0, SIDE_PX)[None, :, None] * np.ones((SIDE_PX, 1, 3))
    found = coverage_of(planes(light_of(share, shade)), share > 0.5)
    assert found.sum() == pytest.approx(share.sum(), rel=0.006)


def test_blur_moves_no_edge() -> None:
    share = true_disc(30, (60, 60))
    light = gaussian_filter(light_of(share, PAPER), (0.8, 0.8, 0))
    found = coverage_of(planes(light), share > 0.5)
    assert found.sum() == pytest.approx(share.sum(), rel=0.006)


def test_nothing_stands_out_where_plant_and_paper_have_one_colour() -> None:
    mask = true_disc(30, (60, 60)) > 0.5
    grey = np.full((SIDE_PX, SIDE_PX, 3), 0.5, np.float32)
    assert np.array_equal(coverage_of(planes(grey), mask) > 0, mask)


@given(radius_px=st.floats(6, 40), x=st.floats(55, 65), y=st.floats(55, 65))
@settings(max_examples=25, deadline=None)
def test_the_outline_of_a_disc_lies_on_its_rim(radius_px: float, x: float, y: float) -> None:
    share = true_disc(radius_px, (x, y)).astype(np.float32)
    outline, holes = outlines_mm(share, (40, 70), MM_PER_PX, (5.0, 9.0))
    centre_mm = np.array([(x + 40) * MM_PER_PX + 5.0, (y + 70) * MM_PER_PX + 9.0])
    away_mm = np.hypot(*(outline - centre_mm).T)
    assert holes == ()
    assert abs(away_mm - radius_px * MM_PER_PX).max() < 0.02
    assert abs(away_mm.mean() - radius_px * MM_PER_PX) < 0.01
    assert not np.array_equal(outline[0], outline[-1])


def test_holes_are_told_apart_from_the_outline_and_specks_left_out() -> None:
    share = true_disc(40, (60, 60), hole_px=10).astype(np.float32)
    share[85:87, 60:62] = 0.0  # four pixels: noise between needles
    outline, holes = outlines_mm(share, (0, 0), 1.0, (0.0, 0.0))
    assert len(holes) == 1
    assert cv2.contourArea(outline.astype(np.float32)) == pytest.approx(np.pi * 40**2, rel=0.005)
    assert cv2.contourArea(holes[0].astype(np.float32)) == pytest.approx(np.pi * 10**2, rel=0.02)


def test_a_piece_near_the_border_of_its_crop_is_whole_and_an_empty_crop_has_no_outline() -> None:
    share = np.zeros((26, 36), np.float32)
    share[3:23, 3:33] = 1.0
    outline, _ = outlines_mm(share, (0, 0), 1.0, (0.0, 0.0))
    assert cv2.contourArea(outline.astype(np.float32)) == pytest.approx(20 * 30, rel=0.02)
    assert len(outlines_mm(np.zeros((20, 30), np.float32), (0, 0), 1.0, (0.0, 0.0))[0]) == 0
