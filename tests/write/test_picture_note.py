"""A marked picture says of which photo it is and where each cutting lies on it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from grader.records import Photo
from grader.write.annotate import write_picture
from grader.write.canvas import canvas_of
from grader.write.picture_note import NOTE_SCHEMA, read_note
from tests.synthetic_records import graded_photo


def photo_of(path: Path) -> Photo:
    graded = graded_photo(path)
    width, height = graded.image_size_px
    rgb = np.full((height, width, 3), 240, dtype=np.uint8)
    return Photo(path, graded.sha256, rgb, "Generic Phone", float("nan"), None)


def test_the_note_in_the_picture_has_photo_and_boxes(tmp_path: Path) -> None:
    graded = graded_photo(Path("tray.jpg"))
    write_picture(tmp_path / "any name.jpg", graded, photo_of(Path("tray.jpg")))
    note = read_note(tmp_path / "any name.jpg")
    assert note is not None
    assert note.photo_sha256 == graded.sha256
    canvas = canvas_of(graded)
    assert note.tray_size_px == canvas.size_px
    assert sorted(note.boxes_px) == [1, 2, 3, 4]
    # Cutting 1 lies on mat x 30 to 120 mm, y 44 to 56 mm; the photo has 10 px a mm, 20 px spare.
    left, top, right, bottom = note.boxes_px[1]
    expected = canvas.from_photo(np.array([[10 * 30 + 20, 10 * 44 + 20], [10 * 120 + 20, 10 * 56 + 20]]))
    assert np.abs(np.array([[left, top], [right, bottom]]) - expected).max() <= 2.0


@pytest.mark.parametrize(
    "comment",
    [
        b"",
        b"made with love",
        b"[1, 2]",
        b'{"schema": "other"}',
        b'{"schema": "%s"}' % NOTE_SCHEMA.encode(),
        b'{"schema": "%s", "photo_sha256": "0", "tray_size_px": [1], "boxes_px": {}}' % NOTE_SCHEMA.encode(),
        b"\xff\xfe\x00",
    ],
)
def test_pictures_of_others_have_no_note(tmp_path: Path, comment: bytes) -> None:
    Image.new("RGB", (8, 8)).save(tmp_path / "a.jpg", comment=comment)
    assert read_note(tmp_path / "a.jpg") is None


def test_what_is_no_picture_has_no_note(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_text("no picture")
    assert read_note(tmp_path / "a.jpg") is None
    assert read_note(tmp_path / "missing.jpg") is None


def test_boxes_that_lie_outside_the_tray_are_left_out(tmp_path: Path) -> None:
    comment = (
        b'{"schema": "%s", "photo_sha256": "0", "tray_size_px": [100, 50],' % NOTE_SCHEMA.encode()
        + b'"boxes_px": {"1": [0, 0, 10, 10], "2": [0, 0, 10, 51], "3": [5, 5, 5, 9], "4": [-1, 0, 3, 3]}}'
    )
    Image.new("RGB", (8, 8)).save(tmp_path / "a.jpg", comment=comment)
    note = read_note(tmp_path / "a.jpg")
    assert note is not None and sorted(note.boxes_px) == [1]
