"""A photo -> where the mat's fiducials are in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from calib.codes import Gray, read_markers
from calib.design import DICTIONARY, MatLayout, layout_from_ids
from calib.frames import Points
from calib.marker_edges import refined_corners

SEARCH_LONG_SIDE_PX = (2016, 4032, 1344)
"""Pictures of these sizes are searched until enough is found: large markers are missed at full size and
small ones at reduced size."""
QUICK_LONG_SIDE_PX = 1008
"""Our own mats are looked for at this size first: markers only tell which saddle point is which, and those
are then found at full size.  A mat that fills a photo has 3 pixels to the mm, enough for its markers."""
MOST_ENLARGED = 2.0
"""Enlarging a small photo helps to see cells of two pixels; it adds no detail beyond this."""
WINDOWS_PX = (15, 33)
"""Neighbourhoods that a marker's pixels must be darker than: about a marker's border, about a marker.  The
second is for what the first has left out."""
ENOUGH_SHARE = 0.9
LEAST_MARKERS = 3
BENT_SHARE = 0.01
"""A marker may be so far from where a flat sheet has it, of the picture's long side: bent paper, lens."""
SADDLE_REACH_SQUARES = 3.0
"""Saddle points no further than this from a marker that was read are looked for: others' neighbours."""
NEIGHBOURS = 6
"""Markers that tell where a saddle point is: enough to bridge one that is covered, near enough for a bend."""
RIDGE = 1e-12
"""Keeps equations of coordinates up to 1 solvable where neighbours lie as they should not."""
SADDLE_SIGMA_PX = 0.06
"""Standard uncertainty of a saddle point: residuals on rendered mats of 12 MP."""
MOST_CLEARANCE_SQUARES = 0.5
"""A window no wider than this, to either side of a saddle point, is free of the next saddle point."""
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
    """Ids seen more than once far apart, or of another of our mats: there are two mats."""


def find_sighting(gray: Gray, layouts: Sequence[MatLayout]) -> MatSighting | None:
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
        layout, seen = _seen(gray, layouts, name)
        if layout is None:
            continue
        sighting = _sighting(gray, layout, seen)
        if sighting is not None and (best is None or len(sighting.marker_ids) > len(best.marker_ids)):
            best = sighting
    return best


def _seen(
    gray: Gray, layouts: Sequence[MatLayout], name: str
) -> tuple[MatLayout | None, list[tuple[int, Points]]]:
    """Return the layout that the markers of a dictionary tell, and the markers."""
    # Each marker of a foreign board lends four points to the fit; of our own, enough is enough.
    least_of_window = 1.0 if layouts else ENOUGH_SHARE
    seen: list[tuple[int, Points]] = []
    layout = None
    for long_side in _sizes(gray, is_own=not layouts):
        small = _resized(gray, long_side)
        of_size: list[tuple[int, Points]] = []
        for window in WINDOWS_PX:
            of_size = _merged(_markers(small, gray.shape, name, window), of_size)
            layout = _layout_for([*seen, *of_size], layouts, name)
            if _share_seen(of_size, layout) >= least_of_window:
                break
        seen = _merged(seen, of_size)
        if _share_seen(seen, layout) >= ENOUGH_SHARE:
            break
    return layout, seen


def _sizes(gray: Gray, is_own: bool) -> list[int]:
    long_side = max(gray.shape)
    sizes = [size for size in SEARCH_LONG_SIDE_PX if size <= MOST_ENLARGED * long_side] or [long_side]
    return [QUICK_LONG_SIDE_PX, *sizes] if is_own and long_side >= 2 * QUICK_LONG_SIDE_PX else sizes


def _resized(gray: Gray, long_side: int) -> Gray:
    """Return the picture in another size: halved as often as that goes, which takes hardly any time."""
    while max(gray.shape) >= 2 * long_side:
        gray = np.asarray(
            cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.uint8
        )
    scale = long_side / max(gray.shape)
    if scale == 1:
        return gray
    way = cv2.INTER_LINEAR if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=way), dtype=np.uint8)


