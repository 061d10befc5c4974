"""The parameters of one photo of a mat, and where they put its fiducials."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.find import MatSighting
from calib.frames import BEND_BOX, BEND_WAVES, PlaneMap, Points, SheetBend, bent_by_lens

RADIAL_PRIOR = 0.1
"""Standard deviation expected of k1 and k2 (radius = half the diagonal); phones show 0.05 and less."""
RADIAL_PRIOR_BENT = 0.05
"""The same beside a bent sheet: a bowl and a lens with distortion look alike."""
DECENTRING_PRIOR = 0.003
"""The same for p1 and p2."""
GROWTH_PRIOR_MM = 0.15
"""The same for the growth of printed edges by ink and blur."""
BEND_HEIGHT_MM = 0.3
"""The same for the height of a sheet above its plane.  Several times as much is still found, since the
fiducials weigh more: 3 mm on rendered photos; where none are, the sheet stays level."""
BEND_REACH = 0.75
"""How far, in half pages, one place of the sheet tells of another.  Chosen with the height: on eight
photos of sheets that wave, positions inside are 0.014 mm off (mean 95th percentile), taken for flat 0.07.
With 0.2 mm and 0.7, errors of a shallow wave were 1.6 times what was stated; with 0.4 mm and 0.7, places
in photos of 6 px per mm are up to 0.09 mm off instead of 0.07; a reach of 0.8 does worse on the eight."""
N_LENS = 4


@cache
def _bend_priors_mm() -> NDArray[np.float64]:
    """Return the standard deviation expected of each wave (25,): a smooth random sheet.

    Spectral density of the squared-exponential covariance in two dimensions (Rasmussen and Williams
    2006, Gaussian Processes for Machine Learning, eq. 4.11; waves as eigenfunctions: Solin and Särkkä
    2020, Statistics and Computing 30:419-446).
    """
    i, j = np.array(BEND_WAVES).T
    frequency = np.pi / (2 * BEND_BOX) * np.hypot(i, j)
    density = 2 * np.pi * BEND_REACH**2 * np.exp(-((frequency * BEND_REACH) ** 2) / 2)
    mean_square_of_wave = np.where(i > 0, 0.5, 1.0) * np.where(j > 0, 0.5, 1.0)
    area = (2 * BEND_BOX) ** 2
    return np.asarray(BEND_HEIGHT_MM * np.sqrt(density / area / mean_square_of_wave))


def _priors(radial: float, grows: bool) -> NDArray[np.float64]:
    growth = [GROWTH_PRIOR_MM] if grows else []
    return np.array([radial, radial, DECENTRING_PRIOR, DECENTRING_PRIOR, *growth])


@dataclass(frozen=True, slots=True, eq=False)
class PlaneModel:
    """Parameters, in this order: eight of the homography in normalised coordinates; k1, k2, p1, p2; the
    edges' growth, mm, if any point moves by it; the bend's coefficients, mm, if the eye is given.
    """

    points_mm: Points
    points_px: Points
    outward: Points
    sigma_px: float
    centre_px: tuple[float, float]
    radius_px: float
    centre_mm: tuple[float, float]
    size_mm: float
    grows: bool
    """Whether the points move when ink spreads."""
    priors: NDArray[np.float64]
    """(n_params - 8,) standard deviations expected of the parameters after the homography's."""
    eye_mm: tuple[float, float, float] | None = None
    waves: NDArray[np.float64] | None = None
    """(N, 25) of the bend at fiducials that do not move with the parameters; None: worked out each time."""

    @classmethod
    def of(cls, sighting: MatSighting, image_size_px: tuple[int, int]) -> PlaneModel:
        """Return the model of a flat sheet for these fiducials."""
        width, height = image_size_px
        page = sighting.layout.page_mm
        grows = bool(np.any(sighting.outward_mm))
        return cls(
            points_mm=sighting.points_mm,
            points_px=sighting.points_px,
            outward=sighting.outward_mm,
            sigma_px=sighting.sigma_px,
            centre_px=((width - 1) / 2, (height - 1) / 2),
            radius_px=math.hypot(width, height) / 2,
            centre_mm=(page[0] / 2, page[1] / 2),
            size_mm=max(page) / 2,
            grows=grows,
            priors=_priors(RADIAL_PRIOR, grows),
        )

    def bent(self, eye_mm: tuple[float, float, float]) -> PlaneModel:
        """Return the model of a bent sheet seen from a known place."""
        level = SheetBend(self.centre_mm, self.size_mm, np.zeros(len(BEND_WAVES)))
        priors = np.concatenate([_priors(RADIAL_PRIOR_BENT, self.grows), _bend_priors_mm()])
        waves = None if self.grows else level.terms(self.points_mm)
        return replace(self, eye_mm=eye_mm, waves=waves, priors=priors)

    def start(self) -> NDArray[np.float64]:
        """Return the parameters of a flat sheet seen by a perfect lens."""
        mm = (self.points_mm - self.centre_mm) / self.size_mm
        px = (self.points_px - self.centre_px) / self.radius_px
        homography, _ = cv2.findHomography(mm, px, 0)
        return np.concatenate([(homography / homography[2, 2]).ravel()[:8], np.zeros(len(self.priors))])

    def growth_mm(self, params: NDArray[np.float64]) -> float:
        """Return by how much edges have moved outward; nan if no point tells."""
        return float(params[8 + N_LENS]) if self.grows else math.nan

    def bend(self, params: NDArray[np.float64]) -> SheetBend | None:
        """Return the sheet's bend, or None in the model of a flat one."""
        if self.eye_mm is None:
            return None
        return SheetBend(self.centre_mm, self.size_mm, params[-len(BEND_WAVES) :].copy())

    def plane(self, params: NDArray[np.float64]) -> PlaneMap:
        """Return the map; its eye is nan in the model of a flat sheet."""
        (cx, cy), r = self.centre_px, self.radius_px
        to_px = np.array([[r, 0, cx], [0, r, cy], [0, 0, 1]])
        (mx, my), s = self.centre_mm, self.size_mm
        from_mm = np.array([[1 / s, 0, -mx / s], [0, 1 / s, -my / s], [0, 0, 1]])
        k1, k2, p1, p2 = (float(value) for value in params[8 : 8 + N_LENS])
        return PlaneMap(
            homography=to_px @ np.append(params[:8], 1.0).reshape(3, 3) @ from_mm,
            centre_px=self.centre_px,
            radius_px=r,
            k1=k1,
            k2=k2,
            p1=p1,
            p2=p2,
            eye_mm=self.eye_mm or (math.nan, math.nan, math.nan),
            bend=self.bend(params),
        )

    def px(self, params: NDArray[np.float64]) -> Points:
        """Return where the parameters put the fiducials in the photo."""
        if self.grows or (self.eye_mm is not None and self.waves is None):
            growth = self.growth_mm(params) if self.grows else 0.0
            return self.plane(params).px_from_mm(self.points_mm + growth * self.outward)
        _, ideal, _ = self._ideal(params, self._seen_mm(params))
        k1, k2, p1, p2 = (float(value) for value in params[8 : 8 + N_LENS])
        return np.asarray(self.centre_px + self.radius_px * bent_by_lens(ideal, k1, k2, p1, p2))

    def _seen_mm(self, params: NDArray[np.float64]) -> Points:
        """Return where fiducials that do not grow are seen on the plane of the sheet, mm."""
        if self.waves is None or self.eye_mm is None:
            return self.points_mm
        rise_mm = (self.waves @ params[-len(BEND_WAVES) :])[:, None]
        away_mm = self.points_mm - self.eye_mm[:2]
        return np.asarray(self.points_mm + away_mm * rise_mm / (self.eye_mm[2] - rise_mm))

    def _ideal(
        self, params: NDArray[np.float64], seen_mm: Points
    ) -> tuple[Points, Points, NDArray[np.float64]]:
        """Return the points (N, 3) as the homography takes them, (N, 2) ideal positions and (N,) divisors."""
        m = np.ones((len(seen_mm), 3))
        m[:, :2] = (seen_mm - self.centre_mm) / self.size_mm
        homography = np.append(params[:8], 1.0).reshape(3, 3)
        seen = m @ homography.T
        return m, seen[:, :2] / seen[:, 2:], seen[:, 2]

    def residuals(self, params: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return misfits of the points kept and of the parameters, each over what is expected."""
        off = ((self.px(params) - self.points_px) / self.sigma_px)[keep].ravel()
        return np.concatenate([off, params[8:] / self.priors])

    def residual_slopes(self, params: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return the derivatives of :meth:`residuals` by the parameters."""
        points_mm, outward = self.points_mm[keep], self.outward[keep]
        if self.grows:
            points_mm = points_mm + self.growth_mm(params) * outward
        waves = None if self.waves is None else self.waves[keep]
        slopes = self.px_slopes(params, points_mm, outward, waves)
        n_params, n_of_points = len(params), 2 * len(points_mm)
        both = np.zeros((n_of_points + n_params - 8, n_params))
        np.divide(slopes.reshape(-1, n_params), self.sigma_px, out=both[:n_of_points])
        np.fill_diagonal(both[n_of_points:, 8:], 1.0 / self.priors)
        return both

    def px_slopes(
        self,
        params: NDArray[np.float64],
        points_mm: Points,
        outward: Points | None = None,
        waves: NDArray[np.float64] | None = None,
    ) -> NDArray[np.float64]:
        """Return the derivatives (N, 2, n_params) of photo positions by the parameters, px.

        Written out, since differences of whole evaluations take ten times as long; as products of vectors,
        since those of many small matrices do too.  The slope of the bend is left out: it is a few percent.

        Parameters
        ----------
        points_mm : (N, 2)
            Where the points are on the sheet, grown edges included.
        outward : (N, 2), optional
            How they move as edges grow; without, they do not.
        waves : (N, 25), optional
            Of the bend there; worked out without.
        """
        seen_mm, stretch, bend = points_mm, None, self.bend(params)
        if bend is not None and self.eye_mm is not None:
            foot, height = np.asarray(self.eye_mm[:2]), self.eye_mm[2]
            waves = bend.terms(points_mm) if waves is None else waves
            away, stretch = points_mm - foot, (height / (height - waves @ bend.coefficients_mm))[:, None]
            seen_mm = foot + away * stretch
        homography = np.append(params[:8], 1.0).reshape(3, 3)
        m, ideal, w = self._ideal(params, seen_mm)
        by_ideal, by_lens = _lens_slopes(ideal, params[8 : 8 + N_LENS])
        by_ideal *= self.radius_px
        over_w = m / w[:, None]
        slopes = np.empty((len(m), 2, len(params)))
        slopes[..., :3] = by_ideal[..., :1] * over_w[:, None]
        slopes[..., 3:6] = by_ideal[..., 1:] * over_w[:, None]
        by_divisor = _applied(by_ideal, ideal)[..., None]
        slopes[..., 6:8] = -by_divisor * over_w[:, None, :2]
        slopes[..., 8 : 8 + N_LENS] = self.radius_px * by_lens
        # By where a point is seen, mm: (N, 2, 2).
        by_seen = by_ideal @ homography[:2, :2] - by_divisor * homography[2, :2]
        by_seen /= (self.size_mm * w)[:, None, None]
        if self.grows:
            moved = np.zeros_like(points_mm) if outward is None else outward
            slopes[..., 8 + N_LENS] = _applied(by_seen, moved if stretch is None else stretch * moved)
        if waves is not None and stretch is not None:
            by_rise = away * stretch**2 / height
            slopes[..., -len(BEND_WAVES) :] = _applied(by_seen, by_rise)[..., None] * waves[:, None]
        return slopes


def _applied(matrices: NDArray[np.float64], vectors: Points) -> Points:
    """Return the products (N, 2) of matrices (N, 2, 2) and vectors (N, 2)."""
    return np.asarray(matrices[..., 0] * vectors[:, :1] + matrices[..., 1] * vectors[:, 1:])


def _lens_slopes(d: Points, lens: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the derivatives of :func:`calib.frames.bent_by_lens` by (N, 2, 2) place and (N, 2, 4) terms."""
    (x, y), (k1, k2, p1, p2) = np.ascontiguousarray(d.T), (float(term) for term in lens)
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    radial, grows = 1.0 + r2 * (k1 + k2 * r2), 2 * k1 + 4 * k2 * r2
    by_place = np.empty((len(d), 2, 2))
    by_place[:, 0, 0] = radial + grows * xx + 2 * p1 * y + 6 * p2 * x
    by_place[:, 1, 1] = radial + grows * yy + 6 * p1 * y + 2 * p2 * x
    by_place[:, 0, 1] = by_place[:, 1, 0] = grows * xy + 2 * p1 * x + 2 * p2 * y
    by_terms = np.empty((len(d), 2, N_LENS))
    by_terms[:, :, 0] = d * r2[:, None]
    by_terms[:, :, 1] = d * (r2 * r2)[:, None]
    by_terms[:, 0, 2] = by_terms[:, 1, 3] = 2 * xy
    by_terms[:, 0, 3] = r2 + 2 * xx
    by_terms[:, 1, 2] = r2 + 2 * yy
    return by_place, by_terms
