"""Small pictures for the page: the tray of each photo, and each cutting cut out of its marked picture."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from PIL import Image

from grader.errors import OutputProblem
from grader.write.picture_note import Box, PictureNote, read_note

PICTURE_PATTERN = "*.graded.jpg"
FOLDER_ENDING = "_files"
"""Of the folder of images beside a page."""
TRAY_WIDTH_PX = 1100
"""Sharp at the width of a page on a desk; numbers can be read on a phone."""
CROP_SIDE_PX = 240
"""Longest side: half as much again as shown, for screens with fine pixels."""
CROP_MARGIN_PX = 24
"""Round a cutting's outline, px of the marked picture (2400 wide): the line at the cut end is seen."""
QUALITY = 72
"""JPEG: a tray takes about 150 kB, a cutting about 8 kB."""
OURS = re.compile(r"p\d+(c\d+)?\.graded\.jpg")
"""Names of the images; with this ending they are never taken for photos to grade."""


@dataclass(frozen=True, slots=True)
class Shown:
    """An image of the page."""

    source: str
    """Address relative to the page, or the image itself as a data address."""
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class PhotoImages:
    """Images of one photo."""

    tray: Shown
    crops: dict[int, Shown]
    """By number of the cutting."""
    full: str
    """Address of the whole marked picture, relative to the page; empty in a page that stands alone."""


@dataclass(slots=True)
class ImageStore:
    """Where the images go: into the page, or as files into a folder beside it; ``n_bytes`` counts them."""

    page: Path
    is_embedded: bool
    n_bytes: int = 0

    @property
    def folder(self) -> Path:
        """The folder beside the page."""
        return self.page.with_name(self.page.stem + FOLDER_ENDING)

    def keep(self, name: str, picture: Image.Image) -> Shown:
        """Keep one image.

        Raises
        ------
        OutputProblem
            If it cannot be written.
        """
        out = io.BytesIO()
        picture.save(out, "JPEG", quality=QUALITY, optimize=True)
        data = out.getvalue()
        self.n_bytes += len(data)
        if self.is_embedded:
            source = "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")
        else:
            source = quote(f"{self.folder.name}/{name}")
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                (self.folder / name).write_bytes(data)
            except OSError as problem:
                raise OutputProblem(
                    f"{self.folder / name} cannot be written ({problem.strerror}).",
                    "Give another place with --out, or free some space.",
                ) from problem
        return Shown(source, *picture.size)

    def sweep(self, kept: set[str]) -> None:
        """Take away images of an earlier page that this one does not show."""
        if self.folder.is_dir():
            for file in self.folder.iterdir():
                if OURS.fullmatch(file.name) and file.name not in kept:
                    file.unlink(missing_ok=True)


def tray_name(index: int) -> str:
    """Return the name of the image of a tray."""
    return f"p{index}.graded.jpg"


def crop_name(index: int, number: int) -> str:
    """Return the name of the image of a cutting."""
    return f"p{index}c{number}.graded.jpg"


def marked_pictures(folder: Path) -> dict[str, tuple[Path, PictureNote]]:
    """Return the marked pictures in a folder by the SHA-256 of their photo."""
    found: dict[str, tuple[Path, PictureNote]] = {}
    for path in sorted(folder.rglob(PICTURE_PATTERN)):
        if path.parent.name.endswith(FOLDER_ENDING) and OURS.fullmatch(path.name):
            continue  # made for a page, not by grading
        note = read_note(path)
        if note is not None:
            found.setdefault(note.photo_sha256, (path, note))
    return found


def images_of(index: int, picture: Path, note: PictureNote, store: ImageStore) -> PhotoImages | None:
    """Return the images of one photo, None if its marked picture cannot be read.

    Raises
    ------
    OutputProblem
        If they cannot be written.
    """
    try:
        with Image.open(picture) as file:
            whole_size = file.size
            if not store.is_embedded:  # a large batch: JPEG decodes to half the size in half the time
                file.draft("RGB", (file.width // 2, file.height // 2))
            page = file.convert("RGB")
    except (OSError, ValueError, Image.DecompressionBombError):
        return None
    if whole_size[0] < note.tray_size_px[0] or whole_size[1] < note.tray_size_px[1]:
        return None  # somebody made it smaller: the places in the note do not fit any more
    scale = page.width / whole_size[0]
    width, height = (round(side * scale) for side in note.tray_size_px)
    tray = page.crop((0, 0, width, height))
    shown = store.keep(tray_name(index), _at_most(tray, TRAY_WIDTH_PX, tray.height))
    crops = {
        number: store.keep(crop_name(index, number), _at_most(cut, CROP_SIDE_PX, CROP_SIDE_PX))
        for number, cut in _cut_out(tray, note.boxes_px, scale)
    }
    return PhotoImages(shown, crops, _address(picture, store))


def _cut_out(tray: Image.Image, boxes_px: dict[int, Box], scale: float) -> Iterator[tuple[int, Image.Image]]:
    """Yield number and picture of each cutting; ``scale``: size of the tray over that of the boxes."""
    for number, (left, top, right, bottom) in boxes_px.items():
        x0, y0 = (max(0, round((edge - CROP_MARGIN_PX) * scale)) for edge in (left, top))
        x1, y1 = (round((edge + CROP_MARGIN_PX) * scale) for edge in (right, bottom))
        yield number, tray.crop((x0, y0, min(tray.width, x1), min(tray.height, y1)))


def _at_most(picture: Image.Image, width_px: int, height_px: int) -> Image.Image:
    scale = min(1.0, width_px / picture.width, height_px / picture.height)
    size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
    return picture.resize(size, Image.Resampling.LANCZOS, reducing_gap=3.0) if scale < 1.0 else picture


def _address(picture: Path, store: ImageStore) -> str:
    """Return the address of the whole picture where it lies beside the page."""
    if store.is_embedded:
        return ""
    try:
        return quote(picture.resolve().relative_to(store.page.resolve().parent).as_posix())
    except ValueError:
        return ""
