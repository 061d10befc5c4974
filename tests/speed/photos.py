"""Photos to be timed: the demo tray of thirty miniatures with some of them painted over."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from grader.pipeline import Kit, grade_photo
from grader.records import GradedPhoto
from grader.verdict import load_targets

THIRTY = Path(__file__).parents[2] / "demo_images" / "thirty_miniatures.jpg"
QUALITY = 92
"""Of the JPEG, about that of phones."""
RIM_MM = 3.0
"""Painted over round a cutting, so that nothing of its shadow is left."""
LARGE_PX = (8160, 6144)
"""50 megapixels, as phones with four pixels joined have without joining."""


def kit() -> Kit:
    """Return what ``grader grade`` uses unless told otherwise."""
    return Kit(load_targets())


def with_cuttings(counts: list[int]) -> dict[int, bytes]:
    """Return JPEG files of the same tray with fewer cuttings on it, 30 at most."""
    graded = grade_photo(THIRTY, kit())
    assert isinstance(graded, GradedPhoto)
    with Image.open(THIRTY) as picture:
        rgb = np.asarray(picture.convert("RGB"))
    return {n: encoded(_without(rgb, graded, n)) for n in counts}


def _without(rgb: NDArray[np.uint8], graded: GradedPhoto, n_left: int) -> NDArray[np.uint8]:
    """Paint clean paper, with the light there, over all cuttings but the first ones."""
    mask = np.zeros(rgb.shape[:2], dtype=np.uint8)
    outlines = [cutting.outline_mm for cutting in graded.cuttings[n_left:]]
    for outline_mm in outlines:
        px = np.round(graded.pose.plane.px_from_mm(outline_mm)).astype(np.int32)
        cv2.fillPoly(mask, [px], color=1)
        cv2.polylines(mask, [px], True, 1, thickness=round(2 * RIM_MM * graded.pose.px_per_mm))
    # Light of the paper: the brightest nearby, smoothed; with noise as elsewhere on it.
    small = cv2.resize(rgb, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA)
    paper = cv2.GaussianBlur(cv2.dilate(small, np.ones((9, 9))), (0, 0), 6)
    paper = cv2.resize(paper, rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR).astype(np.float32)
    paper += np.random.default_rng(1).normal(0.0, 1.5, rgb.shape)
    return np.where(mask[..., None] > 0, np.clip(paper, 0, 255).astype(np.uint8), rgb)


def encoded(rgb: NDArray[np.uint8]) -> bytes:
    """Return a JPEG file."""
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def enlarged(data: bytes) -> bytes:
    """Return the photo with 50 megapixels."""
    with Image.open(io.BytesIO(data)) as picture:
        large = picture.convert("RGB").resize(LARGE_PX, Image.Resampling.BICUBIC)
    out = io.BytesIO()
    large.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