def _markers(small: Gray, full_shape: tuple[int, ...], name: str, window_px: int) -> list[tuple[int, Points]]:
    """Return marker ids and corners (4, 2) in full-size pixels, found on a resized picture."""
    ratio = np.array([full_shape[1] / small.shape[1], full_shape[0] / small.shape[0]])
    return [(i, (corners + 0.5) * ratio - 0.5) for i, corners in read_markers(small, name, (window_px,))]


def _merged(some: list[tuple[int, Points]], more: list[tuple[int, Points]]) -> list[tuple[int, Points]]:
    """Return the markers of both, each place once; those of ``more`` win."""
    kept = []
    for marker_id, corners in some:
        side = float(np.hypot(*(corners[1] - corners[0])))
        if not any(i == marker_id and np.abs(c - corners).max() < side / 2 for i, c in more):
            kept.append((marker_id, corners))
    return kept + more


def _share_seen(seen: list[tuple[int, Points]], layout: MatLayout | None) -> float:
    """Return the share of a layout's markers that are seen; 0 without a layout."""
    return len({i for i, _ in seen if i in layout.markers}) / len(layout.markers) if layout else 0.0


def _layout_for(seen: list[tuple[int, Points]], layouts: Sequence[MatLayout], name: str) -> MatLayout | None:
    ids = {marker_id for marker_id, _ in seen}
    if not layouts:
        return layout_from_ids(ids)
    fitting = [layout for layout in layouts if layout.dictionary == name]
    best = max(fitting, key=lambda layout: len(ids & set(layout.markers)), default=None)
    return best if best is not None and ids & set(best.markers) else None


def _sighting(gray: Gray, layout: MatLayout, seen: list[tuple[int, Points]]) -> MatSighting | None:
    known = [(i, c) for i, c in seen if i in layout.markers]
    repeated = _repeated(known) + _of_other_mat(layout, {i for i, _ in seen})
    once = list({i: (i, c) for i, c in known}.values())
    if len(once) < LEAST_MARKERS:
        return None
    corners_mm = np.concatenate([layout.markers[i] for i, _ in once])
    corners_px = np.concatenate([c for _, c in once])
    homography, inliers = cv2.findHomography(corners_mm, corners_px, cv2.RANSAC, BENT_SHARE * max(gray.shape))
    if homography is None or inliers is None:
        return None
    good = inliers.reshape(-1, 4).sum(axis=1) >= 3
    once = [marker for marker, is_good in zip(once, good, strict=True) if is_good]
    if len(once) < LEAST_MARKERS:
        return None
    ids = tuple(i for i, _ in once)
    if len(layout.saddles_mm) >= 4 * LEAST_MARKERS:
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


def _of_other_mat(layout: MatLayout, ids: set[int]) -> tuple[int, ...]:
    """Return ids that belong to another of our mats, if enough of them are seen to believe it."""
    if not len(layout.saddles_mm) or layout.dictionary != DICTIONARY:
        return ()
    other = layout_from_ids(ids - set(layout.markers))
    strays = () if other is None else tuple(sorted(ids & set(other.markers) - set(layout.markers)))
    return strays if len(strays) > LEAST_MARKERS else ()


def _saddles(gray: Gray, layout: MatLayout, once: list[tuple[int, Points]]) -> tuple[Points, Points]:
    """Return saddle points (drawn mm, px) that are near found markers and look like saddles."""
    centres_mm = np.array([layout.markers[i].mean(axis=0) for i, _ in once])
    corners_mm = np.stack([layout.markers[i] for i, _ in once])
    corners_px = np.stack([c for _, c in once])
    square_mm, clearance_squares = _saddle_spacing(layout)
    distance = np.hypot(*(layout.saddles_mm[:, None] - centres_mm[None]).transpose(2, 0, 1))
    reached = distance.min(axis=1) <= SADDLE_REACH_SQUARES * square_mm
    saddles, near = layout.saddles_mm[reached], np.argsort(distance[reached], axis=1)[:, :NEIGHBOURS]
    around = saddles[:, None] + np.array([[0, 0], [square_mm, 0], [0, square_mm]])
    each = (len(near), 4 * near.shape[1], 2)
    px = _mapped_nearby(corners_mm[near].reshape(each), corners_px[near].reshape(each), around)
    inside = _is_inside(px[:, 0], gray)
    mm, px = saddles[inside], px[inside]
    if not len(mm):
        return np.zeros((0, 2)), np.zeros((0, 2))
    windows = np.hypot(*(px[:, 1:] - px[:, :1]).transpose(2, 0, 1)).min(axis=1)
    window = max(2, min(12, int(clearance_squares * float(np.median(windows)))))
    points = px[:, 0].astype(np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.002)
    refined = cv2.cornerSubPix(gray, points.copy(), (window, window), (-1, -1), criteria)
    refined = np.asarray(refined, dtype=np.float64).reshape(-1, 2)
    moved = np.hypot(*(refined - points.reshape(-1, 2)).T)
    good = (moved < window) & _looks_like_saddle(gray, refined, window)
    return mm[good], refined[good]


