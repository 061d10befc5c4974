"""Outlines against drawn shapes whose areas and edges are known exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.outline.edge import outlines_mm

SIDE_PX, FINER = 120, 8
MM_PER_PX = 0.1


def true_disc(radius_px: float, centre_px: tuple[float, float], hole_px: float = 0.0) -> np.ndarray:
    """Return the covered share of each pixel, from a picture that is FINER times as fine."""
    fine = (np.arange(SIDE_PX * FINER) + 0.5) / FINER - 0.5
    away = np.hypot(fine[None, :] - centre_px[0], fine[:, None] - centre_px[1])
    solid = (away < radius_px) & (away >= hole_px)
    return solid.reshape(SIDE_PX, FINER, SIDE_PX, FINER).mean(axis=(1, 3))


@given(radius_px=st.floats(6, 40), x=st.floats(55, 65), y=st.floats(55, 65))
@settings(max_examples=25, deadline=None)
def test_the_outline_of_a_disc_lies_on_its_rim(radius_px: float, x: float, y: float) -> None:
    share = true_disc(radius_px, (x, y)).astype(np.float32)
    ((outline, holes),) = outlines_mm([share], [(40, 70)], MM_PER_PX, (5.0, 9.0))
    centre_mm = np.array([(x + 40) * MM_PER_PX + 5.0, (y + 70) * MM_PER_PX + 9.0])
    away_mm = np.hypot(*(outline - centre_mm).T)
    assert holes == ()
    assert abs(away_mm - radius_px * MM_PER_PX).max() < 0.02
    assert abs(away_mm.mean() - radius_px * MM_PER_PX) < 0.01
    assert not np.array_equal(outline[0], outline[-1])


def test_holes_are_told_apart_from_the_outline_and_specks_left_out() -> None:
    share = true_disc(40, (60, 60), hole_px=10).astype(np.float32)
    share[85:87, 60:62] = 0.0  # four pixels: noise between needles
    ((outline, holes),) = outlines_mm([share], [(0, 0)], 1.0, (0.0, 0.0))
    assert len(holes) == 1
    assert cv2.contourArea(outline.astype(np.float32)) == pytest.approx(np.pi * 40**2, rel=0.005)
    assert cv2.contourArea(holes[0].astype(np.float32)) == pytest.approx(np.pi * 10**2, rel=0.02)


def test_a_piece_near_the_border_of_its_crop_is_whole_and_an_empty_crop_has_no_outline() -> None:
    share = np.zeros((26, 36), np.float32)
    share[3:23, 3:33] = 1.0
    empty = np.zeros((20, 31), np.float32)
    (first, _), (nothing, _), (moved, _) = outlines_mm(
        [share, empty, share], [(0, 0), (4, 4), (10, 20)], 1.0, (0.0, 0.0)
    )
    assert cv2.contourArea(first.astype(np.float32)) == pytest.approx(20 * 30, rel=0.02)
    assert len(nothing) == 0
    assert np.allclose(moved - first, (10, 20))
    assert len(outlines_mm([empty], [(0, 0)], 1.0, (0.0, 0.0))[0][0]) == 0
