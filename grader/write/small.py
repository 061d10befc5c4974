"""Small pictures of a tray and its cuttings, for pages: made once and kept beside the kept results.

Whoever draws a marked picture makes them from what is in hand then; a page made later only reads them.
"""

from __future__ import annotations

import contextlib
import io
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from grader.write.files import write_atomic
from grader.write.picture_note import Box, PictureNote

TRAY_WIDTH_PX = 1100
"""Sharp at the width of a page on a desk; numbers can be read on a phone."""
CROP_SIDE_PX = 240
"""Longest side: half as much again as shown, for screens with fine pixels."""
CROP_MARGIN_PX = 24
"""Round a cutting's outline, px of the marked picture (2400 wide): the line at the cut end is seen."""
QUALITY = 72
"""JPEG: a tray takes about 150 kB, a cutting about 8 kB."""
SUFFIX = ".images"
_NAME_DIGITS = 40
_TRAY = "tray.jpg"


@dataclass(frozen=True, slots=True)
class Small:
    """One JPEG file and its size."""

    data: bytes
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class SmallImages:
    """The small pictures of one photo."""

    tray: Small
    crops: Mapping[int, Small]
    """By number of the cutting."""


def small_images(tray: Image.Image, boxes_px: Mapping[int, Box], scale: float = 1.0) -> SmallImages:
    """Return the tray and each cutting cut out of it, small.

    Parameters
    ----------
    tray : Image
        The upper part of a marked picture.
    boxes_px : mapping
        Number of the cutting -> the box round its outline, px of the marked picture.
    scale : float
        Size of ``tray`` over that of the marked picture.
    """
    crops = {
        number: _encoded(_at_most(cut, CROP_SIDE_PX, CROP_SIDE_PX))
        for number, cut in _cut_out(tray, boxes_px, scale)
    }
    return SmallImages(_encoded(_at_most(tray, TRAY_WIDTH_PX, tray.height)), crops)


def small_images_of(picture: Path, note: PictureNote, is_quick: bool = False) -> SmallImages | None:
    """Return the small pictures of a marked picture in a file; None if it cannot be read.

    Parameters
    ----------
    picture : Path
    note : PictureNote
        What the picture says about itself.
    is_quick : bool
        For many: JPEG decodes to half the size in half the time.
    """
    try:
        with Image.open(picture) as file:
            whole_size = file.size
            if is_quick:
                file.draft("RGB", (file.width // 2, file.height // 2))
            page = file.convert("RGB")
    except (OSError, ValueError, Image.DecompressionBombError):
        return None
    if whole_size[0] < note.tray_size_px[0] or whole_size[1] < note.tray_size_px[1]:
        return None  # somebody made it smaller: the places in the note do not fit any more
    scale = page.width / whole_size[0]
    width, height = (round(side * scale) for side in note.tray_size_px)
    return small_images(page.crop((0, 0, width, height)), note.boxes_px, scale)


def keep_images(folder: Path, picture_sha256: str, images: SmallImages) -> None:
    """Keep the small pictures of a marked picture in a folder.

    Raises
    ------
    OutputProblem
        If they cannot be written.
    """
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as packed:
        for name, small in ((_TRAY, images.tray), *((f"{n}.jpg", crop) for n, crop in images.crops.items())):
            # With the oldest date that the format knows: the same pictures make the same bytes.
            packed.writestr(zipfile.ZipInfo(name), small.data)
    write_atomic(_path(folder, picture_sha256), file.getvalue())


def kept_images(folder: Path, picture_sha256: str) -> SmallImages | None:
    """Return what is kept of a marked picture; None if there is nothing, or nothing whole."""
    with contextlib.suppress(OSError, ValueError, KeyError, zipfile.BadZipFile, Image.DecompressionBombError):
        with zipfile.ZipFile(_path(folder, picture_sha256)) as packed:
            found = {name: _known(packed.read(name)) for name in packed.namelist()}
        tray = found.pop(_TRAY)
        return SmallImages(tray, {int(name.removesuffix(".jpg")): crop for name, crop in found.items()})
    return None


def _path(folder: Path, picture_sha256: str) -> Path:
    return folder / (picture_sha256[:_NAME_DIGITS] + SUFFIX)


def _known(data: bytes) -> Small:
    with Image.open(io.BytesIO(data)) as picture:
        return Small(data, *picture.size)


def _encoded(picture: Image.Image) -> Small:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, optimize=True)
    return Small(out.getvalue(), *picture.size)


def _cut_out(
    tray: Image.Image, boxes_px: Mapping[int, Box], scale: float
) -> Iterator[tuple[int, Image.Image]]:
    """Yield number and picture of each cutting."""
    for number, (left, top, right, bottom) in boxes_px.items():
        x0, y0 = (max(0, round((edge - CROP_MARGIN_PX) * scale)) for edge in (left, top))
        x1, y1 = (round((edge + CROP_MARGIN_PX) * scale) for edge in (right, bottom))
        yield number, tray.crop((x0, y0, min(tray.width, x1), min(tray.height, y1)))


def _at_most(picture: Image.Image, width_px: int, height_px: int) -> Image.Image:
    scale = min(1.0, width_px / picture.width, height_px / picture.height)
    size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
    return picture.resize(size, Image.Resampling.HAMMING, reducing_gap=1.0) if scale < 1.0 else picture
