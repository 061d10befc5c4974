"""Marker codes are read whichever way up, and nothing is read where there is none."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calib.codes import _from_unit_square, read_markers

WINDOWS_PX = (15, 33)
SIDE_PX = 64
AT_PX = 100


def picture(
    name: str, marker_id: int, turns: int = 0, surround: int = 230, sheet: int = 230
) -> NDArray[np.uint8]:
    """Return a grey picture (264, 264) of one marker with a white rim of an eighth on a sheet."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{name}"))
    marker = cv2.aruco.generateImageMarker(dictionary, marker_id, SIDE_PX)
    gray = np.full((264, 264), sheet, dtype=np.uint8)
    rim = SIDE_PX // 8
    gray[AT_PX - rim : AT_PX + SIDE_PX + rim, AT_PX - rim : AT_PX + SIDE_PX + rim] = surround
    gray[AT_PX : AT_PX + SIDE_PX, AT_PX : AT_PX + SIDE_PX] = np.rot90(np.where(marker > 0, 230, 25), turns)
    return np.asarray(cv2.GaussianBlur(gray, (0, 0), 0.8))


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("marker", [("APRILTAG_36h10", 1733), ("APRILTAG_36h11", 7), ("4X4_50", 12)])
def test_id_and_first_corner_whichever_way_up(marker: tuple[str, int], turns: int) -> None:
    ((marker_id, corners),) = read_markers(picture(*marker, turns), marker[0], WINDOWS_PX)
    assert marker_id == marker[1]
    low, high = AT_PX - 0.5, AT_PX + SIDE_PX - 0.5
    square = np.array([[low, low], [high, low], [high, high], [low, high]])
    # Turned against the clock by a quarter, the marker's own top left lies at the bottom left.
    assert np.abs(corners - np.roll(square, turns, axis=0)).max() < 1.5


def test_opencv_reads_the_same() -> None:
    """Second reader: OpenCV's own, on twenty markers."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h10)
    theirs = cv2.aruco.ArucoDetector(dictionary)
    for marker_id in range(5, 2300, 119):
        gray = picture("APRILTAG_36h10", marker_id, marker_id % 4)
        corners, ids, _ = theirs.detectMarkers(gray)
        ((ours, at),) = read_markers(gray, "APRILTAG_36h10", WINDOWS_PX)
        assert ours == ids.item()
        assert np.abs(at - corners[0].reshape(4, 2)).max() < 1.5


def test_a_white_surround_on_a_dark_sheet_does_not_hide_the_marker() -> None:
    found = read_markers(picture("4X4_50", 5, sheet=90), "4X4_50", WINDOWS_PX)
    assert [marker_id for marker_id, _ in found] == [5]


@pytest.mark.parametrize(("n_wrong", "is_read"), [(3, True), (7, False)])
def test_a_few_soiled_cells_are_put_right(n_wrong: int, is_read: bool) -> None:
    gray = picture("APRILTAG_36h10", 40)
    module = SIDE_PX // 8
    cells = np.random.default_rng(2).choice(36, n_wrong, replace=False)
    for row, column in zip(*divmod(cells, 6), strict=True):
        y, x = AT_PX + (row + 1) * module, AT_PX + (column + 1) * module
        gray[y : y + module, x : x + module] = 25 if gray[y + 4, x + 4] > 128 else 230
    assert [i for i, _ in read_markers(gray, "APRILTAG_36h10", WINDOWS_PX)] == ([40] if is_read else [])


def test_the_same_marker_twice_is_two() -> None:
    one = picture("APRILTAG_36h10", 40)
    found = read_markers(np.hstack([one, one]), "APRILTAG_36h10", WINDOWS_PX)
    assert [marker_id for marker_id, _ in found] == [40, 40]


def test_black_squares_and_noise_are_no_markers() -> None:
    gray = np.random.default_rng(0).integers(0, 255, (400, 400)).astype(np.uint8)
    gray[50:350, 50:350] = 240
    for k in range(6):
        gray[70 + 40 * k : 100 + 40 * k, 80 : 110 + 20 * k] = 20
    assert read_markers(gray, "APRILTAG_36h10", WINDOWS_PX) == []


def test_the_homography_of_a_shape_is_opencvs() -> None:
    quads = np.random.default_rng(4).normal(0.0, 3.0, (50, 4, 2))
    quads += np.array([[0, 0], [40, 2], [44, 38], [-3, 41]])
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    theirs = [cv2.getPerspectiveTransform(square, quad.astype(np.float32)) for quad in quads]
    assert np.abs(_from_unit_square(quads) - theirs).max() < 1e-4
