"""Photo file -> Photo: decoded, upright, 8 bit sRGB; or why the file cannot be used."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import stat
import struct
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageCms, ImageOps
from PIL.ExifTags import Base

from grader.capture.exif import camera_data
from grader.capture.jpeg import is_everyday_jpeg
from grader.errors import PhotoProblem
from grader.records import Photo, RgbImage

FORMATS = ("JPEG", "MPO", "PNG", "TIFF", "WEBP", "HEIF", "AVIF", "BMP", "GIF")
"""What is tried; other readers of the picture library (PostScript, ...) stay shut."""
SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".avif")
"""What a folder is searched for."""
MOST_MEGAPIXELS = 200.0
"""Largest sensor in a phone; beyond it a few bytes could claim all memory."""
MOST_BYTES = 1_300_000_000
"""That many pixels of 16 bit in three colours, not compressed; a larger file is a film or no photo."""
LEAST_SIDE_PX = 200
"""At the least useful 3 px per mm this is 67 mm: no mat fits in less."""
BAND_PX = 8
"""Rows copied at a time: so few take less memory than what is fetched from the system anew each time."""
PREVIEW_FORMATS = ("JPEG", "MPO", "HEIF")
"""Phones put previews and depth maps behind the photo: not worth a warning."""
_DAMAGE = (OSError, SyntaxError, ValueError, EOFError, struct.error, IndexError, KeyError, TypeError)
"""What the picture library raises on damaged files."""


def read_photo(path: Path) -> Photo:
    """Return the photo, upright, in 8 bit sRGB.

    Parameters
    ----------
    path : Path
        JPEG, PNG, TIFF, WebP, HEIC/HEIF, AVIF; 8 or 16 bit, grey, colour or CMYK.

    Raises
    ------
    PhotoProblem
        If the file cannot be read, is no picture, is damaged, or is too large or too small.
    """
    data = _bytes_of(path)
    notes: list[str] = []
    with _quiet_and_open_to_large():
        picture = _opened(data, path)
        try:
            known = camera_data(picture, datetime.now())
            if getattr(picture, "n_frames", 1) > 1 and picture.format not in PREVIEW_FORMATS:
                notes.append("the file holds several pictures: the first one is used")
            rgb = _everyday_rgb(data, picture)
            if rgb is None:
                rgb = _upright_rgb(picture, path, notes)
        except _DAMAGE as problem:
            raise PhotoProblem(
                "damaged",
                f"{path.name} is damaged or cut short ({_first_line(problem)})",
                "copy it from the phone again, or take the photo again",
            ) from problem
    if not known.focal_35mm > 0.0:
        notes.append("no focal length in the file: the camera's height is judged from the picture alone")
    rgb.setflags(write=False)
    return Photo(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        camera=known.camera,
        focal_35mm=known.focal_35mm,
        taken_at=known.taken_at,
        warnings=tuple(notes),
    )


def format_of(path: Path) -> str:
    """Return the format of a picture file, one of FORMATS, from its head: nothing is decoded.

    Raises
    ------
    PhotoProblem
        If the file cannot be read, is no picture, or has too many or too few pixels.
    """
    with _quiet_and_open_to_large():
        return str(_opened(_bytes_of(path), path).format)


def _bytes_of(path: Path) -> bytes:
    try:
        with open(path, "rb", opener=_without_waiting) as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise OSError(errno.EINVAL, "it is no plain file")
            if status.st_size > MOST_BYTES:
                raise PhotoProblem(
                    "too large",
                    f"{path.name} has {status.st_size / 1e9:.1f} GB: no photo is that large",
                    "give a JPEG, PNG, TIFF, WebP or HEIC file, as the phone makes it",
                )
            data = file.read()
    except FileNotFoundError:
        raise PhotoProblem("not found", f"there is no file {path}", "check the name") from None
    except OSError as problem:
        raise PhotoProblem(
            "cannot be read",
            f"{path} cannot be read ({problem.strerror})",
            "check what it is and who may read it",
        ) from None
    if not data:
        raise PhotoProblem("empty", f"{path.name} is empty", "copy it from the phone again")
    return data


def _without_waiting(path: str, flags: int) -> int:
    """Open a file; a pipe that nobody writes to would be waited for without end."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


@contextmanager
def _quiet_and_open_to_large() -> Iterator[None]:
    """Leave the judgement on size and on damaged side data to this module."""
    limit = Image.MAX_IMAGE_PIXELS
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        Image.MAX_IMAGE_PIXELS = None
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = limit


def _opened(data: bytes, path: Path) -> Image.Image:
    import pillow_heif

    pillow_heif.register_heif_opener()
    Image.init()  # else only the commonest readers are there, and asking for another is a KeyError
    try:
        picture = Image.open(io.BytesIO(data), formats=[name for name in FORMATS if name in Image.OPEN])
    except _DAMAGE as problem:
        raise PhotoProblem(
            "not a picture",
            f"{path.name} is not a picture that can be read",
            "give a JPEG, PNG, TIFF, WebP or HEIC file, as the phone makes it",
        ) from problem
    width, height = picture.size
    if width * height > MOST_MEGAPIXELS * 1e6:
        raise PhotoProblem(
            "too large",
            f"{path.name} has {width * height / 1e6:.0f} megapixels; up to {MOST_MEGAPIXELS:.0f} are read",
            "set the camera to 12 to 50 megapixels",
        )
    if min(width, height) < LEAST_SIDE_PX:
        raise PhotoProblem(
            "too small",
            f"{path.name} has only {width} x {height} pixels; a mat cannot be measured in it",
            "send the photo in full size, not a preview",
        )
    return picture


