"""Four-sided dark shapes in a picture, and the marker codes read inside them.

OpenCV finds the shapes; its own reading compares every shape with every marker one by one, which takes
a second or more with a dictionary of 2320 markers.
"""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Points

Gray = NDArray[np.uint8]

MOST_WRONG_BITS = 3
"""Put right where the dictionary allows it: markers of 36h10 and 36h11 differ by ten bits and more, so
four wrong ones would still do."""
MOST_WRONG_BORDER_SHARE = 0.12
"""Of the black border's cells."""
SAMPLES_PER_CELL = 3
"""Each way, over the middle half of a cell."""
LEAST_SIDE_PX = 10.0
"""Smaller, a cell is little more than a pixel; 2.4 px per cell are needed to read most markers."""
MOST_AT_ONCE = 500
"""Shapes sampled together: OpenCV takes at most 32767 rows."""
LEAST_CONTRAST = 25.0
"""Grey levels between black and white; the faintest print in deep shade still has more."""


def read_markers(gray: Gray, name: str, windows_px: tuple[int, ...]) -> list[tuple[int, Points]]:
    """Return ids and corners (4, 2) px of the markers seen, clockwise from the marker's own top left.

    Parameters
    ----------
    gray : (H, W) uint8
    name : str
        Dictionary in ``cv2.aruco`` without ``DICT_``.
    windows_px : tuple of odd int
        Neighbourhoods whose mean a pixel must be darker than.
    """
    found: dict[int, list[Points]] = {}
    for window in windows_px:
        quads = _quads(gray, name, window)
        for start in range(0, len(quads), MOST_AT_ONCE):
            for marker_id, corners in _read(gray, quads[start : start + MOST_AT_ONCE], name):
                places = found.setdefault(marker_id, [])
                side = float(np.hypot(*(corners[1] - corners[0])))
                if all(np.abs(known - corners).max() > side / 2 for known in places):
                    places.append(corners)
    return [(marker_id, corners) for marker_id, places in found.items() for corners in places]


