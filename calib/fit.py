"""Fiducials in a photo -> the map between photo and mat, and how well it is known.

A full homography with two radial and two decentring terms about the image centre: well posed from
border points alone, also with a tilted, off-centre lens.  Robust least squares
(``scipy.optimize.least_squares``, soft L1), then outliers are left out and the covariance taken from
the Jacobian (JCGM 100, 5.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.find import MatSighting
from calib.frames import PlaneMap, Points, bent_by_lens

RADIAL_PRIOR = 0.1
"""Standard deviation expected of k1 and k2 (radius = half the diagonal); phones show 0.05 and less."""
DECENTRING_PRIOR = 0.003
"""The same for p1 and p2."""
GROWTH_PRIOR_MM = 0.15
"""The same for the growth of printed edges by ink and blur."""
OUTLIER_SIGMAS = 4.5
FULL_FRAME_DIAGONAL_MM = 43.27
"""Of the 36 x 24 mm frame that "35 mm equivalent" refers to."""
USUAL_FOCAL_35MM = 26.0
"""Main camera of most phones, 35 mm equivalent; from memory."""
FOCAL_PLAUSIBLE_35MM = (12.0, 120.0)
LEAST_TILT_FOR_FOCAL_DEG = 12.0
"""A tilted mat tells the focal length by its perspective; a level one does not."""


@dataclass(frozen=True, slots=True, eq=False)
class MatFit:
    """The map and its quality."""

    plane: PlaneMap
    """Drawn mm."""
    n_used: int
    residuals_px: Points
    """(N, 2) measured minus fitted, of the points used."""
    points_mm: Points
    """(N, 2) the points used."""
    rms_px: float
    rms_mm: float
    position_sigma_mm: float
    """Largest standard uncertainty of a coordinate inside the area asked for, from the covariance."""
    tilt_deg: float
    growth_mm: float
    """By how much printed edges have moved outward; nan for saddle points."""


def fit_plane(
    sighting: MatSighting,
    image_size_px: tuple[int, int],
    focal_35mm: float,
    area_mm: tuple[float, float, float, float],
) -> MatFit:
    """Return the fitted map of one photo.

    Parameters
    ----------
    sighting : MatSighting
    image_size_px : (width, height) of the upright photo
    focal_35mm : float
        From the camera data; nan if unknown.
    area_mm : left, top, right, bottom
        Where positions will be measured, drawn mm.

    Raises
    ------
    ValueError
        With fewer than six points.
    """
    model = _Model.of(sighting, image_size_px)
    if len(model.points_mm) < 6:
        raise ValueError("a plane needs at least six points")
    start = model.start()
    keep = np.ones(len(model.points_mm), dtype=bool)
    params = start
    for loss in ("soft_l1", "soft_l1", "linear"):
        fit = least_squares(
            model.residuals, params, args=(keep,), loss=loss, f_scale=2.0, x_scale="jac", max_nfev=60
        )
        params = fit.x
        off = np.hypot(*((model.px(params) - model.points_px) / model.sigma_px).T)
        scatter = max(1.0, float(np.median(off[keep])) / 1.1774)  # median of a Rayleigh distribution
        keep = off < OUTLIER_SIGMAS * scatter
    residual = model.points_px[keep] - model.px(params)[keep]
    freedom = max(1, 2 * int(keep.sum()) - len(params))
    variance = max(1.0, float(np.sum((residual / model.sigma_px) ** 2)) / freedom)
    jacobian = _jacobian(lambda p: model.residuals(p, keep), params)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance
    plane = model.plane(params, focal_35mm)
    scale = plane.px_per_mm_at(model.points_mm[keep])
    grid = _grid(area_mm)
    spread = _jacobian(lambda p: model.plane(p, focal_35mm).px_from_mm(grid).ravel(), params)
    sigma_px = np.sqrt(np.einsum("ij,jk,ik->i", spread, covariance, spread)).reshape(-1, 2)
    sigma_mm = float((sigma_px.max(axis=1) / plane.px_per_mm_at(grid)).max())
    rms_px = float(np.sqrt(np.mean(residual**2)))
    return MatFit(
        plane=plane,
        n_used=int(keep.sum()),
        residuals_px=residual,
        points_mm=model.points_mm[keep],
        rms_px=rms_px,
        rms_mm=rms_px / float(np.median(scale)),
        position_sigma_mm=sigma_mm,
        tilt_deg=_tilt_deg(plane, model.centre_px, focal_35mm, image_size_px),
        growth_mm=float(params[12]) if model.grows else math.nan,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """Parameters: eight of the homography in normalised coordinates, k1, k2, p1, p2 and the edges' growth."""

    points_mm: Points
    points_px: Points
    outward: Points
    sigma_px: float
    centre_px: NDArray[np.float64]
    radius_px: float
    centre_mm: NDArray[np.float64]
    size_mm: float
    image_size_px: tuple[int, int]

    @classmethod
    def of(cls, sighting: MatSighting, image_size_px: tuple[int, int]) -> _Model:
        width, height = image_size_px
        page = np.asarray(sighting.layout.page_mm)
        return cls(
            points_mm=sighting.points_mm,
            points_px=sighting.points_px,
            outward=sighting.outward_mm,
            sigma_px=sighting.sigma_px,
            centre_px=np.array([(width - 1) / 2, (height - 1) / 2]),
            radius_px=math.hypot(width, height) / 2,
            centre_mm=page / 2,
            size_mm=float(page.max() / 2),
            image_size_px=image_size_px,
        )

    @property
    def grows(self) -> bool:
        return bool(np.any(self.outward))

    def start(self) -> NDArray[np.float64]:
        mm = (self.points_mm - self.centre_mm) / self.size_mm
        px = (self.points_px - self.centre_px) / self.radius_px
        homography, _ = cv2.findHomography(mm, px, 0)
        rest = [0.0] * (5 if self.grows else 4)
        return np.concatenate([(homography / homography[2, 2]).ravel()[:8], rest])

    def plane(self, params: NDArray[np.float64], focal_35mm: float) -> PlaneMap:
        normal = np.append(params[:8], 1.0).reshape(3, 3)
        to_px = np.array(
            [[self.radius_px, 0, self.centre_px[0]], [0, self.radius_px, self.centre_px[1]], [0, 0, 1]]
        )
        from_mm = np.array(
            [
                [1 / self.size_mm, 0, -self.centre_mm[0] / self.size_mm],
                [0, 1 / self.size_mm, -self.centre_mm[1] / self.size_mm],
                [0, 0, 1],
            ]
        )
        homography = to_px @ normal @ from_mm
        eye = _eye_mm(homography, self.centre_px, focal_35mm, self.image_size_px)
        return PlaneMap(
            homography=homography,
            centre_px=(float(self.centre_px[0]), float(self.centre_px[1])),
            radius_px=self.radius_px,
            k1=float(params[8]),
            k2=float(params[9]),
            p1=float(params[10]),
            p2=float(params[11]),
            eye_mm=eye,
        )

    def px(self, params: NDArray[np.float64]) -> Points:
        h = np.append(params[:8], 1.0).reshape(3, 3)
        mm = self.points_mm + (params[12] * self.outward if self.grows else 0.0)
        normal = (mm - self.centre_mm) / self.size_mm
        w = normal @ h[2, :2] + h[2, 2]
        d = (normal @ h[:2, :2].T + h[:2, 2]) / w[:, None]
        k1, k2, p1, p2 = (float(value) for value in params[8:12])
        return np.asarray(self.centre_px + self.radius_px * bent_by_lens(d, k1, k2, p1, p2))

    def residuals(self, params: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
        off = ((self.px(params) - self.points_px) / self.sigma_px)[keep].ravel()
        priors = [*(params[8:10] / RADIAL_PRIOR), *(params[10:12] / DECENTRING_PRIOR)]
        if self.grows:
            priors.append(params[12] / GROWTH_PRIOR_MM)
        return np.concatenate([off, priors])


def _jacobian(function: object, params: NDArray[np.float64]) -> NDArray[np.float64]:
    columns = []
    for k in range(len(params)):
        step = 1e-6 * max(1.0, abs(float(params[k])))
        up, down = params.copy(), params.copy()
        up[k] += step
        down[k] -= step
        columns.append((function(up) - function(down)) / (2 * step))  # type: ignore[operator]
    return np.stack(columns, axis=1)


def _grid(area_mm: tuple[float, float, float, float]) -> Points:
    left, top, right, bottom = area_mm
    x, y = np.meshgrid(np.linspace(left, right, 9), np.linspace(top, bottom, 7))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def focal_px_of(
    homography: NDArray[np.float64],
    centre_px: NDArray[np.float64],
    focal_35mm: float,
    image_size_px: tuple[int, int],
) -> float:
    """Return the focal length in px: from the camera data, the perspective, or the usual phone."""
    diagonal_px = math.hypot(*image_size_px)
    per_35mm = diagonal_px / FULL_FRAME_DIAGONAL_MM
    if FOCAL_PLAUSIBLE_35MM[0] <= focal_35mm <= FOCAL_PLAUSIBLE_35MM[1]:
        return focal_35mm * per_35mm
    shift = np.array([[1, 0, -centre_px[0]], [0, 1, -centre_px[1]], [0, 0, 1.0]])
    h = shift @ homography
    a, b = h[:, 0], h[:, 1]
    # Columns of K^-1 H are orthogonal and of one length (Zhang 2000, eqs. 3 and 4); unknown 1/f^2.
    usual = USUAL_FOCAL_35MM * per_35mm
    matrix = np.array([a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2])
    target = -np.array([a[2] * b[2], a[2] ** 2 - b[2] ** 2])
    inverse = float(matrix @ target) / max(float(matrix @ matrix), 1e-30)
    if inverse > 0:
        found = 1 / math.sqrt(inverse)
        plausible = FOCAL_PLAUSIBLE_35MM[0] * per_35mm <= found <= FOCAL_PLAUSIBLE_35MM[1] * per_35mm
        if plausible and _tilt_of(homography, centre_px, found) > LEAST_TILT_FOR_FOCAL_DEG:
            return found
    return usual


def _pose(
    homography: NDArray[np.float64], centre_px: NDArray[np.float64], focal_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return rotation (3, 3) and translation (3,) of the mat in the camera's frame."""
    inverse = np.array(
        [
            [1 / focal_px, 0, -centre_px[0] / focal_px],
            [0, 1 / focal_px, -centre_px[1] / focal_px],
            [0, 0, 1],
        ]
    )
    b = inverse @ homography
    scale = 2 / (np.linalg.norm(b[:, 0]) + np.linalg.norm(b[:, 1]))
    b = b * scale * (1 if b[2, 2] > 0 else -1)
    rough = np.stack([b[:, 0], b[:, 1], np.cross(b[:, 0], b[:, 1])], axis=1)
    u, _, vt = np.linalg.svd(rough)
    return u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt, b[:, 2]


def _eye_mm(
    homography: NDArray[np.float64],
    centre_px: NDArray[np.float64],
    focal_35mm: float,
    image_size_px: tuple[int, int],
) -> tuple[float, float, float]:
    focal = focal_px_of(homography, centre_px, focal_35mm, image_size_px)
    rotation, translation = _pose(homography, centre_px, focal)
    eye = -rotation.T @ translation
    return (float(eye[0]), float(eye[1]), float(abs(eye[2])))


def _tilt_of(homography: NDArray[np.float64], centre_px: NDArray[np.float64], focal_px: float) -> float:
    rotation, _ = _pose(homography, centre_px, focal_px)
    return math.degrees(math.acos(min(1.0, abs(float(rotation[2, 2])))))


def _tilt_deg(
    plane: PlaneMap,
    centre_px: NDArray[np.float64],
    focal_35mm: float,
    image_size_px: tuple[int, int],
) -> float:
    focal = focal_px_of(plane.homography, centre_px, focal_35mm, image_size_px)
    return _tilt_of(plane.homography, centre_px, focal)