def _everyday_rgb(data: bytes, picture: Image.Image) -> RgbImage | None:
    """Return what nearly all phones write, decoded straight into place; None for anything unusual.

    Both libraries decode with libjpeg-turbo, to the same pixels; this way they are not copied afterwards.
    """
    profile = picture.info.get("icc_profile")
    if (
        picture.format not in ("JPEG", "MPO")
        or picture.mode != "RGB"
        or not is_everyday_jpeg(data)
        or (profile and not _is_srgb(profile))
    ):
        return None
    try:
        rgb = cv2.imdecode(
            np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
        )
    except cv2.error:
        return None
    if rgb is None or rgb.shape != (picture.height, picture.width, 3):
        return None
    return _turned(np.asarray(rgb, dtype=np.uint8), picture.getexif().get(Base.Orientation, 1))


def _turned(rgb: RgbImage, orientation: object) -> RgbImage:
    """Return the picture upright, from how the camera was held (Exif 2.32, tag 0x0112)."""
    turned: object = rgb
    match orientation:
        case 2:
            turned = cv2.flip(rgb, 1)
        case 3:
            turned = cv2.rotate(rgb, cv2.ROTATE_180)
        case 4:
            turned = cv2.flip(rgb, 0)
        case 5:
            turned = cv2.transpose(rgb)
        case 6:
            turned = cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE)
        case 7:
            turned = cv2.rotate(cv2.transpose(rgb), cv2.ROTATE_180)
        case 8:
            turned = cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return np.asarray(turned, dtype=np.uint8)


def _upright_rgb(picture: Image.Image, path: Path, notes: list[str]) -> RgbImage:
    picture.load()
    profile = picture.info.get("icc_profile")
    ImageOps.exif_transpose(picture, in_place=True)  # in place: no copy of what is upright already
    upright = picture
    if upright.mode in ("F",):
        raise PhotoProblem(
            "not a picture", f"{path.name} holds measurements, not a photo", "save it as JPEG or PNG"
        )
    if upright.mode.startswith("I"):
        upright = _eight_bit(upright)
    if upright.mode in ("1", "L", "LA"):
        notes.append("a picture without colour: cuttings may be missed, take it in colour")
    if upright.mode == "CMYK":
        notes.append("converted from print colours (CMYK): colours are less certain")
    if "A" in upright.getbands() or "transparency" in upright.info:
        layer = upright.convert("RGBA")
        upright = Image.alpha_composite(Image.new("RGBA", layer.size, "white"), layer)
    return _pixels(_in_srgb(upright, profile))


def _pixels(picture: Image.Image) -> RgbImage:
    """Return the pixels (H, W, 3), copied band by band: at once they would be in memory three times."""
    width, height = picture.size
    rgb = np.empty((height, width, 3), dtype=np.uint8)
    for top in range(0, height, BAND_PX):
        bottom = min(height, top + BAND_PX)
        rgb[top:bottom] = np.asarray(picture.crop((0, top, width, bottom)))
    return rgb


def _eight_bit(grey: Image.Image) -> Image.Image:
    """Return a 16 bit grey picture in 8 bit."""
    values = np.asarray(grey, dtype=np.int64)
    # 65535 / 255 = 257; files that hold 8 bit values in a wider type stay as they are.
    scaled = (values + 128) // 257 if values.max(initial=0) > 255 else values
    return Image.fromarray(np.clip(scaled, 0, 255).astype(np.uint8))


def _in_srgb(picture: Image.Image, profile: bytes | None) -> Image.Image:
    """Return the picture in sRGB: many phones write Display P3, whose greens are read too pale."""
    if profile and picture.mode in ("RGB", "CMYK", "L"):
        try:
            if _is_srgb(profile):
                return _plain_rgb(picture)
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            target = ImageCms.createProfile("sRGB")
            converted = ImageCms.profileToProfile(picture, source, target, outputMode="RGB")
            if converted is not None:
                return converted
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass  # A damaged profile: the numbers are then taken for sRGB, as every viewer does.
    return _plain_rgb(picture)


def _is_srgb(profile: bytes) -> bool:
    """Return whether a colour profile says that it is sRGB; False for a damaged one."""
    try:
        return "sRGB" in ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile)))
    except (ImageCms.PyCMSError, OSError, ValueError):
        return False


def _plain_rgb(picture: Image.Image) -> Image.Image:
    """Return the picture as RGB; one that is RGB is not copied."""
    return picture if picture.mode == "RGB" else picture.convert("RGB")


def _first_line(problem: BaseException) -> str:
    lines = str(problem).splitlines()
    return lines[0][:120] if lines else type(problem).__name__
