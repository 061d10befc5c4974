"""Where the camera was: from the homography and the focal length."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FULL_FRAME_DIAGONAL_MM, FULL_FRAME_LONG_SIDE_MM = 43.27, 36.0
"""Of the 36 x 24 mm frame that "35 mm equivalent" refers to."""
USUAL_FOCAL_35MM = 26.0
"""Main camera of most phones, 35 mm equivalent; from memory."""
FOCAL_PLAUSIBLE_35MM = (12.0, 120.0)
LEAST_TILT_FOR_FOCAL_DEG = 12.0
"""A tilted mat tells the focal length by its perspective; a level one does not."""


def focal_px_of(
    homography: NDArray[np.float64],
    centre_px: NDArray[np.float64],
    focal_35mm: float,
    image_size_px: tuple[int, int],
) -> float:
    """Return the focal length in px: from the camera data, the perspective, or the usual phone.

    Makers take "35 mm equivalent" by the diagonal or by the long side, 4 % apart on a 4:3 sensor;
    the middle of the two is 2 % from either.
    """
    by_diagonal = math.hypot(*image_size_px) / FULL_FRAME_DIAGONAL_MM
    by_long_side = max(image_size_px) / FULL_FRAME_LONG_SIDE_MM
    per_35mm = math.sqrt(by_diagonal * by_long_side)
    if FOCAL_PLAUSIBLE_35MM[0] <= focal_35mm <= FOCAL_PLAUSIBLE_35MM[1]:
        return focal_35mm * per_35mm
    found = _focal_from_perspective(homography, centre_px)
    plausible = FOCAL_PLAUSIBLE_35MM[0] * per_35mm <= found <= FOCAL_PLAUSIBLE_35MM[1] * per_35mm
    if plausible and tilt_deg(homography, centre_px, found) > LEAST_TILT_FOR_FOCAL_DEG:
        return found
    return USUAL_FOCAL_35MM * per_35mm


def _focal_from_perspective(homography: NDArray[np.float64], centre_px: NDArray[np.float64]) -> float:
    """Return the focal length that makes the columns of K^-1 H orthogonal and of one length, or nan.

    Zhang 2000, "A flexible new technique for camera calibration", equations 3 and 4.
    """
    shift = np.array([[1, 0, -centre_px[0]], [0, 1, -centre_px[1]], [0, 0, 1.0]])
    h = shift @ homography
    a, b = h[:, 0], h[:, 1]
    factors = np.array([a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2])
    target = -np.array([a[2] * b[2], a[2] ** 2 - b[2] ** 2])
    inverse_square = float(factors @ target) / max(float(factors @ factors), 1e-30)
    return 1 / math.sqrt(inverse_square) if inverse_square > 0 else math.nan


def eye_mm(
    homography: NDArray[np.float64], centre_px: NDArray[np.float64], focal_px: float
) -> tuple[float, float, float]:
    """Return the camera's foot point on the mat and its height above it."""
    rotation, translation = _pose(homography, centre_px, focal_px)
    eye = -rotation.T @ translation
    return (float(eye[0]), float(eye[1]), float(abs(eye[2])))


def tilt_deg(homography: NDArray[np.float64], centre_px: NDArray[np.float64], focal_px: float) -> float:
    """Return the angle between the optical axis and the mat's normal, [0, 90)."""
    rotation, _ = _pose(homography, centre_px, focal_px)
    return math.degrees(math.acos(min(1.0, abs(float(rotation[2, 2])))))


def _pose(
    homography: NDArray[np.float64], centre_px: NDArray[np.float64], focal_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return rotation (3, 3) and translation (3,) of the mat in the camera's frame."""
    f = focal_px
    ray_from_px = np.array([[1 / f, 0, -centre_px[0] / f], [0, 1 / f, -centre_px[1] / f], [0, 0, 1]])
    b = ray_from_px @ homography
    # Sign: the mat's middle lies before the camera, not behind.
    b = b * 2 / (np.linalg.norm(b[:, 0]) + np.linalg.norm(b[:, 1])) * (1 if b[2, 2] > 0 else -1)
    rough = np.stack([b[:, 0], b[:, 1], np.cross(b[:, 0], b[:, 1])], axis=1)
    u, _, vt = np.linalg.svd(rough)
    return u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt, b[:, 2]
