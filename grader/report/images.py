"""The images of the page: which there are, and where they go."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from grader.batch.keep import FOLDER, file_hash
from grader.errors import OutputProblem
from grader.write.picture_note import PictureNote, read_note
from grader.write.small import Small, SmallImages, kept_images, small_images_of

PICTURE_PATTERN = "*.graded.jpg"
FOLDER_ENDING = "_files"
"""Of the folder of images beside a page."""
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
    results: Path
    """Folder of the results, where small pictures may be kept."""
    is_embedded: bool
    n_bytes: int = 0

    @property
    def folder(self) -> Path:
        """The folder beside the page."""
        return self.page.with_name(self.page.stem + FOLDER_ENDING)

    def keep(self, name: str, small: Small) -> Shown:
        """Keep one image.

        Raises
        ------
        OutputProblem
            If it cannot be written.
        """
        self.n_bytes += len(small.data)
        if self.is_embedded:
            source = "data:image/jpeg;base64," + base64.b64encode(small.data).decode("ascii")
        else:
            source = quote(f"{self.folder.name}/{name}")
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                (self.folder / name).write_bytes(small.data)
            except OSError as problem:
                raise OutputProblem(
                    f"{self.folder / name} cannot be written ({problem.strerror}).",
                    "Give another place with --out, or free some space.",
                ) from problem
        return Shown(source, small.width_px, small.height_px)

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
    small = _kept(picture, store.results) or small_images_of(picture, note, is_quick=not store.is_embedded)
    if small is None:
        return None
    crops = {number: store.keep(crop_name(index, number), crop) for number, crop in small.crops.items()}
    return PhotoImages(store.keep(tray_name(index), small.tray), crops, _address(picture, store))


def _kept(picture: Path, results: Path) -> SmallImages | None:
    """Return what was kept when the picture was drawn, if it is still the same picture."""
    try:
        return kept_images(results / FOLDER, file_hash(picture))
    except OSError:
        return None


def _address(picture: Path, store: ImageStore) -> str:
    """Return the address of the whole picture where it lies beside the page."""
    if store.is_embedded:
        return ""
    try:
        return quote(picture.resolve().relative_to(store.page.resolve().parent).as_posix())
    except ValueError:
        return ""