def _saddle_spacing(layout: MatLayout) -> tuple[float, float]:
    """Return the square's side, mm, and how far a window may reach from a saddle point, in squares.

    A window that takes in corners of markers moves the saddle by a third of a pixel; one narrower than
    the board allows makes more of noise.  Windows are square, so the longer of the two coordinates counts.
    """
    saddles, corners = layout.saddles_mm, np.concatenate(list(layout.markers.values()))
    square_mm = float(np.median(KDTree(saddles).query(saddles, k=2)[0][:, 1]))
    clearance_mm = float(KDTree(corners).query(saddles, p=np.inf)[0].min())
    return square_mm, min(MOST_CLEARANCE_SQUARES, clearance_mm / square_mm)


def _mapped_nearby(some_mm: Points, some_px: Points, points_mm: Points) -> Points:
    """Return where points (N, P, 2) lie by the homography through their own (N, K, 2) neighbours.

    The direct linear form (Hartley and Zisserman 2004, Multiple View Geometry, 4.1), last element set to
    one, in coordinates about the neighbours' middle: all N at once, since a call for each takes longer
    than the search for the saddle points itself.
    """
    middle_mm, middle_px = some_mm.mean(axis=1, keepdims=True), some_px.mean(axis=1, keepdims=True)
    size_mm = np.abs(some_mm - middle_mm).max(axis=(1, 2), keepdims=True)
    size_px = np.abs(some_px - middle_px).max(axis=(1, 2), keepdims=True)
    m, d = (some_mm - middle_mm) / size_mm, (some_px - middle_px) / size_px
    one, none = np.ones_like(m[..., :1]), np.zeros((*m.shape[:2], 3))
    m1 = np.concatenate([m, one], axis=2)
    rows_x = np.concatenate([m1, none, -d[..., :1] * m], axis=2)
    rows_y = np.concatenate([none, m1, -d[..., 1:] * m], axis=2)
    rows = np.concatenate([rows_x, rows_y], axis=1)
    right = np.concatenate([d[..., 0], d[..., 1]], axis=1)
    normal = rows.transpose(0, 2, 1) @ rows + RIDGE * np.eye(8)
    h = np.linalg.solve(normal, rows.transpose(0, 2, 1) @ right[..., None])[..., 0]
    p = (points_mm - middle_mm) / size_mm
    w = p @ h[:, 6:, None] + 1.0
    x = p @ h[:, :2, None] + h[:, None, 2:3]
    y = p @ h[:, 3:5, None] + h[:, None, 5:6]
    return np.asarray(np.concatenate([x, y], axis=2) / w * size_px + middle_px)


def _is_inside(points_px: Points, gray: Gray) -> NDArray[np.bool_]:
    """Return which points (N, 2) lie in the picture; a mat may reach beyond it."""
    height, width = gray.shape
    return np.asarray(((points_px >= 0) & (points_px <= [width - 1, height - 1])).all(axis=1))


def _looks_like_saddle(gray: Gray, points_px: Points, window: int) -> NDArray[np.bool_]:
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


def _corners(gray: Gray, layout: MatLayout, once: list[tuple[int, Points]]) -> tuple[Points, Points, Points]:
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
