"""A photo -> where the mat's fiducials are in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.design import DICTIONARY, MatLayout, layout_from_ids
from calib.frames import Points
from calib.marker_edges import refined_corners

SEARCH_LONG_SIDE_PX = (2016, 4032, 1344)
"""The detector looks at these sizes until enough is found: it misses large markers at full size and
small ones at reduced size."""
ENOUGH_SHARE = 0.75
LEAST_MARKERS = 3
SADDLE_SIGMA_PX = 0.06
"""Standard uncertainty of a saddle point: residuals on rendered mats of 12 MP."""
CORNER_SIGMA_PX = 0.10
"""The same for a marker corner made of two fitted edges."""


@dataclass(frozen=True, slots=True, eq=False)
class MatSighting:
    """Fiducial points of one mat in one photo."""

    layout: MatLayout
    marker_ids: tuple[int, ...]
    points_px: Points
    """(N, 2) upright photo."""
    points_mm: Points
    """(N, 2) where they were drawn."""
    outward_mm: Points
    """(N, 2) unit direction in which spreading ink moves the point; zero for saddle points."""
    sigma_px: float
    n_expected: int
    repeated_ids: tuple[int, ...]
    """Ids seen more than once far apart: there are two mats."""


def find_sighting(gray: NDArray[np.uint8], layouts: Sequence[MatLayout]) -> MatSighting | None:
    """Return the best sighting of one of the layouts (or, if none are given, of one of our mats).

    Parameters
    ----------
    gray : (H, W) uint8
        Upright photo.
    layouts : sequence of MatLayout
        Foreign boards; empty to look for our own mats, whose markers tell which one it is.

    Returns
    -------
    MatSighting or None
        None if too few markers of a known layout are to be seen.
    """
    names = list(dict.fromkeys(layout.dictionary for layout in layouts)) or [DICTIONARY]
    best: MatSighting | None = None
    for name in names:
        for long_side in _sizes(gray):
            seen = _markers(gray, name, long_side)
            layout = _layout_for(seen, layouts, name)
            if layout is None:
                continue
            sighting = _sighting(gray, layout, seen)
            if sighting is None:
                continue
            if best is None or len(sighting.marker_ids) > len(best.marker_ids):
                best = sighting
            if len(best.marker_ids) >= ENOUGH_SHARE * len(best.layout.markers):
                return best
    return best


def _sizes(gray: NDArray[np.uint8]) -> list[int]:
    long_side = max(gray.shape)
    wanted = [size for size in SEARCH_LONG_SIDE_PX if size < 0.9 * long_side]
    return [*wanted[:1], long_side if long_side <= 4500 else 4032, *wanted[1:]]


def _markers(gray: NDArray[np.uint8], name: str, long_side: int) -> list[tuple[int, Points]]:
    """Return marker ids and corners (4, 2) in full-size pixels, found on a picture of this size."""
    scale = long_side / max(gray.shape)
    small = gray
    if scale < 1:
        small = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 9
    parameters.adaptiveThreshWinSizeMax = 33
    parameters.adaptiveThreshWinSizeStep = 12
    parameters.minMarkerPerimeterRate = 0.008
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{name}"))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(small)
    if ids is None:
        return []
    ratio = np.array([gray.shape[1] / small.shape[1], gray.shape[0] / small.shape[0]])
    return [
        (int(i), (c.reshape(4, 2).astype(np.float64) + 0.5) * ratio - 0.5)
        for i, c in zip(ids.ravel(), corners, strict=True)
    ]


def _layout_for(seen: list[tuple[int, Points]], layouts: Sequence[MatLayout], name: str) -> MatLayout | None:
    ids = {marker_id for marker_id, _ in seen}
    if not layouts:
        return layout_from_ids(ids)
    fitting = [layout for layout in layouts if layout.dictionary == name]
    best = max(fitting, key=lambda layout: len(ids & set(layout.markers)), default=None)
    return best if best is not None and ids & set(best.markers) else None


def _sighting(
    gray: NDArray[np.uint8], layout: MatLayout, seen: list[tuple[int, Points]]
) -> MatSighting | None:
    known = [(i, c) for i, c in seen if i in layout.markers]
    repeated = _repeated(known)
    once = list({i: (i, c) for i, c in known}.values())
    if len(once) < LEAST_MARKERS:
        return None
    corners_mm = np.concatenate([layout.markers[i] for i, _ in once])
    corners_px = np.concatenate([c for _, c in once])
    homography, inliers = cv2.findHomography(corners_mm, corners_px, cv2.RANSAC, 0.004 * max(gray.shape))
    if homography is None or inliers is None:
        return None
    good = inliers.reshape(-1, 4).sum(axis=1) >= 3
    once = [marker for marker, is_good in zip(once, good, strict=True) if is_good]
    if len(once) < LEAST_MARKERS:
        return None
    ids = tuple(i for i, _ in once)
    if len(layout.saddles_mm):
        mm, px = _saddles(gray, layout, once)
        outward = np.zeros_like(mm)
        sigma, expected = SADDLE_SIGMA_PX, len(layout.saddles_mm)
    else:
        mm, px, outward = _corners(gray, layout, once)
        sigma, expected = CORNER_SIGMA_PX, 4 * len(layout.markers)
    if len(mm) < 4 * LEAST_MARKERS:
        return None
    return MatSighting(layout, ids, px, mm, outward, sigma, expected, repeated)


def _repeated(known: list[tuple[int, Points]]) -> tuple[int, ...]:
    places: dict[int, list[Points]] = {}
    for marker_id, corners in known:
        places.setdefault(marker_id, []).append(corners)
    twice = []
    for marker_id, found in places.items():
        side = float(np.hypot(*(found[0][1] - found[0][0])))
        if any(np.hypot(*(c.mean(axis=0) - found[0].mean(axis=0))) > 2 * side for c in found[1:]):
            twice.append(marker_id)
    return tuple(twice)


def _saddles(
    gray: NDArray[np.uint8], layout: MatLayout, once: list[tuple[int, Points]]
) -> tuple[Points, Points]:
    """Return saddle points (drawn mm, px) that are near found markers and look like saddles."""
    centres_mm = np.array([layout.markers[i].mean(axis=0) for i, _ in once])
    corners_mm = np.stack([layout.markers[i] for i, _ in once])
    corners_px = np.stack([c for _, c in once])
    square_mm = float(np.min(np.ptp(corners_mm[0], axis=0))) / 0.75
    mm, guess, windows = [], [], []
    for saddle in layout.saddles_mm:
        distance = np.hypot(*(centres_mm - saddle).T)
        near = np.argsort(distance)[:6]
        if distance[near[0]] > 1.5 * square_mm:
            continue
        local, _ = cv2.findHomography(corners_mm[near].reshape(-1, 2), corners_px[near].reshape(-1, 2))
        if local is None:
            continue
        around = saddle + np.array([[0, 0], [square_mm, 0], [0, square_mm]])
        px = cv2.perspectiveTransform(around[None].astype(np.float64), local)[0]
        sides = (np.hypot(*(px[1] - px[0])), np.hypot(*(px[2] - px[0])))
        mm.append(saddle)
        guess.append(px[0])
        windows.append(min(sides))
    if not mm:
        return np.zeros((0, 2)), np.zeros((0, 2))
    # The window stays clear of the markers' own corners, an eighth of a square away at least.
    window = max(2, min(12, int(0.3 * float(np.median(windows)))))
    points = np.asarray(guess, dtype=np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.002)
    refined = cv2.cornerSubPix(gray, points.copy(), (window, window), (-1, -1), criteria).reshape(-1, 2)
    moved = np.hypot(*(refined - points.reshape(-1, 2)).T)
    good = (moved < window) & _looks_like_saddle(gray, refined, window)
    return np.asarray(mm)[good], refined[good].astype(np.float64)


def _looks_like_saddle(gray: NDArray[np.uint8], points_px: Points, window: int) -> NDArray[np.bool_]:
    """Return whether opposite quarters around each point are alike and neighbours differ."""
    angles = np.deg2rad(np.arange(0, 360, 10))
    ring = 0.8 * window * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    at = (points_px[:, None, :] + ring[None]).astype(np.float32)
    values = cv2.remap(gray, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    centred = values - values.mean(axis=1, keepdims=True)
    opposite = np.roll(centred, len(angles) // 2, axis=1)
    power = np.sum(centred**2, axis=1)
    least_contrast = 12.0  # grey levels: a saddle in deep shade still has more
    likeness = np.sum(centred * opposite, axis=1) / np.maximum(power, 1e-9)
    return np.asarray((likeness > 0.8) & (np.sqrt(power / len(angles)) > least_contrast))


def _corners(
    gray: NDArray[np.uint8], layout: MatLayout, once: list[tuple[int, Points]]
) -> tuple[Points, Points, Points]:
    mm, px, outward = [], [], []
    for marker_id, rough in once:
        corners, good = refined_corners(gray, rough)
        drawn = layout.markers[marker_id]
        away = drawn - drawn.mean(axis=0)
        away /= np.abs(away).max()
        mm.append(drawn[good])
        px.append(corners[good])
        outward.append(away[good])
    return np.concatenate(mm), np.concatenate(px), np.concatenate(outward)
