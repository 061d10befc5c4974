"""The photo and the mat's pose -> the lay area seen from straight above, light evened out."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.above import GridInPhoto
from grader.locate.light import paper_light
from grader.records import FlatView, Mask, MatPose, Photo, RgbImage, linear_of

TILE_PX = 512
"""Side of what is worked on at a time, a multiple of the step of the map: with its piece of the photo it
stays in the processor's cache."""
MOST_PHOTO_SHARE = 6.0
"""Pixels of the photo to each of the view up to which it pays to give them a fourth channel."""


@dataclass(frozen=True, slots=True)
class FlatSettings:
    """How the flat view is made."""

    mm_per_px: float = 0.1
    """Fine enough that a 0.3 mm needle is three pixels wide, coarse enough to be quick."""
    map_step_px: int = 16
    """The photo position is computed at every such pixel and interpolated linearly (cubic does not
    keep a ramp straight): error < 0.05 px."""
    rim_mm: float = 1.8
    """Shown beyond the lay area: what stands above the paper is seen shifted outward, by 1.5 mm for
    5 mm of height near the edge of A4."""
    fiducial_margin_mm: float = 0.6
    """Blurred rim around printed fiducials that is not plain paper."""


def flatten(photo: Photo, pose: MatPose, settings: FlatSettings | None = None) -> FlatView:
    """Return the lay area from straight above, divided by the light that falls on clean paper.

    Parameters
    ----------
    photo : Photo
        Upright, (H, W, 3) uint8 sRGB.
    pose : MatPose
        Its ``lay_area_mm`` is what is shown.
    settings : FlatSettings, optional

    Returns
    -------
    FlatView
        Sides are even, so that it can be halved.
    """
    settings = settings or FlatSettings()
    rgb, origin_mm = _from_above(photo, pose, settings)
    lay_mask = _lay_mask(rgb.shape[:2], origin_mm, pose, settings)
    light, noise = paper_light(rgb, lay_mask, settings.mm_per_px)
    rgb.setflags(write=False)
    return FlatView(
        rgb=rgb,
        light=light,
        lay_mask=lay_mask,
        mm_per_px=settings.mm_per_px,
        origin_mm=origin_mm,
        paper_noise=noise,
    )


def unlit_view(
    photo: Photo, pose: MatPose, settings: FlatSettings
) -> tuple[NDArray[np.float32], Mask, tuple[float, float]]:
    """Return the lay area from straight above, light not evened out: linear, lay mask, origin in mm."""
    rgb, origin_mm = _from_above(photo, pose, settings)
    return linear_of(rgb), _lay_mask(rgb.shape[:2], origin_mm, pose, settings), origin_mm


def _from_above(
    photo: Photo, pose: MatPose, settings: FlatSettings
) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    rim = settings.rim_mm
    left, top, right, bottom = np.asarray(pose.lay_area_mm) + np.array([-rim, -rim, rim, rim])
    mm = settings.mm_per_px
    width, height = (2 * round(side / mm / 2) for side in (right - left, bottom - top))
    origin_mm = (float(left) + mm / 2, float(top) + mm / 2)
    grid = GridInPhoto.of(pose.plane, origin_mm, mm, (height, width), settings.map_step_px)
    rgb = np.empty((height, width, 3), dtype=np.uint8)
    for rows in _tiles(height):  # the map of the whole would be larger than the picture
        for columns in _tiles(width):
            _show(photo.rgb, grid.part(rows, columns), rgb[rows, columns])
    return rgb, origin_mm


def _tiles(n: int) -> list[slice]:
    return [slice(first, min(first + TILE_PX, n)) for first in range(0, n, TILE_PX)]


def _show(photo_rgb: RgbImage, part: GridInPhoto, view: RgbImage) -> None:
    """Fill a part of the view, black beyond the photo.

    OpenCV interpolates four channels in less than half the time of three.
    """
    left, top, right, bottom = (max(0, edge) for edge in part.box_px())
    piece = photo_rgb[top:bottom, left:right]
    if not piece.size:
        view[:] = 0
    elif piece.size > MOST_PHOTO_SHARE * view.size:
        cv2.remap(photo_rgb, *part.maps(), interpolation=cv2.INTER_LINEAR, dst=view)
    else:
        of_four = cv2.cvtColor(piece, cv2.COLOR_RGB2RGBA)
        seen = cv2.remap(of_four, *part.maps((left, top)), interpolation=cv2.INTER_LINEAR)
        cv2.cvtColor(seen, cv2.COLOR_RGBA2RGB, dst=view)


def _lay_mask(
    shape: tuple[int, ...], origin_mm: tuple[float, float], pose: MatPose, settings: FlatSettings
) -> Mask:
    """Return the mask (H, W); on most mats no fiducial lies within it."""
    mask = np.ones(shape, dtype=np.uint8)
    margin_px = settings.fiducial_margin_mm / settings.mm_per_px
    polygons_px = [(np.asarray(each) - origin_mm) / settings.mm_per_px for each in pose.fiducials_mm]
    low = np.array([polygon.min(axis=0) for polygon in polygons_px]).reshape(-1, 2) - margin_px
    high = np.array([polygon.max(axis=0) for polygon in polygons_px]).reshape(-1, 2) + margin_px
    for k in np.flatnonzero((high >= 0).all(axis=1) & (low < [shape[1], shape[0]]).all(axis=1)):
        corners = np.round(polygons_px[k]).astype(np.int32)
        cv2.fillConvexPoly(mask, corners, color=0)
        cv2.polylines(mask, [corners], isClosed=True, color=0, thickness=round(2 * margin_px) + 1)
    result = mask.view(np.bool_)
    result.setflags(write=False)
    return result
