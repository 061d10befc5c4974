"""Is the photo good enough?  Before the mat is found, and again when its place is known."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.above import GridInPhoto
from calib.frames import Points
from grader.errors import PhotoProblem
from grader.records import MatPose, Photo

EXPOSURE_STEP_PX = 8
"""Every such pixel of a photo, across and down, tells how it is exposed."""
PAPER_STEP_MM, MAP_STEP = 1.0, 8
"""Between places of the paper that are looked at; so many of them between those that are worked out."""
BLACK_LEVEL = 30
"""If 99 % of a picture is darker (of 255), paper is not told from plant."""
DIM_PAPER, DARK_PAPER = 90, 45
"""Brightness of paper, of 255: noise grows below the first, little is left below the second."""
WHITE_LEVEL = 254
"""A pixel this bright in all colours has lost what it saw."""
BURNT_SHARE_SAID, BURNT_SHARE_REFUSED = 0.10, 0.80
"""Share of the lay area that is burnt out."""
BLUR_SAID_MM, BLUR_REFUSED_MM = 0.45, 1.2
"""Width of a printed edge: a quarter of it is a fair guess of the error of a diameter."""
BLUR_NO_MAT_PX = 12.0
"""Edges this wide everywhere: that is why no mat was found."""
_ADVICE_LIGHT = "take it again in more light: at a window or outdoors in the shade"


def check_exposure(photo: Photo) -> None:
    """Refuse a picture that is black or white nearly everywhere.

    Raises
    ------
    PhotoProblem
        "too dark" or "overexposed".
    """
    few = photo.rgb[EXPOSURE_STEP_PX // 2 :: EXPOSURE_STEP_PX, EXPOSURE_STEP_PX // 2 :: EXPOSURE_STEP_PX]
    red, green, blue = np.ascontiguousarray(np.moveaxis(few, -1, 0))
    if _percentile(np.maximum(np.maximum(red, green), blue), 99) < BLACK_LEVEL:
        raise PhotoProblem("too dark", f"{photo.path.name} is nearly black", _ADVICE_LIGHT)
    if _percentile(np.minimum(np.minimum(red, green), blue), 1) >= WHITE_LEVEL:
        raise PhotoProblem(
            "overexposed",
            f"{photo.path.name} is white everywhere",
            "point the camera at the mat, away from the sun",
        )


def check_blur(photo: Photo) -> None:
    """Say "blurred" where nothing in the picture has an edge; for pictures in which no mat was found.

    Raises
    ------
    PhotoProblem
        "blurred".
    """
    width_px = edge_width_px(photo)
    if width_px > BLUR_NO_MAT_PX:
        raise PhotoProblem(
            "blurred",
            f"{photo.path.name} is blurred (its edges are {width_px:.0f} pixels wide): no mat was found",
            "wipe the lens, tap the mat to focus, hold the phone still and take it again",
        )


def check_photo(photo: Photo, pose: MatPose) -> tuple[str, ...]:
    """Return what the person should know about light and sharpness on the mat.

    Raises
    ------
    PhotoProblem
        "too dark", "overexposed" or "blurred": beyond what can be measured.
    """
    return (*_light(photo, pose), *_sharpness(photo, pose))


def _light(photo: Photo, pose: MatPose) -> list[str]:
    left, top, right, bottom = pose.lay_area_mm
    rows, columns = (int(side / PAPER_STEP_MM) for side in (bottom - top, right - left))
    grid = GridInPhoto.of(pose.plane, (left, top), PAPER_STEP_MM, (rows, columns), MAP_STEP)
    x_px, y_px = grid.maps()
    seen, _ = sampled(photo, np.stack([x_px.ravel(), y_px.ravel()], axis=1))
    if not len(seen):
        return []
    red, green, blue = np.ascontiguousarray(seen.T)
    paper = _percentile(np.maximum(np.maximum(red, green), blue), 75)
    if paper < DARK_PAPER:
        raise PhotoProblem("too dark", f"the paper is only {paper / 2.55:.0f} % bright", _ADVICE_LIGHT)
    burnt = float((np.minimum(np.minimum(red, green), blue) >= WHITE_LEVEL).mean())
    if burnt > BURNT_SHARE_REFUSED:
        raise PhotoProblem(
            "overexposed",
            f"{100 * burnt:.0f} % of the paper is burnt out: edges of stems cannot be placed",
            "tap the paper on the screen so that the camera exposes for it, and take it again",
        )
    notes = []
    if paper < DIM_PAPER:
        notes.append("the photo is dark: more light makes diameters more certain")
    if burnt > BURNT_SHARE_SAID:
        notes.append(f"{100 * burnt:.0f} % of the paper is burnt out: tap the paper to expose for it")
    return notes


def _sharpness(photo: Photo, pose: MatPose) -> list[str]:
    blur_mm = edge_width_mm(photo, pose)
    if blur_mm > BLUR_REFUSED_MM:
        raise PhotoProblem(
            "blurred",
            f"blurred: printed edges are {blur_mm:.1f} mm wide; up to {BLUR_REFUSED_MM:.1f} mm can be used",
            "tap the mat to focus, hold the phone still and take it again",
        )
    if blur_mm > BLUR_SAID_MM:
        return [f"not sharp: printed edges are {blur_mm:.2f} mm wide; tap the mat to focus"]
    return []


def edge_width_mm(photo: Photo, pose: MatPose) -> float:
    """Return the median width of printed marker edges: contrast over steepest slope; nan without any.

    Profiles of 1.6 mm run across the middle of each side of each marker.
    """
    reach_mm, n_steps = 0.8, 33
    along_mm = np.linspace(-reach_mm, reach_mm, n_steps)
    markers = [corners for corners in pose.fiducials_mm if len(corners) == 4]
    if not markers:
        return float("nan")
    starts = np.stack(markers)
    # So short a profile is straight and even in the photo too: its ends tell the rest.
    ends = pose.plane.px_from_mm(_across(starts, np.roll(starts, -1, axis=1), along_mm[[0, -1]])).reshape(
        -1, 2, 2
    )
    height, width = photo.rgb.shape[:2]
    inside = ((ends >= 1) & (ends < [width - 2, height - 2])).all(axis=(1, 2))
    share = np.linspace(0.0, 1.0, n_steps)[:, None]
    kept = ends[inside, :1] + share * (ends[inside, 1:] - ends[inside, :1])
    if not len(kept):
        return float("nan")
    green = _interpolated(photo.rgb[..., 1], kept.reshape(-1, 2)).reshape(-1, n_steps)
    slope = np.abs(np.gradient(green, along_mm[1] - along_mm[0], axis=1)).max(axis=1)
    contrast = np.ptp(green, axis=1)
    least_contrast = 25.0  # of 255: covered sides and torn print are left out
    widths = contrast[contrast > least_contrast] / slope[contrast > least_contrast]
    return float(np.median(widths)) if len(widths) else float("nan")


def edge_width_px(photo: Photo) -> float:
    """Return the width of the sharpest edges of a picture: contrast nearby over steepest slope."""
    green = np.ascontiguousarray(photo.rgb[..., 1])
    nearby = cv2.getStructuringElement(cv2.MORPH_RECT, (31, 31))
    contrast = cv2.morphologyEx(green, cv2.MORPH_GRADIENT, nearby)[::2, ::2].astype(np.float64)
    across = np.abs(np.gradient(green.astype(np.float32), axis=1))[::2, ::2]
    down = np.abs(np.gradient(green.astype(np.float32), axis=0))[::2, ::2]
    slope = np.maximum(across, down)
    steepest = slope >= max(float(np.percentile(slope, 99.8)), 0.5)
    return float(np.median(contrast[steepest] / slope[steepest])) if steepest.any() else float("inf")


def _across(starts: Points, ends: Points, along_mm: NDArray[np.float64]) -> Points:
    """Return places (..., S, 2) at these distances across the middles of sides (..., 2)."""
    direction = (ends - starts) / np.linalg.norm(ends - starts, axis=-1, keepdims=True)
    normal = np.stack([-direction[..., 1], direction[..., 0]], axis=-1)
    return np.asarray(((starts + ends) / 2)[..., None, :] + along_mm[:, None] * normal[..., None, :])


def _percentile(codes: NDArray[np.uint8], share: float) -> float:
    """Return what ``np.percentile`` does, from counts: sorting is not needed for 256 values."""
    below = np.cumsum(np.bincount(codes.ravel(), minlength=256))
    at = share / 100 * (codes.size - 1)
    low, high = np.searchsorted(below, [np.floor(at), np.ceil(at)], side="right")
    return float(low + (high - low) * (at - np.floor(at)))


def sampled(photo: Photo, points_px: NDArray[np.floating]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the colours (M, 3) at those of the positions (N, 2) that are in the picture, and which are."""
    height, width = photo.rgb.shape[:2]
    x, y = np.round(points_px.T).astype(int)
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    return np.asarray(photo.rgb[y[inside], x[inside]]), np.asarray(inside)


def _interpolated(channel: NDArray[np.uint8], points_px: Points) -> NDArray[np.float64]:
    x0, y0 = np.floor(points_px).astype(int).T
    fx, fy = (points_px - np.floor(points_px)).T
    c = channel
    upper = c[y0, x0] * (1 - fx) + c[y0, x0 + 1] * fx
    lower = c[y0 + 1, x0] * (1 - fx) + c[y0 + 1, x0 + 1] * fx
    return np.asarray(upper * (1 - fy) + lower * fy)
