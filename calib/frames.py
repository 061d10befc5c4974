"""Frames, units and conventions; the one bridge between pixels and millimetres.

* **px**: position in the *upright* photo.  Integer values are pixel centres,
  (0, 0) is the centre of the top-left pixel, x right, y down.
* **mm**: position in the mat plane, in *true* millimetres (the printed scale is
  already applied), origin at the top-left corner of the page as a reader holds
  it, x right, y down.
* Points are ``(N, 2)`` float64 arrays as (x, y).  Only array indexing and
  scikit-image use (row, column), converted on the same line.
* Angles are in degrees, positive from +x towards +y.
* Transforms are named target_from_source: ``px_from_mm``.
* Heights are in mm above the paper, towards the camera.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
"""(N, 2) float64, (x, y)."""

INVERSE_ITERATIONS = 20
"""Fixed-point steps that undo lens distortion; converges to < 1e-6 px for |k r^2| < 0.3."""
UNBEND_ITERATIONS = 8
"""Fixed-point steps that undo a sheet's bend: each gains a factor of slope x distance / height, 20 or so."""


BEND_MOST_WAVES = 5
BEND_BOX = 1.3
"""Half side of the box the waves stand in, in half pages: at its walls they are level, on the page not."""
BEND_WAVES = tuple(
    (i, j)
    for i in range(BEND_MOST_WAVES + 1)
    for j in range(BEND_MOST_WAVES + 1)
    if 0 < i * i + j * j <= BEND_MOST_WAVES**2
)
"""Half waves across and down of each term of a bent sheet: 25 of them."""
_ACROSS, _DOWN = np.array(BEND_WAVES).T


@dataclass(frozen=True, slots=True, eq=False)
class SheetBend:
    """Height of bent paper above the plane of the homography: a sum of waves over the page.

    ``u = (mm - centre_mm) / half_mm``; ``height_mm`` is the sum of ``coefficients_mm`` times
    :func:`bend_terms`.
    """

    centre_mm: tuple[float, float]
    half_mm: float
    coefficients_mm: NDArray[np.float64]

    def height_mm(self, points_mm: Points) -> NDArray[np.float64]:
        """Return the height (N,) of the paper at mat positions (N, 2)."""
        across, down = _waves(self._place(points_mm))
        by_wave = np.zeros((BEND_MOST_WAVES + 1, BEND_MOST_WAVES + 1))
        by_wave[_DOWN, _ACROSS] = self.coefficients_mm
        # Summed wave by wave: the 25 products of every point would take most of the time of a flat view.
        shape = across.shape[1:]
        columns = by_wave @ across.reshape(len(across), -1)
        return np.asarray(np.einsum("kn,kn->n", columns, down.reshape(len(down), -1)).reshape(shape))

    def terms(self, points_mm: Points) -> NDArray[np.float64]:
        """Return the waves (N, 25) at mat positions (N, 2): what the coefficients are multiplied by."""
        return bend_terms(self._place(points_mm))

    def _place(self, points_mm: Points) -> Points:
        u = (np.asarray(points_mm, dtype=np.float64) - self.centre_mm) / self.half_mm
        return np.clip(u, -1.0, 1.0)

    def scaled(self, true_mm_per_printed_mm: float) -> SheetBend:
        """Return the same bend in a frame that is this much larger."""
        s = float(true_mm_per_printed_mm)
        centre = (s * self.centre_mm[0], s * self.centre_mm[1])
        return SheetBend(centre, s * self.half_mm, s * self.coefficients_mm)


def bend_terms(u: Points) -> NDArray[np.float64]:
    """Return the waves (..., 25) of a bent sheet at normalised positions (..., 2)."""
    across, down = _waves(u)
    return np.moveaxis(across[_ACROSS] * down[_DOWN], 0, -1)