def _quads(gray: Gray, name: str, window_px: int) -> Points:
    """Return dark four-sided shapes (N, 4, 2), clockwise: OpenCV's markers and those it could not read."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = window_px
    parameters.adaptiveThreshWinSizeMax = window_px
    # No shape of this least side has fewer pixels round it, whichever way it is turned.
    parameters.minMarkerPerimeterRate = 4 * LEAST_SIDE_PX / math.sqrt(2) / max(gray.shape)
    parameters.minOtsuStdDev = 256.0  # more than there is: OpenCV spends no time on looking into shapes
    # Shapes within shapes are all wanted: OpenCV would keep the outer one, a marker's white surround.
    parameters.minMarkerDistanceRate = 0.0
    parameters.minGroupDistance = 0.0
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    corners, _, rejected = cv2.aruco.ArucoDetector(_single(name), parameters).detectMarkers(gray)
    shapes = [np.asarray(c, dtype=np.float64).reshape(4, 2) for c in (*corners, *rejected)]
    quads = np.stack(shapes) if shapes else np.zeros((0, 4, 2))
    sides = np.hypot(*(np.roll(quads, -1, axis=1) - quads).transpose(2, 0, 1))
    return np.asarray(quads[sides.min(axis=1) >= LEAST_SIDE_PX])


def _dictionary(name: str) -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{name}"))


def _single(name: str) -> cv2.aruco.Dictionary:
    """Return a dictionary of one marker: OpenCV then spends no time on reading."""
    whole = _dictionary(name)
    return cv2.aruco.Dictionary(whole.bytesList[:1].copy(), whole.markerSize, 0)


@lru_cache(maxsize=4)
def _codes(name: str) -> NDArray[np.bool_]:
    """Return the inner cells (n_markers, n * n) of all markers, true where white, upright."""
    whole = _dictionary(name)
    n = whole.markerSize
    bits = [cv2.aruco.Dictionary.getBitsFromByteList(row[None], n).ravel() for row in whole.bytesList]
    return np.asarray(bits, dtype=bool)


def _most_wrong_bits(name: str) -> int:
    """Return how many wrong cells leave no doubt between two markers of a dictionary."""
    distance = name.rpartition("h")[2] if "h" in name else ""
    sure = (int(distance) - 1) // 2 if distance.isdigit() else int(_dictionary(name).maxCorrectionBits)
    return min(MOST_WRONG_BITS, sure)


def _read(gray: Gray, quads: Points, name: str) -> list[tuple[int, Points]]:
    codes = _codes(name)
    n = round(codes.shape[1] ** 0.5)
    cells = _cells(gray, quads, n + 2)
    low, high = cells.min(axis=(1, 2)), cells.max(axis=(1, 2))
    white = cells > ((low + high) / 2)[:, None, None]
    border = np.ones((n + 2, n + 2), dtype=bool)
    border[1:-1, 1:-1] = False
    is_framed = white[:, border].mean(axis=1) <= MOST_WRONG_BORDER_SHARE
    chosen = np.flatnonzero(is_framed & (high - low > LEAST_CONTRAST))
    if not len(chosen):
        return []
    # Turned so that the code stands upright: corner `turn` of the shape is the marker's top left.
    inner = white[chosen, 1:-1, 1:-1]
    turned = np.stack([np.rot90(inner, turn, axes=(1, 2)) for turn in range(4)], axis=1)
    some, all_codes = (
        np.where(cells, np.float32(1), np.float32(-1))
        for cells in (turned.reshape(len(chosen), 4, -1), codes)
    )
    likeness = (some.reshape(-1, codes.shape[1]) @ all_codes.T).reshape(len(chosen), -1)
    best = likeness.argmax(axis=1)
    # As many cells agree as differ where the likeness is zero.
    wrong = (codes.shape[1] - likeness[np.arange(len(chosen)), best]) / 2
    is_read = wrong <= _most_wrong_bits(name)
    turns, ids = divmod(best[is_read], len(codes))
    corners = quads[chosen[is_read, None], (turns[:, None] + np.arange(4)) % 4]
    return list(zip(ids.tolist(), corners, strict=True))


def _cells(gray: Gray, quads: Points, n: int) -> NDArray[np.float64]:
    """Return the mean grey (N, n, n) of the cells of each shape."""
    steps = (np.arange(SAMPLES_PER_CELL) - (SAMPLES_PER_CELL - 1) / 2) / (2 * (SAMPLES_PER_CELL - 1))
    places = (np.arange(n)[:, None] + 0.5 + steps).ravel() / n
    x, y = np.meshgrid(places, places)
    unit = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    seen = (_from_unit_square(quads).reshape(-1, 3) @ unit).reshape(len(quads), 3, -1)
    at = (seen[:, :2] / seen[:, 2:]).astype(np.float32)
    rows = len(quads) * n * SAMPLES_PER_CELL
    gray_at = cv2.remap(gray, at[:, 0].reshape(rows, -1), at[:, 1].reshape(rows, -1), cv2.INTER_LINEAR)
    means = cv2.resize(gray_at.astype(np.float32), (n, len(quads) * n), interpolation=cv2.INTER_AREA)
    return np.asarray(means.reshape(len(quads), n, n), dtype=np.float64)


def _from_unit_square(quads: Points) -> NDArray[np.float64]:
    """Return the homographies (N, 3, 3) that take the unit square to convex shapes (N, 4, 2).

    In closed form (Heckbert 1989, Fundamentals of Texture Mapping and Image Warping; the section, 2.2.3,
    from memory); a test compares it with OpenCV.
    """
    first, second, third, fourth = quads.transpose(1, 0, 2)
    side, other, rest = second - third, fourth - third, first - second + third - fourth
    area = _cross(side, other)
    g, h = _cross(rest, other) / area, _cross(side, rest) / area
    maps = np.ones((len(quads), 3, 3))
    maps[:, :2, 0] = second - first + g[:, None] * second
    maps[:, :2, 1] = fourth - first + h[:, None] * fourth
    maps[:, :2, 2] = first
    maps[:, 2, 0], maps[:, 2, 1] = g, h
    return maps


def _cross(some: Points, others: Points) -> NDArray[np.float64]:
    return np.asarray(some[:, 0] * others[:, 1] - some[:, 1] * others[:, 0])
