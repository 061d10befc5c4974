"""Dark, burnt out and blurred pictures: said, or refused when they cannot be measured."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from grader.capture import check_blur, check_exposure, check_photo
from grader.capture.checks import edge_width_mm
from grader.errors import PhotoProblem
from grader.records import MatPose, Photo
from tests.synthetic_records import PX_PER_MM, straight_pose

SQUARES_MM = tuple(
    np.array([[x, y], [x + 10.0, y], [x + 10.0, y + 10.0], [x, y + 10.0]])
    for x in range(10, 270, 40)
    for y in (8, 190)
)
"""Printed black squares along two edges of the page."""
POSE: MatPose = replace(straight_pose(), fiducials_mm=SQUARES_MM)


def page(paper: float = 200.0, ink: float = 25.0, blur_px: float = 0.7) -> Photo:
    """Return a page with black squares, blurred by a Gaussian of known standard deviation."""
    grey = np.full((2140, 3010), paper)
    for corners in SQUARES_MM:
        (left, top), (right, bottom) = (POSE.plane.px_from_mm(corners[[0, 2]]) + 0.5).astype(int)
        grey[top:bottom, left:right] = ink
    grey = gaussian_filter(grey, blur_px, mode="nearest")
    rgb = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(Path("page.jpg"), "0" * 64, rgb, "", float("nan"), None)


def test_a_good_photo_needs_no_word() -> None:
    photo = page()
    check_exposure(photo)
    assert check_photo(photo, POSE) == ()


@pytest.mark.parametrize("blur_px", [2.0, 4.0])
def test_edge_width_is_that_of_the_blur(blur_px: float) -> None:
    # Second formula: a step blurred by s is an error function of steepest slope contrast over sqrt(2 pi) s,
    # and within 0.8 mm = 8 px either side it shows erf(8 / (sqrt(2) s)) of its contrast.
    shown = math.erf(8.0 / (math.sqrt(2.0) * blur_px))
    expected_mm = math.sqrt(2 * math.pi) * blur_px / PX_PER_MM * shown
    assert edge_width_mm(page(blur_px=blur_px), POSE) == pytest.approx(expected_mm, rel=0.06)


def test_blur_is_said_and_then_refused() -> None:
    (said,) = check_photo(page(blur_px=2.5), POSE)
    assert "sharp" in said and "mm" in said
    with pytest.raises(PhotoProblem) as caught:
        check_photo(page(blur_px=9.0), POSE)
    assert caught.value.reason == "blurred" and "focus" in caught.value.advice


def test_blur_without_a_mat() -> None:
    check_blur(page())
    with pytest.raises(PhotoProblem) as caught:
        check_blur(page(blur_px=12.0))
    assert caught.value.reason == "blurred"


@pytest.mark.parametrize(("paper", "ink"), [(20.0, 4.0), (8.0, 2.0)])
def test_a_black_picture_is_refused(paper: float, ink: float) -> None:
    with pytest.raises(PhotoProblem) as caught:
        check_exposure(page(paper=paper, ink=ink))
    assert caught.value.reason == "too dark" and "light" in caught.value.advice


def test_a_white_picture_is_refused() -> None:
    with pytest.raises(PhotoProblem) as caught:
        check_exposure(page(paper=255.0, ink=255.0))
    assert caught.value.reason == "overexposed"


def test_dim_paper_is_said_and_dark_paper_refused() -> None:
    assert any("dark" in note for note in check_photo(page(paper=80.0, ink=10.0), POSE))
    with pytest.raises(PhotoProblem) as caught:
        check_photo(page(paper=40.0, ink=5.0), POSE)
    assert caught.value.reason == "too dark"


def test_glare_is_said_and_an_all_burnt_out_sheet_refused() -> None:
    photo = page()
    left_px = int(POSE.plane.px_from_mm(np.array([[25.0, 25.0]]))[0, 0])
    rgb = photo.rgb.copy()
    rgb[:, left_px : left_px + 600] = 255  # 60 of 247 mm
    assert any("24 %" in note for note in check_photo(replace(photo, rgb=rgb), POSE))
    with pytest.raises(PhotoProblem) as caught:
        check_photo(page(paper=255.0), POSE)
    assert caught.value.reason == "overexposed" and "expose" in caught.value.advice
