"""Photo -> where the mat is in it, or why it cannot be measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calib.design import MatLayout
from calib.find import MatSighting, find_sighting
from calib.fit import MatFit, fit_plane
from grader.errors import PhotoProblem
from grader.locate.scale import ASSUMED, NOT_CHECKED
from grader.records import MatPose, Photo


@dataclass(frozen=True, slots=True)
class PoseSettings:
    """What is refused and what is only said."""

    least_px_per_mm: float = 3.0
    """Below this a stem of 1 mm is three pixels wide: nothing to measure."""
    good_px_per_mm: float = 7.0
    """Below this diameters are uncertain by more than 0.1 mm."""
    most_tilt_deg: float = 40.0
    """Beyond this the far side is too small and too blurred."""
    good_tilt_deg: float = 25.0
    least_spread: float = 0.35
    """Fiducials must span this share of the page in both directions."""
    curl_said_mm: float = 0.8
    """Curl from which the person is told: below, what is left of it is a few hundredths of a mm."""
    curl_share: float = 0.01
    """Standard uncertainty of a position, beyond that of the fit, as a share of the curl: paper also bends
    in ways that its border does not tell."""
    refused_residual_mm: float = 1.2
    """Fiducials further off than this on average: crumpled sheet, two boards, wrong layout."""


def find_mat(
    photo: Photo,
    layouts: Sequence[MatLayout] = (),
    print_scale: float = 1.0,
    print_scale_sigma: float = 0.003,
    print_scale_source: str = "assumed",
    settings: PoseSettings | None = None,
) -> MatPose:
    """Return the mat's pose in true mm.

    Parameters
    ----------
    photo : Photo
    layouts : sequence of MatLayout
        Foreign boards; empty to look for our own mats.
    print_scale : float
        True mm per drawn mm.
    print_scale_sigma : float
        Its relative standard uncertainty.
    print_scale_source : str
        "assumed", "check bar typed" or "card".

    Raises
    ------
    PhotoProblem
        If no mat is found, only part of it, two of them, or it is too small or too tilted.
    """
    settings = settings or PoseSettings()
    gray = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    sighting = find_sighting(np.asarray(gray, dtype=np.uint8), layouts)
    if sighting is None:
        raise PhotoProblem(
            "no mat",
            "no measuring mat was found in the picture",
            "lay the cuttings on the printed mat, get all four edges into the picture and take it again; "
            "for a board that is not ours give its layout with --mat",
        )
    _refuse_partial(photo, sighting, settings)
    size_px = (photo.rgb.shape[1], photo.rgb.shape[0])
    fit = fit_plane(sighting, size_px, photo.focal_35mm, sighting.layout.lay_area_mm)
    _refuse_unmeasurable(photo, sighting, fit, settings)
    return _pose(sighting, fit, (print_scale, print_scale_sigma, print_scale_source), settings)


def _refuse_partial(photo: Photo, sighting: MatSighting, settings: PoseSettings) -> None:
    layout = sighting.layout
    if len(sighting.repeated_ids) >= 2:
        raise PhotoProblem(
            "two mats",
            "two measuring mats are in the picture",
            "take one photo for each mat",
        )
    spread = np.ptp(sighting.points_mm, axis=0) / np.asarray(layout.page_mm)
    if spread.min() >= settings.least_spread:
        return
    found = f"{len(sighting.marker_ids)} of {len(layout.markers)} markers found"
    outside = _corners_outside(photo, sighting)
    if outside:
        words = {1: "one mat corner is", 2: "two mat corners are", 3: "three mat corners are"}
        raise PhotoProblem(
            "half a mat",
            f"{words.get(outside, 'the mat corners are')} outside the picture ({found})",
            "step back and take it again",
        )
    raise PhotoProblem(
        "half a mat",
        f"most of the mat's border is covered or blurred ({found})",
        "uncover the border, hold the camera still and take it again",
    )


def _corners_outside(photo: Photo, sighting: MatSighting) -> int:
    width, height = sighting.layout.page_mm
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    homography, _ = cv2.findHomography(sighting.points_mm, sighting.points_px, 0)
    if homography is None:
        return 0
    px = cv2.perspectiveTransform(corners[None], homography)[0]
    inside = (px >= 0).all(axis=1) & (px < [photo.rgb.shape[1], photo.rgb.shape[0]]).all(axis=1)
    return int((~inside).sum())


def _refuse_unmeasurable(photo: Photo, sighting: MatSighting, fit: MatFit, settings: PoseSettings) -> None:
    scale = _px_per_mm(fit, sighting.layout)
    if scale < settings.least_px_per_mm:
        raise PhotoProblem(
            "too small",
            f"the picture has only {scale:.1f} pixels for each mm of the mat; at least "
            f"{settings.least_px_per_mm:.0f} are needed, {settings.good_px_per_mm:.0f} or more are good",
            "go closer so that the mat fills the picture, and send the photo in full size",
        )
    if fit.tilt_deg > settings.most_tilt_deg:
        raise PhotoProblem(
            "too tilted",
            f"the camera was tilted by {fit.tilt_deg:.0f} degrees against the mat; "
            f"up to {settings.most_tilt_deg:.0f} can be measured",
            "hold the camera level above the middle of the mat and take it again",
        )
    if fit.rms_mm > settings.refused_residual_mm:
        raise PhotoProblem(
            "mat does not fit",
            f"the mat's marks are off by {fit.rms_mm:.1f} mm on average from where they were drawn",
            "flatten the sheet on a board; if it is another board, give its layout with --mat",
        )


def _px_per_mm(fit: MatFit, layout: MatLayout) -> float:
    left, top, right, bottom = layout.lay_area_mm
    return float(fit.plane.px_per_mm_at(np.array([[(left + right) / 2, (top + bottom) / 2]]))[0])


def _pose(
    sighting: MatSighting,
    fit: MatFit,
    scale: tuple[float, float, str],
    settings: PoseSettings,
) -> MatPose:
    layout = sighting.layout
    print_scale, print_scale_sigma, source = scale
    warnings = []
    px_per_mm = _px_per_mm(fit, layout) / print_scale
    is_curled = fit.curl_mm * print_scale >= settings.curl_said_mm
    if is_curled:
        warnings.append(
            f"the sheet bends by about {fit.curl_mm * print_scale:.1f} mm: press it flat on a board; "
            "its bend was allowed for, but flat is surer"
        )
    if px_per_mm < settings.good_px_per_mm:
        warnings.append(
            f"only {px_per_mm:.1f} pixels for each mm: go closer or use the camera's full size "
            f"({settings.good_px_per_mm:.0f} or more are good)"
        )
    if fit.tilt_deg > settings.good_tilt_deg:
        warnings.append(f"camera tilted by {fit.tilt_deg:.0f} degrees: hold it level above the mat")
    share = fit.n_used / sighting.n_expected
    if share < 0.5:
        warnings.append(f"only {100 * share:.0f} % of the mat's marks could be used: keep its border free")
    if source == ASSUMED:
        warnings.append(NOT_CHECKED)
    # Residuals that the model does not explain shift positions too.
    unexplained_mm = math.hypot(fit.rms_mm * math.sqrt(2), settings.curl_share * fit.curl_mm * is_curled)
    s = print_scale
    return MatPose(
        mat_id=layout.mat_id,
        page_mm=(layout.page_mm[0] * s, layout.page_mm[1] * s),
        lay_area_mm=(
            layout.lay_area_mm[0] * s,
            layout.lay_area_mm[1] * s,
            layout.lay_area_mm[2] * s,
            layout.lay_area_mm[3] * s,
        ),
        fiducials_mm=tuple(np.asarray(c) * s for c in layout.markers.values()),
        plane=fit.plane.scaled(s),
        n_fiducials=fit.n_used,
        n_fiducials_expected=sighting.n_expected,
        residual_rms_px=fit.rms_px,
        residual_rms_mm=fit.rms_mm * s,
        position_sigma_mm=math.hypot(fit.position_sigma_mm, unexplained_mm) * s,
        scale_sigma=print_scale_sigma,
        print_scale=s,
        print_scale_source=source,
        tilt_deg=fit.tilt_deg,
        curl_mm=fit.curl_mm * s if is_curled else 0.0,
        px_per_mm=px_per_mm,
        warnings=tuple(warnings),
        cell_edges_mm=(
            tuple(edge * s for edge in layout.columns_mm),
            tuple(edge * s for edge in layout.rows_mm),
        ),
    )
