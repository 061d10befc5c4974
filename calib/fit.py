"""Fiducials in a photo -> the map between photo and mat, and how well it is known.

A full homography with two radial and two decentring terms about the image centre: well posed from
border points alone, also with a tilted, off-centre lens.  Where that leaves more than it should, the
sheet is taken for bent: its height becomes a polynomial with small coefficients expected.  Robust least
squares (soft L1, by MINPACK), then outliers are left out and the covariance taken from the Jacobian
(JCGM 100, 5.1).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import leastsq

from calib.eye import eye_mm, focal_px_of, tilt_deg
from calib.find import MatSighting
from calib.frames import PlaneMap, Points
from calib.model import PlaneModel

OUTLIER_SIGMAS = 4.5
BENT_RATIO = 1.25
"""A bent sheet is believed when it lowers the rms residual by this factor.  On 37 rendered photos of
flat sheets it is 1.0 to 2.9 (and the map then better, not worse), of 3 mm of curl 14 and 19."""
SOFT_FROM_SIGMAS = 2.0
"""Misfits much larger than so many standard uncertainties count in proportion, not squared."""
SOFT_ENOUGH, STEP_ENOUGH = 1e-3, 1e-5
"""Relative change of the sum of squares at which the fit has arrived: to tell outliers; and 0.003 of a
standard uncertainty."""
MOST_EVALUATIONS = 60
LEAST_POINTS = 6
"""Twelve equations for twelve unknowns; the lens terms are held by what is usual."""


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
    curl_mm: float
    """Range of the sheet's height over the page, its best plane taken off; 0 for a flat sheet."""


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    model: PlaneModel
    params: NDArray[np.float64]
    keep: NDArray[np.bool_]

    @property
    def residuals_px(self) -> Points:
        return (self.model.points_px - self.model.px(self.params))[self.keep]

    @property
    def rms_px(self) -> float:
        return float(np.sqrt(np.mean(self.residuals_px**2)))


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
    if len(sighting.points_mm) < LEAST_POINTS:
        raise ValueError(f"a plane needs at least {LEAST_POINTS} points")
    model = PlaneModel.of(sighting, image_size_px)
    solution = _solve(model, model.start(), np.ones(len(model.points_mm), dtype=bool))
    centre = np.asarray(model.centre_px)
    homography = model.plane(solution.params).homography
    focal_px = focal_px_of(homography, centre, focal_35mm, image_size_px)
    eye = eye_mm(homography, centre, focal_px)
    bent = _bent(solution, eye)
    is_bent = bool(bent.keep.sum() >= solution.keep.sum() and solution.rms_px > BENT_RATIO * bent.rms_px)
    if is_bent:
        solution = bent
    plane = replace(solution.model.plane(solution.params), eye_mm=eye)
    points_mm = model.points_mm[solution.keep]
    return MatFit(
        plane=plane,
        n_used=int(solution.keep.sum()),
        residuals_px=solution.residuals_px,
        points_mm=points_mm,
        rms_px=solution.rms_px,
        rms_mm=solution.rms_px / float(np.median(plane.px_per_mm_at(points_mm))),
        position_sigma_mm=_position_sigma_mm(solution, area_mm),
        tilt_deg=tilt_deg(plane.homography, centre, focal_px),
        growth_mm=solution.model.growth_mm(solution.params),
        curl_mm=_curl_mm(plane, sighting.layout.page_mm),
    )


def _bent(flat: _Solution, eye_mm: tuple[float, float, float]) -> _Solution:
    """Return the solution for a bent sheet, started from the flat one; points left out may come back."""
    model = flat.model.bent(eye_mm)
    start = model.start()
    start[: len(flat.params)] = flat.params
    return _solve(model, start, np.ones(len(model.points_mm), dtype=bool))


def _solve(model: PlaneModel, params: NDArray[np.float64], keep: NDArray[np.bool_]) -> _Solution:
    for is_soft in (True, False):
        params = _least_squares(model, params, keep, is_soft)
        off = np.hypot(*((model.px(params) - model.points_px) / model.sigma_px).T)
        scatter = max(1.0, float(np.median(off[keep])) / 1.1774)  # median of a Rayleigh distribution
        keep = off < OUTLIER_SIGMAS * scatter
    return _Solution(model, params, keep)