def _waves(u: Points) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the half waves (6, ...) across and down."""
    first = np.cos((np.moveaxis(u, -1, 0) + BEND_BOX) * (np.pi / (2 * BEND_BOX)))
    waves = np.empty((BEND_MOST_WAVES + 1, *first.shape))
    waves[0], waves[1] = 1.0, first
    for k in range(2, BEND_MOST_WAVES + 1):  # cos(k t) = 2 cos(t) cos((k - 1) t) - cos((k - 2) t)
        waves[k] = 2.0 * first * waves[k - 1] - waves[k - 2]
    return waves[:, 0], waves[:, 1]


def bent_by_lens(d: Points, k1: float, k2: float, p1: float, p2: float) -> Points:
    """Return where a lens images ideal positions (..., 2): radial and decentring terms (Brown 1966).

    The form is OpenCV's, with the half diagonal as unit and the image centre as origin.
    """
    x, y = np.ascontiguousarray(np.moveaxis(d, -1, 0))
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    radial = 1.0 + r2 * (k1 + k2 * r2)
    seen = np.empty(d.shape)
    seen[..., 0] = x * radial + (2 * p1) * xy + p2 * (r2 + 2 * xx)
    seen[..., 1] = y * radial + p1 * (r2 + 2 * yy) + (2 * p2) * xy
    return seen


@dataclass(frozen=True, slots=True, eq=False)
class PlaneMap:
    """Map between the photo and the mat: a homography followed by lens distortion.

    ``ideal_px = homography @ mm``; then, with ``d = (ideal_px - centre_px) / radius_px``,
    ``px = centre_px + radius_px * bent_by_lens(d)``.
    A full homography with radial terms about the image centre is well posed from border
    points alone, even with a tilted, off-centre lens.
    """

    homography: NDArray[np.float64]
    """(3, 3) ideal px from true mm."""
    centre_px: tuple[float, float]
    """Centre of distortion: the image centre."""
    radius_px: float
    """Half the image diagonal; makes k1, k2 dimensionless."""
    k1: float
    k2: float
    p1: float
    p2: float
    """Decentring of the lens: it is never quite in front of the middle of the sensor."""
    eye_mm: tuple[float, float, float]
    """Camera centre: foot point (x, y) on the mat and height above it; nan if unknown."""
    bend: SheetBend | None = None
    """None for a flat sheet."""

    def px_from_mm(self, points_mm: Points) -> Points:
        """Return photo positions (N, 2) px of mat positions (N, 2) mm."""
        seen_mm = self._seen_from_sheet(np.asarray(points_mm, dtype=np.float64))
        # Coordinate by coordinate: products with two columns take several times as long.
        x, y = np.ascontiguousarray(np.moveaxis(seen_mm, -1, 0))
        h, (centre_x, centre_y) = self.homography, self.centre_px
        w = (h[2, 0] * x + h[2, 1] * y + h[2, 2]) * self.radius_px
        shift_x, shift_y = centre_x / self.radius_px, centre_y / self.radius_px
        d = np.empty(seen_mm.shape)
        d[..., 0] = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w - shift_x
        d[..., 1] = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w - shift_y
        return np.asarray(self.centre_px + self.radius_px * self._distorted(d))

    def mm_from_px(self, points_px: Points) -> Points:
        """Return mat positions (N, 2) mm of photo positions (N, 2) px."""
        distorted = (np.asarray(points_px, dtype=np.float64) - np.asarray(self.centre_px)) / self.radius_px
        d = distorted
        for _ in range(INVERSE_ITERATIONS):
            d = d + (distorted - self._distorted(d))
        ideal = np.asarray(self.centre_px) + self.radius_px * d
        h = np.linalg.inv(self.homography)
        w = ideal @ h[2, :2] + h[2, 2]
        return self._sheet_from_seen(np.asarray((ideal @ h[:2, :2].T + h[:2, 2]) / w[..., None]))

    def _distorted(self, d: Points) -> Points:
        return bent_by_lens(d, self.k1, self.k2, self.p1, self.p2)

    def _seen_from_sheet(self, sheet_mm: Points) -> Points:
        if self.bend is None:
            return sheet_mm
        rise = self.bend.height_mm(sheet_mm)[..., None]
        return np.asarray(
            sheet_mm + (sheet_mm - np.asarray(self.eye_mm[:2])) * rise / (self.eye_mm[2] - rise)
        )

    def _sheet_from_seen(self, seen_mm: Points) -> Points:
        if self.bend is None:
            return seen_mm
        sheet_mm = seen_mm
        for _ in range(UNBEND_ITERATIONS):
            sheet_mm = sheet_mm + (seen_mm - self._seen_from_sheet(sheet_mm))
        return sheet_mm

    def px_per_mm_at(self, points_mm: Points) -> NDArray[np.float64]:
        """Return the local scale (N,) in px per mm: square root of the area magnification."""
        points_mm = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        step_mm = 0.5
        around_mm = step_mm * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
        beside_mm = (points_mm + around_mm[:, None]).reshape(-1, 2)
        right, left, below, above = self.px_from_mm(beside_mm).reshape(4, -1, 2)
        along_x, along_y = right - left, below - above
        area = np.abs(along_x[:, 0] * along_y[:, 1] - along_x[:, 1] * along_y[:, 0])
        return np.asarray(np.sqrt(area) / (2 * step_mm))

    def ground_from_seen(self, seen_mm: Points, height_mm: NDArray[np.float64] | float) -> Points:
        """Return where a point really is, straight below it, when it is seen at ``seen_mm``.

        A point ``height_mm`` above the paper is seen further from the foot of the camera than it
        is: ``seen - foot = (true - foot) * H / (H - h)``.  Unknown camera: returned unchanged.
        """
        seen_mm = np.asarray(seen_mm, dtype=np.float64)
        foot = np.asarray(self.eye_mm[:2])
        if not np.isfinite(self.eye_mm).all():
            return seen_mm.copy()
        shrink = 1.0 - np.asarray(height_mm, dtype=np.float64) / self.eye_mm[2]
        return np.asarray(foot + (seen_mm - foot) * np.reshape(shrink, (-1, 1)))

    def scaled(self, true_mm_per_printed_mm: float) -> PlaneMap:
        """Return the same map for a mat whose print came out larger or smaller than drawn."""
        s = float(true_mm_per_printed_mm)
        shrink = np.diag([1.0 / s, 1.0 / s, 1.0])
        eye = tuple(s * value for value in self.eye_mm)
        bend = None if self.bend is None else self.bend.scaled(s)
        return replace(self, homography=self.homography @ shrink, eye_mm=(eye[0], eye[1], eye[2]), bend=bend)
