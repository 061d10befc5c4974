"""The view from above is the photo at the places of its pixels, whichever way it lies in the photo."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from grader.locate.flatten import FlatSettings, flatten
from grader.records import FlatView, MatPose, Photo
from tests.scenes import Conditions, Ellipse, make_scene

SCENE = make_scene(
    [],
    Conditions(px_per_mm=9.0, tilt_deg=12.0, noise=0.0),
    things=[Ellipse((20.0 + 18.0 * k, 20.0 + 6.0 * k), 14.0, 3.0, 25.0 * k) for k in range(7)],
)


def seen_pixel_by_pixel(photo: Photo, pose: MatPose, view: FlatView) -> NDArray[np.uint8]:
    """Return the view by one call, from the exact place of each pixel."""
    height, width = view.rgb.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    at_mm = np.stack([x, y], axis=-1) * view.mm_per_px + np.asarray(view.origin_mm)
    x_px, y_px = np.moveaxis(pose.plane.px_from_mm(at_mm).astype(np.float32), -1, 0)
    return cv2.remap(photo.rgb, np.ascontiguousarray(x_px), np.ascontiguousarray(y_px), cv2.INTER_LINEAR)


def turned(quarters: int) -> tuple[Photo, MatPose]:
    """Return photo and pose of a camera held so many quarters of a turn against the clock."""
    photo, pose = SCENE.photo, SCENE.pose
    for _ in range(quarters):
        width = photo.rgb.shape[1]
        turn = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, width - 1.0], [0.0, 0.0, 1.0]])
        photo = replace(photo, rgb=np.ascontiguousarray(np.rot90(photo.rgb)))
        x, y = pose.plane.centre_px
        plane = replace(pose.plane, homography=turn @ pose.plane.homography, centre_px=(y, width - 1 - x))
        pose = replace(pose, plane=plane)
    return photo, pose


@pytest.mark.parametrize("quarters", [0, 1, 2])
@pytest.mark.parametrize("mm_per_px", [0.1, 0.4], ids=["tiles of four channels", "straight"])
def test_each_pixel_is_that_of_its_place(quarters: int, mm_per_px: float) -> None:
    photo, pose = turned(quarters)
    view = flatten(photo, pose, FlatSettings(mm_per_px=mm_per_px))
    off = view.rgb.astype(int) - seen_pixel_by_pixel(photo, pose, view)
    # Places are interpolated: up to 0.05 px off, at an edge of 150 codes over two pixels a few codes.
    assert np.abs(off).max() <= 6
    assert np.abs(off).mean() < 0.1


def test_beyond_the_photo_it_is_black() -> None:
    photo = replace(SCENE.photo, rgb=np.ascontiguousarray(SCENE.photo.rgb[:, :1100]))
    view = flatten(photo, SCENE.pose)
    expected = seen_pixel_by_pixel(photo, SCENE.pose, view)
    assert (expected[:, -200:] == 0).all()  # the scene is wider than what was kept of it
    assert (view.rgb[:, -200:] == 0).all()
    assert np.abs(view.rgb.astype(int) - expected).max() <= 6


def test_sides_are_even_and_the_first_pixel_is_where_it_says() -> None:
    view = flatten(SCENE.photo, SCENE.pose)
    left, top, right, bottom = SCENE.pose.lay_area_mm
    assert view.rgb.shape[0] % 2 == view.rgb.shape[1] % 2 == 0
    rim = FlatSettings().rim_mm
    assert view.origin_mm == pytest.approx((left - rim + 0.05, top - rim + 0.05))
    assert view.rgb.shape[1] * 0.1 == pytest.approx(right - left + 2 * rim, abs=0.11)
    assert view.rgb.shape[0] * 0.1 == pytest.approx(bottom - top + 2 * rim, abs=0.11)