def _least_squares(
    model: PlaneModel, params: NDArray[np.float64], keep: NDArray[np.bool_], is_soft: bool
) -> NDArray[np.float64]:
    """Return the parameters of least squares or of least soft L1, from a start.

    MINPACK (Moré, Garbow and Hillstrom 1980) knows squares only: misfits are softened beforehand, so that
    their squares sum to the soft L1 cost.  ``least_squares``, which knows both, takes three times as long.
    """
    misfits = _Misfits(model, keep, is_soft)
    found = leastsq(
        misfits.values,
        params,
        Dfun=misfits.slopes,
        full_output=True,  # else it warns where the evaluations run out: the best so far is taken
        ftol=SOFT_ENOUGH if is_soft else STEP_ENOUGH,
        xtol=1e-7,
        maxfev=MOST_EVALUATIONS,
    )
    return np.asarray(found[0], dtype=np.float64)


class _Misfits:
    """Misfits and slopes of one fit; the last ones are kept, since they are asked for again."""

    def __init__(self, model: PlaneModel, keep: NDArray[np.bool_], is_soft: bool) -> None:
        self._model, self._keep, self._is_soft = model, keep, is_soft
        self._at = self._values = self._share = np.zeros(0)
        self._slopes: NDArray[np.float64] | None = None

    def values(self, at: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the misfits, softened where that is asked for."""
        if not np.array_equal(at, self._at):
            self._at, self._slopes = at.copy(), None
            self._values = self._model.residuals(at, self._keep)
            if self._is_soft:
                self._values, self._share = _softened(self._values)
        return self._values

    def slopes(self, at: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return their derivatives by the parameters."""
        self.values(at)
        if self._slopes is None:
            self._slopes = self._model.residual_slopes(at, self._keep)
            if self._is_soft:
                self._slopes *= self._share[:, None]
        return self._slopes


def _softened(misfits: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return misfits r whose squares are the soft L1 cost, 2 f^2 (sqrt(1 + (r / f)^2) - 1), and dr'/dr."""
    bent = np.sqrt(1.0 + (misfits / SOFT_FROM_SIGMAS) ** 2)
    share = np.sqrt(2.0 / (bent + 1.0))
    return misfits * share, 1.0 / (bent * share)


def _position_sigma_mm(solution: _Solution, area_mm: tuple[float, float, float, float]) -> float:
    model, params, keep = solution.model, solution.params, solution.keep
    freedom = max(1, 2 * int(keep.sum()) - len(params))
    variance = max(1.0, float(np.sum((solution.residuals_px / model.sigma_px) ** 2)) / freedom)
    jacobian = model.residual_slopes(params, keep)
    covariance = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True) * variance
    grid = _grid(area_mm, 9, 7)
    spread = model.px_slopes(params, grid).reshape(-1, len(params))
    sigma_px = np.sqrt(np.sum((spread @ covariance) * spread, axis=1)).reshape(-1, 2)
    return float((sigma_px.max(axis=1) / model.plane(params).px_per_mm_at(grid)).max())


def _curl_mm(plane: PlaneMap, page_mm: tuple[float, float]) -> float:
    if plane.bend is None:
        return 0.0
    page = _grid((0.0, 0.0, *page_mm), 13, 9)
    height_mm = plane.bend.height_mm(page)
    basis = np.column_stack([np.ones(len(page)), page])
    level_mm = basis @ np.linalg.lstsq(basis, height_mm, rcond=None)[0]
    return float(np.ptp(height_mm - level_mm))


def _grid(area_mm: tuple[float, float, float, float], n_across: int, n_down: int) -> Points:
    left, top, right, bottom = area_mm
    x, y = np.meshgrid(np.linspace(left, right, n_across), np.linspace(top, bottom, n_down))
    return np.stack([x.ravel(), y.ravel()], axis=1)
