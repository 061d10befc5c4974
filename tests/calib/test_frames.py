"""The map between photo and mat: there and back, lens against OpenCV, height and print scale."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.frames import BEND_WAVES, PlaneMap, SheetBend, bent_by_lens

PAGE_MM = (297.0, 210.0)
PLANE = PlaneMap(
    homography=np.array([[12.1, 0.3, 190.0], [-0.25, 12.0, 240.0], [1e-5, 3e-5, 1.0]]),
    centre_px=(2015.5, 1511.5),
    radius_px=2520.0,
    k1=-0.06,
    k2=0.02,
    p1=0.001,
    p2=-0.002,
    eye_mm=(140.0, 110.0, 330.0),
)
BEND = SheetBend((148.5, 105.0), 148.5, np.linspace(-0.4, 0.5, len(BEND_WAVES)))
MICROMETRE = 0.001


def places_mm() -> np.ndarray:
    return np.random.default_rng(0).uniform(0, 1, (200, 2)) * PAGE_MM


@pytest.mark.parametrize("plane", [PLANE, replace(PLANE, bend=BEND)], ids=["flat", "bent"])
def test_there_and_back(plane: PlaneMap) -> None:
    places = places_mm()
    assert np.abs(plane.mm_from_px(plane.px_from_mm(places)) - places).max() < MICROMETRE


@pytest.mark.parametrize("plane", [PLANE, replace(PLANE, bend=BEND)], ids=["flat", "bent"])
@pytest.mark.parametrize("scale", [0.97, 1.02])
def test_a_print_of_another_scale_is_the_same_picture(plane: PlaneMap, scale: float) -> None:
    places = places_mm()
    larger = plane.scaled(scale)
    assert np.allclose(larger.px_from_mm(places * scale), plane.px_from_mm(places), atol=1e-6)
    assert np.allclose(larger.px_per_mm_at(places * scale) * scale, plane.px_per_mm_at(places), rtol=1e-3)
    assert larger.eye_mm == pytest.approx([scale * value for value in plane.eye_mm])


def test_the_lens_is_opencvs() -> None:
    """Second formula: cv2.projectPoints, whose unit is the focal length instead of half the diagonal."""
    focal, k1, k2, p1, p2 = 1.3, 0.05, -0.03, 0.002, -0.001
    d = np.random.default_rng(1).uniform(-0.7, 0.7, (50, 2))
    rays = np.column_stack([d / focal, np.ones(len(d))])
    terms = np.array([k1 * focal**2, k2 * focal**4, p1 * focal, p2 * focal])
    matrix = np.diag([focal, focal, 1.0])
    theirs, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), matrix, terms)
    assert np.allclose(bent_by_lens(d, k1, k2, p1, p2), theirs.reshape(-1, 2), atol=1e-9)


def test_paper_that_rises_is_seen_further_from_the_foot_of_the_camera() -> None:
    place = np.array([[250.0, 160.0]])
    height_mm = float(BEND.height_mm(place)[0])
    seen = PLANE.mm_from_px(replace(PLANE, bend=BEND).px_from_mm(place))
    # Similar triangles: camera at height H above the foot, paper at height h.
    foot, camera_height = np.array(PLANE.eye_mm[:2]), PLANE.eye_mm[2]
    assert np.allclose(seen, foot + (place - foot) * camera_height / (camera_height - height_mm), atol=1e-3)
    assert np.allclose(PLANE.ground_from_seen(seen, height_mm), place, atol=1e-3)


def test_without_a_known_camera_height_changes_nothing() -> None:
    unknown = replace(PLANE, eye_mm=(float("nan"),) * 3)
    assert np.array_equal(unknown.ground_from_seen(places_mm(), 4.0), places_mm())
