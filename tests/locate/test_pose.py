"""Photo -> pose of the mat in true mm, or a sentence that says what to do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.design import mat_layout
from grader.errors import PhotoProblem
from grader.locate.pose import find_mat
from grader.records import Photo
from tests.calib.mat_photos import (
    PolynomialSheet,
    Shot,
    border_errors_mm,
    camera,
    cover,
    expose,
    page_of,
    photo_of,
)

SHOT = Shot()
LAYOUT = mat_layout("A4")


def shot_of(shot: Shot, boxes_mm: tuple[tuple[float, ...], ...] = (), focal_35mm: float = 26.0) -> Photo:
    page = cover(page_of("A4"), LAYOUT.page_mm, boxes_mm)
    return photo_of(expose([(page, LAYOUT.page_mm, camera(LAYOUT.page_mm, shot))], shot), focal_35mm)


def refused(photo: Photo) -> PhotoProblem:
    with pytest.raises(PhotoProblem) as caught:
        find_mat(photo)
    assert caught.value.advice, "every refusal says what to do"
    return caught.value


def test_the_print_scale_multiplies_every_length() -> None:
    photo = shot_of(SHOT)
    drawn, printed = find_mat(photo), find_mat(photo, print_scale=0.97, print_scale_source="check bar typed")
    assert np.allclose(printed.page_mm, 0.97 * np.asarray(drawn.page_mm))
    assert np.allclose(printed.lay_area_mm, 0.97 * np.asarray(drawn.lay_area_mm))
    assert np.allclose(printed.plane.eye_mm, 0.97 * np.asarray(drawn.plane.eye_mm))
    assert printed.px_per_mm == pytest.approx(drawn.px_per_mm / 0.97)
    point_px = drawn.plane.px_from_mm(np.array([[100.0, 80.0]]))
    assert np.allclose(printed.plane.mm_from_px(point_px), [[97.0, 77.6]], atol=1e-6)
    assert printed.print_scale_source == "check bar typed"
    assert any("print scale" in words for words in drawn.warnings)
    assert not any("print scale" in words for words in printed.warnings)


def test_the_pose_is_right_and_says_how_right() -> None:
    pose = find_mat(shot_of(SHOT))
    truth = camera(LAYOUT.page_mm, SHOT)
    errors = border_errors_mm(pose.plane, truth, LAYOUT)
    assert errors.max() < 3 * pose.position_sigma_mm
    assert pose.position_sigma_mm < 0.08
    assert pose.mat_id == "A4-1"
    assert pose.curl_mm == 0
    eye = np.linalg.norm(np.subtract(pose.plane.eye_mm, truth.eye_mm)) / truth.eye_mm[2]
    assert eye < 0.03, "two readings of '35 mm equivalent' are 4 % apart; the middle is 2 % from each"


def test_a_tilted_mat_tells_the_height_without_camera_data() -> None:
    shot = replace(SHOT, tilt_deg=22.0, fill=0.78)
    pose = find_mat(shot_of(shot, focal_35mm=float("nan")))
    truth = camera(LAYOUT.page_mm, shot)
    assert np.linalg.norm(np.subtract(pose.plane.eye_mm, truth.eye_mm)) < 0.02 * truth.eye_mm[2]


def test_an_empty_bench_is_refused() -> None:
    assert refused(photo_of(expose([], SHOT))).reason == "no mat"


def test_half_a_mat_is_refused_and_its_corners_counted() -> None:
    problem = refused(shot_of(replace(SHOT, shift_px=(1450.0, 0.0), turn_deg=0.0, tilt_deg=0.0)))
    assert problem.reason == "half a mat"
    assert "two mat corners are outside the picture" in problem.message
    assert "step back" in problem.advice


def test_a_border_covered_but_for_one_side_is_refused() -> None:
    problem = refused(shot_of(SHOT, ((30, 0, 297, 210),)))
    assert problem.reason == "half a mat"
    assert "covered" in problem.message


def test_two_mats_are_refused() -> None:
    views = []
    for shift in (-480.0, 480.0):
        plane = camera(LAYOUT.page_mm, replace(SHOT, fill=0.46, shift_px=(shift, 0.0), tilt_deg=0.0))
        views.append((page_of("A4"), LAYOUT.page_mm, plane))
    big = replace(SHOT, width_px=2016, height_px=1512)
    assert refused(photo_of(expose(views, big))).reason == "two mats"


def test_too_small_and_too_tilted_are_refused() -> None:
    assert refused(shot_of(replace(SHOT, fill=0.42))).reason == "too small"
    assert refused(shot_of(replace(SHOT, tilt_deg=46.0, fill=0.72))).reason == "too tilted"


def test_a_bent_sheet_is_said_and_allowed_for() -> None:
    sheet = PolynomialSheet(LAYOUT.page_mm, {(2, 0): 1.5, (2, 1): 1.0})
    truth = replace(camera(LAYOUT.page_mm, SHOT), bend=sheet)
    pose = find_mat(photo_of(expose([(page_of("A4"), LAYOUT.page_mm, truth)], SHOT), 26.0))
    errors = border_errors_mm(pose.plane, truth, LAYOUT)
    assert any("press it flat" in words for words in pose.warnings)
    assert pose.curl_mm > 0.5
    assert errors.max() < 0.08  # at 6 px per mm; taken for flat, the sheet is 0.3 mm wrong
    assert errors.max() < 3 * pose.position_sigma_mm
