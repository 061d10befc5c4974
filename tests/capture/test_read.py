"""Photos of every kind end up upright in sRGB, or as a sentence."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import zlib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps

from grader.capture import SUFFIXES, read_photo
from grader.capture.exif import believable_date
from grader.errors import PhotoProblem

WIDTH_PX, HEIGHT_PX = 400, 300
RED, GREEN, BLUE, WHITE = (200, 30, 30), (30, 160, 40), (30, 40, 200), (255, 255, 255)
CORNERS = ((20, 20), (-21, 20), (20, -21), (-21, -21))
"""x, y inside the four coloured corners."""
JPEG_TOLERANCE = 6
"""Of 255: loss of JPEG at quality 95 in a flat patch."""


def four_corners() -> np.ndarray:
    """Return a picture with other width than height whose four corners tell how it was turned."""
    rgb = np.full((HEIGHT_PX, WIDTH_PX, 3), 128, dtype=np.uint8)
    half_y, half_x = HEIGHT_PX // 2, WIDTH_PX // 2
    rgb[:half_y, :half_x], rgb[:half_y, half_x:] = RED, GREEN
    rgb[half_y:, :half_x], rgb[half_y:, half_x:] = BLUE, WHITE
    return rgb


def saved(path: Path, rgb: np.ndarray, **options: object) -> Path:
    Image.fromarray(rgb).save(path, **options)
    return path


def corners_of(rgb: np.ndarray) -> list[tuple[int, ...]]:
    return [tuple(int(v) for v in rgb[y, x]) for x, y in CORNERS]


def assert_corners(rgb: np.ndarray, tolerance: int) -> None:
    for found, expected in zip(corners_of(rgb), (RED, GREEN, BLUE, WHITE), strict=True):
        assert np.abs(np.subtract(found, expected)).max() <= tolerance, (found, expected)


@pytest.mark.parametrize(
    ("suffix", "options", "tolerance"),
    [
        (".jpg", {"quality": 95, "subsampling": 0}, JPEG_TOLERANCE),
        (".png", {}, 0),
        (".tif", {}, 0),
        (".tif", {"compression": "tiff_lzw"}, 0),
        (".webp", {"lossless": True}, 0),
        (".heic", {"quality": 95}, 10),
    ],
)
def test_each_format_is_read(tmp_path: Path, suffix: str, options: dict[str, object], tolerance: int) -> None:
    if suffix == ".heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
    path = saved(tmp_path / f"photo{suffix}", four_corners(), **options)
    photo = read_photo(path)
    assert photo.rgb.shape == (HEIGHT_PX, WIDTH_PX, 3) and photo.rgb.dtype == np.uint8
    assert photo.rgb.flags.c_contiguous and not photo.rgb.flags.writeable
    assert_corners(photo.rgb, tolerance)
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert suffix in SUFFIXES


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".heic"])
def test_all_orientations_come_out_upright(tmp_path: Path, orientation: int, suffix: str) -> None:
    if suffix == ".heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
    # Exif 2.32, tag 0x0112: what the sensor holds for an upright scene, by the inverse turn.
    turned = {
        1: lambda a: a, 2: lambda a: a[:, ::-1], 3: lambda a: a[::-1, ::-1], 4: lambda a: a[::-1],
        5: lambda a: a.transpose(1, 0, 2), 6: lambda a: np.rot90(a), 7: lambda a: np.rot90(a[::-1]),
        8: lambda a: np.rot90(a, -1),
    }  # fmt: skip
    exif = Image.Exif()
    exif[0x0112] = orientation
    sensor = np.ascontiguousarray(turned[orientation](four_corners()))
    options = {".jpg": {"quality": 95, "subsampling": 0}, ".heic": {"quality": 95}}.get(suffix, {})
    path = saved(tmp_path / f"photo{suffix}", sensor, exif=exif.tobytes(), **options)
    photo = read_photo(path)
    assert photo.rgb.shape == (HEIGHT_PX, WIDTH_PX, 3)
    assert_corners(photo.rgb, 10 if suffix == ".heic" else JPEG_TOLERANCE)


def test_the_turns_agree_with_pillow(tmp_path: Path) -> None:
    # A second opinion: Pillow's own ImageOps.exif_transpose on asymmetric noise.
    rng = np.random.default_rng(3)
    noise = rng.integers(0, 256, (260, 320, 3), dtype=np.uint8)
    for orientation in range(1, 9):
        exif = Image.Exif()
        exif[0x0112] = orientation
        path = saved(tmp_path / f"{orientation}.png", noise, exif=exif.tobytes())
        expected = np.asarray(ImageOps.exif_transpose(Image.open(path)))
        assert np.array_equal(read_photo(path).rgb, expected)


def test_grey_sixteen_bit_alpha_and_palette(tmp_path: Path) -> None:
    ramp = np.linspace(0, 255, WIDTH_PX).astype(np.uint8)
    grey = np.tile(ramp, (HEIGHT_PX, 1))
    expected = np.repeat(grey[..., None], 3, axis=2)

    photo = read_photo(saved(tmp_path / "grey.png", grey))
    assert np.array_equal(photo.rgb, expected)
    assert any("colour" in warning for warning in photo.warnings)

    deep = (grey.astype(np.uint16) * 257).astype(np.uint16)  # 65535 / 255 = 257
    Image.fromarray(deep).save(tmp_path / "deep.png")
    Image.fromarray(deep).save(tmp_path / "deep.tif")
    for name in ("deep.png", "deep.tif"):
        assert np.abs(read_photo(tmp_path / name).rgb.astype(int) - expected).max() <= 1

    glass = np.dstack([four_corners(), np.zeros((HEIGHT_PX, WIDTH_PX), np.uint8)])
    assert (read_photo(saved(tmp_path / "glass.png", glass)).rgb == 255).all()

    Image.fromarray(four_corners()).quantize(16).save(tmp_path / "few.png")
    assert_corners(read_photo(tmp_path / "few.png").rgb, 4)


def test_sixteen_bit_colour_tiff(tmp_path: Path) -> None:
    deep = four_corners().astype(np.uint16) * 257
    write_plain_tiff(tmp_path / "deep.tif", deep)
    assert_corners(read_photo(tmp_path / "deep.tif").rgb, 1)


def write_plain_tiff(path: Path, rgb: np.ndarray) -> None:
    """Write an uncompressed 16 bit RGB TIFF by hand (TIFF 6.0, sections 2 and 6): Pillow cannot."""
    height, width = rgb.shape[:2]
    data = rgb.astype("<u2").tobytes()
    bits_at = 8 + 2 + 9 * 12 + 4
    tags = [
        (256, 3, 1, width), (257, 3, 1, height), (258, 3, 3, bits_at), (259, 3, 1, 1), (262, 3, 1, 2),
        (273, 4, 1, bits_at + 6), (277, 3, 1, 3), (278, 3, 1, height), (279, 4, 1, len(data)),
    ]  # fmt: skip
    header = struct.pack("<2sHI", b"II", 42, 8) + struct.pack("<H", len(tags))
    header += b"".join(struct.pack("<HHII", *tag) for tag in tags) + struct.pack("<I", 0)
    path.write_bytes(header + struct.pack("<3H", 16, 16, 16) + data)


def test_cmyk_jpeg_is_read_and_said(tmp_path: Path) -> None:
    Image.fromarray(four_corners()).convert("CMYK").save(tmp_path / "print.jpg", quality=95, subsampling=0)
    photo = read_photo(tmp_path / "print.jpg")
    assert_corners(photo.rgb, 10)
    assert any("CMYK" in warning for warning in photo.warnings)


def test_animation_gives_its_first_picture(tmp_path: Path) -> None:
    first, second = Image.fromarray(four_corners()), Image.new("RGB", (WIDTH_PX, HEIGHT_PX))
    first.save(tmp_path / "moving.webp", save_all=True, append_images=[second], lossless=True)
    photo = read_photo(tmp_path / "moving.webp")
    assert_corners(photo.rgb, 0)
    assert any("first" in warning for warning in photo.warnings)


def test_wide_colour_profile_is_converted(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB"))
    same = read_photo(saved(tmp_path / "odd.png", four_corners(), icc_profile=profile.tobytes()))
    assert_corners(same.rgb, 0)  # a profile that does not fit the picture is not obeyed
    broken = read_photo(saved(tmp_path / "broken.png", four_corners(), icc_profile=b"not a profile"))
    assert_corners(broken.rgb, 0)


def test_camera_data(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Generic", "Phone 12"
    detail = exif.get_ifd(0x8769)
    detail[0xA405], detail[0x9003] = 26, "2024:05:01 08:30:00"
    photo = read_photo(saved(tmp_path / "p.jpg", four_corners(), exif=exif.tobytes()))
    assert "Generic" in photo.camera and "Phone 12" in photo.camera
    assert photo.focal_35mm == 26.0
    assert photo.taken_at == datetime(2024, 5, 1, 8, 30)


@pytest.mark.parametrize(
    ("date", "focal"),
    [
        ("0000:00:00 00:00:00", 0),
        ("2199:01:01 00:00:00", 60000),
        ("1970:01:01 00:00:00", 0),
        ("yesterday", 1),
    ],
)
def test_absurd_camera_data_are_left_out(tmp_path: Path, date: str, focal: int) -> None:
    exif = Image.Exif()
    exif[0x0110] = "A\x00\x1b[31mB"
    detail = exif.get_ifd(0x8769)
    detail[0xA405], detail[0x9003] = focal, date
    photo = read_photo(saved(tmp_path / "p.jpg", four_corners(), exif=exif.tobytes()))
    assert photo.taken_at is None
    assert np.isnan(photo.focal_35mm)
    assert photo.camera.isprintable()


def test_a_clock_a_zone_ahead_is_believed() -> None:
    now = datetime(2026, 1, 1, 0, 30)
    assert believable_date("2026:01:01 12:00:00", now) is not None
    assert believable_date("2026:01:03 12:00:00", now) is None


def test_broken_exif_does_not_cost_the_picture(tmp_path: Path) -> None:
    path = saved(
        tmp_path / "p.jpg", four_corners(), quality=95, subsampling=0, exif=b"Exif\x00\x00II*\x00\xff\xff"
    )
    assert_corners(read_photo(path).rgb, JPEG_TOLERANCE)


def problem_of(path: Path) -> PhotoProblem:
    with pytest.raises(PhotoProblem) as caught:
        read_photo(path)
    problem = caught.value
    assert problem.message and problem.advice and problem.reason
    return problem


def test_missing_empty_and_folder(tmp_path: Path) -> None:
    assert problem_of(tmp_path / "none.jpg").reason == "not found"
    (tmp_path / "empty.jpg").write_bytes(b"")
    assert problem_of(tmp_path / "empty.jpg").reason == "empty"
    assert problem_of(tmp_path).reason == "cannot be read"


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_unreadable(tmp_path: Path) -> None:
    path = saved(tmp_path / "locked.png", four_corners())
    path.chmod(0)
    assert problem_of(path).reason == "cannot be read"


@pytest.mark.parametrize("text", ["hello", "<svg/>", "%PDF-1.7", "GIF89a", "\x89PNG\r\n", "a" * 5000])
def test_no_picture_at_all(tmp_path: Path, text: str) -> None:
    path = tmp_path / "note.jpg"
    path.write_bytes(text.encode("latin-1"))
    assert problem_of(path).reason in ("not a picture", "damaged")


def test_one_pixel(tmp_path: Path) -> None:
    problem = problem_of(saved(tmp_path / "dot.png", np.zeros((1, 1, 3), np.uint8)))
    assert problem.reason == "too small" and "1 x 1" in problem.message


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".webp", ".heic"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9])
def test_truncated(tmp_path: Path, suffix: str, share: float) -> None:
    import pillow_heif

    pillow_heif.register_heif_opener()
    noise = np.random.default_rng(1).integers(0, 256, (HEIGHT_PX, WIDTH_PX, 3), dtype=np.uint8)
    path = saved(tmp_path / f"cut{suffix}", noise)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    assert problem_of(path).reason in ("damaged", "not a picture")


def test_a_bomb_is_not_decoded(tmp_path: Path) -> None:
    # 60,000 x 60,000 pixels in a few bytes: would take 10 GB.
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(b"\0" * 100_000)) + chunk(b"IEND", b"")
    path = tmp_path / "bomb.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + head + body)
    problem = problem_of(path)
    assert problem.reason == "too large" and "3600 megapixels" in problem.message


def test_pillow_s_own_limit_is_left_as_it_was(tmp_path: Path) -> None:
    before = Image.MAX_IMAGE_PIXELS
    read_photo(saved(tmp_path / "p.png", four_corners()))
    problem_of(tmp_path / "none.jpg")
    assert before == Image.MAX_IMAGE_PIXELS


@pytest.mark.parametrize(
    "name", ["tray 1.jpg", 'it\'s "it".jpg', "line\nbreak.jpg", "🌲.jpg", "-rf.jpg", "n" * 251 + ".jpg"]
)
def test_odd_names(tmp_path: Path, name: str) -> None:
    path = saved(tmp_path / name, four_corners(), quality=95, subsampling=0)
    assert read_photo(path).path == path


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damaged_bytes_end_in_a_photo_or_a_sentence(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    buffer = io.BytesIO()
    kind = data.draw(st.sampled_from(["JPEG", "PNG", "TIFF", "WEBP"]))
    Image.fromarray(four_corners()).save(buffer, format=kind)
    content = bytearray(buffer.getvalue())
    for _ in range(data.draw(st.integers(1, 8))):
        at = data.draw(st.integers(0, min(len(content) - 1, 2000)))
        content[at] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.mktemp("fuzz") / "p.jpg"
    path.write_bytes(bytes(content))
    try:
        photo = read_photo(path)
    except PhotoProblem as problem:
        assert problem.message and problem.advice
    else:
        assert photo.rgb.ndim == 3
