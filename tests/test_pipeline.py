"""One photo through all stages: what comes out, and what is said when nothing can."""

from __future__ import annotations

import functools
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

import grader
from calib.design import mat_layout
from grader.pipeline import ASSUMED_SCALE_SIGMA, TYPED_SCALE_SIGMA, Kit
from grader.records import GradedPhoto, PhotoResult, SkippedPhoto
from grader.verdict import load_targets
from tests.calib.mat_photos import Shot, camera, expose, page_of

SIZE = "A4"
SHOT = Shot(width_px=2400, height_px=1800)


@functools.cache
def bare_mat() -> np.ndarray:
    """A grey photo of a mat with nothing on it."""
    page_mm = mat_layout(SIZE).page_mm
    return expose([(page_of(SIZE), page_mm, camera(page_mm, SHOT))], SHOT)


def saved(folder: Path, grey: np.ndarray) -> Path:
    path = folder / "tray.png"
    Image.fromarray(np.stack([grey] * 3, axis=2)).save(path, compress_level=1)
    return path


def graded(path: Path, **kit: object) -> PhotoResult:
    return grader.grade_photo(path, Kit(load_targets(), **kit), {"cutter": "helper 3"})  # type: ignore[arg-type]


def test_an_empty_mat_is_an_answer(tmp_path: Path) -> None:
    result = graded(saved(tmp_path, bare_mat()))
    assert isinstance(result, GradedPhoto)
    assert result.cuttings == ()
    assert result.set_aside == ()
    assert result.image_size_px == (SHOT.width_px, SHOT.height_px)
    assert result.batch == {"cutter": "helper 3"}
    assert result.pose.mat_id == mat_layout(SIZE).mat_id
    assert result.pose.scale_sigma == ASSUMED_SCALE_SIGMA
    assert any("check bar" in warning for warning in result.warnings)


@pytest.mark.parametrize("how", ["typed", "remembered"])
def test_the_check_bar_scales_the_mat(tmp_path: Path, how: str) -> None:
    scale, mat_id = 0.97, mat_layout(SIZE).mat_id
    kit = {"print_scale": scale} if how == "typed" else {"known_scales": {mat_id: scale, "A3-1": 1.02}}
    result = graded(saved(tmp_path, bare_mat()), **kit)
    assert isinstance(result, GradedPhoto)
    assert result.pose.print_scale == scale
    assert result.pose.scale_sigma == TYPED_SCALE_SIGMA
    assert result.pose.page_mm == pytest.approx([side * scale for side in mat_layout(SIZE).page_mm])


def noise() -> np.ndarray:
    return np.random.default_rng(3).integers(60, 200, (1200, 1600), dtype=np.uint8)


@pytest.mark.parametrize(
    ("grey", "reason"),
    [
        (np.full((1200, 1600), 9, dtype=np.uint8), "too dark"),
        (np.full((1200, 1600), 255, dtype=np.uint8), "overexposed"),
        (noise(), "no mat"),
        (cv2.resize(noise()[:20, :26], (1600, 1200), interpolation=cv2.INTER_CUBIC), "blurred"),
        ((bare_mat() * 0.06).astype(np.uint8), "too dark"),
        (cv2.GaussianBlur(bare_mat(), (0, 0), 30), "blurred"),
    ],
    ids=["black", "white", "no mat", "clouds", "mat in the dark", "mat out of focus"],
)
def test_a_photo_that_cannot_be_used_is_skipped_with_advice(
    tmp_path: Path, grey: np.ndarray, reason: str
) -> None:
    result = graded(saved(tmp_path, grey))
    assert isinstance(result, SkippedPhoto)
    assert result.reason == reason
    assert result.message
    assert result.advice


def test_a_bug_is_not_taken_for_a_bad_photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def slips(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("grader.outline.find_silhouettes", slips)
    with pytest.raises(ZeroDivisionError):
        graded(saved(tmp_path, bare_mat()))
