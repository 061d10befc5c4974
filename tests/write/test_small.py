"""Small pictures: cut out right, kept without loss, and never half."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from grader.write.picture_note import PictureNote
from grader.write.small import (
    CROP_MARGIN_PX,
    CROP_SIDE_PX,
    TRAY_WIDTH_PX,
    keep_images,
    kept_images,
    small_images,
    small_images_of,
)

SHA = "ab" * 32
BOXES = {1: (100, 200, 400, 900), 12: (1500, 300, 1600, 400)}
SIZE = (2400, 1600)


def tray() -> Image.Image:
    """Return grey paper with a red and a blue box where the cuttings are."""
    rgb = np.full((SIZE[1], SIZE[0], 3), 200, dtype=np.uint8)
    for (left, top, right, bottom), colour in zip(BOXES.values(), ((200, 0, 0), (0, 0, 200)), strict=True):
        rgb[top:bottom, left:right] = colour
    return Image.fromarray(rgb)


def test_each_cutting_is_cut_out_with_a_margin() -> None:
    images = small_images(tray(), BOXES)
    assert images.tray.width_px == TRAY_WIDTH_PX
    assert max(images.crops[1].width_px, images.crops[1].height_px) == CROP_SIDE_PX
    wide = 100 + 2 * CROP_MARGIN_PX  # smaller than it may be: not enlarged
    assert (images.crops[12].width_px, images.crops[12].height_px) == (wide, wide)


def test_what_is_kept_comes_back_as_it_was(tmp_path: Path) -> None:
    images = small_images(tray(), BOXES)
    keep_images(tmp_path, SHA, images)
    assert kept_images(tmp_path, SHA) == images
    assert kept_images(tmp_path, "cd" * 32) is None
    (file,) = tmp_path.iterdir()
    before = file.read_bytes()
    keep_images(tmp_path, SHA, images)
    assert file.read_bytes() == before


@pytest.mark.parametrize("at", [0.0, 0.1, 0.5, 0.99])
def test_a_damaged_file_counts_as_none(tmp_path: Path, at: float) -> None:
    keep_images(tmp_path, SHA, small_images(tray(), BOXES))
    (file,) = tmp_path.iterdir()
    data = file.read_bytes()
    file.write_bytes(data[: round(at * len(data))])
    assert kept_images(tmp_path, SHA) is None


def test_a_flipped_bit_in_a_picture_counts_as_none(tmp_path: Path) -> None:
    images = small_images(tray(), BOXES)
    keep_images(tmp_path, SHA, images)
    (file,) = tmp_path.iterdir()
    data = bytearray(file.read_bytes())
    data[data.index(images.crops[1].data) + 200] ^= 1
    file.write_bytes(bytes(data))
    assert kept_images(tmp_path, SHA) is None


@pytest.mark.parametrize("is_quick", [False, True])
def test_from_the_file_they_show_the_same(tmp_path: Path, is_quick: bool) -> None:
    tray().save(tmp_path / "a.jpg", quality=90)
    found = small_images_of(tmp_path / "a.jpg", PictureNote(SHA, SIZE, BOXES), is_quick)
    assert found is not None
    drawn = small_images(tray(), BOXES)
    assert found.crops.keys() == drawn.crops.keys()
    assert (found.tray.width_px, found.tray.height_px) == (drawn.tray.width_px, drawn.tray.height_px)
