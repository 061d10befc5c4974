"""Everyday JPEGs are decoded the quick way, to the very pixels of the patient way; nothing else is."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from grader.capture.jpeg import is_everyday_jpeg
from grader.capture.read import read_photo
from grader.errors import PhotoProblem

SIZE_PX = (331, 270)
"""Width, height: no multiples of a block, so that the last ones are cut."""


def scene() -> Image.Image:
    """Return a picture with colours, edges and noise."""
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(SIZE_PX[0]), np.arange(SIZE_PX[1]))
    rgb = np.stack([x % 200, y % 180, (x + y) % 256], axis=-1) + rng.normal(0, 12, (*SIZE_PX[::-1], 3))
    rgb[60:140, 80:200] = (20, 120, 30)
    return Image.fromarray(np.clip(rgb, 0, 255).astype(np.uint8))


def jpeg(picture: Image.Image | None = None, **options: object) -> bytes:
    buffer = io.BytesIO()
    (picture or scene()).save(buffer, "JPEG", **{"quality": 90, **options})
    return buffer.getvalue()


def of_two_pictures() -> bytes:
    buffer = io.BytesIO()
    scene().save(buffer, "MPO", save_all=True, append_images=[scene().reduce(2)])
    return buffer.getvalue()


EVERYDAY = {
    "plain": {},
    "no colour reduced": {"subsampling": 0},
    "colour halved across": {"subsampling": 1},
    "progressive": {"progressive": True},
    "restarts": {"restart_marker_rows": 2},
    "three colours kept as they are": {"keep_rgb": True},
    "profile": {"icc_profile": ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()},
    "remark": {"comment": b"\xff\xd9 looks like an end"},
}


def patient(path: Path) -> np.ndarray:
    with Image.open(path) as picture:
        return np.asarray(ImageOps.exif_transpose(picture))


@pytest.mark.parametrize("options", EVERYDAY.values(), ids=EVERYDAY)
@pytest.mark.parametrize("orientation", [1, 6])
def test_the_quick_way_gives_the_same_pixels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: dict[str, object], orientation: int
) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "p.jpg"
    path.write_bytes(jpeg(exif=exif.tobytes(), **options) + b"tail \xff\xda\x00\xff")
    assert is_everyday_jpeg(path.read_bytes())
    expected = patient(path)
    monkeypatch.setattr("grader.capture.read._upright_rgb", None)  # not to be needed
    assert np.array_equal(read_photo(path).rgb, expected)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_quick_way_turns_as_the_patient_one(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "p.jpg"
    path.write_bytes(jpeg(exif=exif.tobytes()))
    rgb = read_photo(path).rgb
    assert np.array_equal(rgb, patient(path)) and rgb.flags.c_contiguous


def test_a_file_of_two_pictures_gives_the_first(tmp_path: Path) -> None:
    path = tmp_path / "p.jpg"
    path.write_bytes(of_two_pictures())
    with Image.open(path) as picture:
        assert picture.format == "MPO"
    assert is_everyday_jpeg(path.read_bytes())
    assert np.array_equal(read_photo(path).rgb, patient(path))


def with_precision(data: bytes, bits: int) -> bytes:
    at = data.index(b"\xff\xc0")
    return data[: at + 4] + bytes([bits]) + data[at + 5 :]


def with_spectrum(data: bytes, last: int) -> bytes:
    at = data.index(b"\xff\xda")
    end = at + 2 + struct.unpack(">H", data[at + 2 : at + 4])[0]
    return data[: end - 2] + bytes([last]) + data[end - 1 :]


UNUSUAL = {
    "grey": jpeg(scene().convert("L")),
    "print colours": jpeg(scene().convert("CMYK")),
    "twelve bit": with_precision(jpeg(), 12),
    "arithmetic codes": jpeg().replace(b"\xff\xc0", b"\xff\xc9", 1),
    "half a spectrum": with_spectrum(jpeg(), 31),
    "no end mark": jpeg()[:-2],
    "half": jpeg()[: len(jpeg()) // 2],
    "half, progressive": jpeg(progressive=True)[: len(jpeg(progressive=True)) // 2],
    "cut in its head": jpeg()[:300],
    "cut, a preview behind it": jpeg()[: len(jpeg()) // 2][:-1] + b"\x00",
    "empty": b"",
    "another format": b"\x89PNG\r\n\x1a\n" + b"\0" * 100,
    "zeros": b"\xff\xd8" + b"\0" * 100,
    "only a head": b"\xff\xd8\xff",
}


@pytest.mark.parametrize("data", UNUSUAL.values(), ids=UNUSUAL)
def test_the_unusual_is_left_to_the_patient_way(data: bytes) -> None:
    assert not is_everyday_jpeg(data)


def test_another_colour_space_is_converted_and_not_read_as_it_is(tmp_path: Path) -> None:
    # A matrix profile of our own: sRGB's with red and green exchanged, under another name.
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    swapped = profile.replace(b"rXYZ", b"tXYZ", 1).replace(b"gXYZ", b"rXYZ", 1).replace(b"tXYZ", b"gXYZ", 1)
    other = swapped.replace("sRGB".encode("utf-16-be"), "own ".encode("utf-16-be"))
    assert "sRGB" not in ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(other)))
    path = tmp_path / "p.jpg"
    path.write_bytes(jpeg(icc_profile=other))
    difference = read_photo(path).rgb.astype(int) - patient(path)
    assert np.abs(difference).mean() > 10


def test_what_the_quick_way_refuses_is_asked_of_the_patient_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "p.jpg"
    path.write_bytes(jpeg())
    expected = patient(path)

    def fails(*_: object) -> None:
        raise cv2.error("too large")

    for refusal in (lambda *_: None, lambda *_: np.zeros((2, 2, 3), np.uint8), fails):
        monkeypatch.setattr("cv2.imdecode", refusal)
        assert np.array_equal(read_photo(path).rgb, expected)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.999])
@pytest.mark.parametrize("progressive", [False, True])
def test_a_photo_cut_short_is_said_to_be(tmp_path: Path, share: float, progressive: bool) -> None:
    data = jpeg(progressive=progressive)
    path = tmp_path / "p.jpg"
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(PhotoProblem, match="damaged or cut short"):
        read_photo(path)
