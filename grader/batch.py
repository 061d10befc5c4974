"""Many photos, one after the other: in order, none lost, one bad photo stops nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from grader.pipeline import Kit, grade_photo_and_picture
from grader.records import GradedPhoto, Photo, PhotoResult, SkippedPhoto

PICTURE_SUFFIX = ".graded.jpg"
GROUPS_SUFFIX = ".groups.jpg"
"""The pictures of ``grader stick``."""
Draw = Callable[[Path, GradedPhoto, Photo], None]
Tell = Callable[[int, int, Path], None]
"""Told before each photo: its place from 1, how many there are, its path."""


def photos_in(inputs: Sequence[Path]) -> list[Path]:
    """Return the photos that some files and folders stand for, each once; folders by name, with sub-folders.

    Files are taken whatever they are called; in folders the pictures that this program made are left out.
    """
    from grader.capture import SUFFIXES

    found: dict[Path, None] = {}
    for path in inputs:
        if path.is_dir():
            inside = sorted(file for file in path.rglob("*") if file.suffix.lower() in SUFFIXES)
            found.update(dict.fromkeys(file for file in inside if _is_photo(file)))
        else:
            found[path] = None
    return list(found)


def _is_photo(file: Path) -> bool:
    is_ours = file.name.endswith((PICTURE_SUFFIX, GROUPS_SUFFIX))
    return file.is_file() and not is_ours and not file.name.startswith(".")


def grade_all(
    photos: Sequence[Path],
    kit: Kit,
    batch: Mapping[str, str],
    out: Path,
    draw: Draw,
    tell: Tell,
) -> Iterator[PhotoResult]:
    """Yield one result a photo, in order; its picture is written before the next is opened."""
    names = picture_names(photos)
    for index, path in enumerate(photos, start=1):
        tell(index, len(photos), path)
        try:
            result, photo = grade_photo_and_picture(path, kit, batch)
        except Exception as problem:
            # A slip of this program on one photo must not cost the other photos of a morning.
            result, photo = _slip(path, problem), None
        if isinstance(result, GradedPhoto) and photo is not None:
            draw(out / names[path], result, photo)
        yield result


def picture_names(photos: Sequence[Path]) -> dict[Path, str]:
    """Return a file name for the picture of each photo, all different.

    Examples
    --------
    >>> list(picture_names([Path("a/tray.jpg"), Path("b/tray.jpg")]).values())
    ['tray.graded.jpg', 'tray-2.graded.jpg']
    """
    names: dict[Path, str] = {}
    taken: set[str] = set()
    for path in photos:
        name, n = f"{path.stem}{PICTURE_SUFFIX}", 1
        while name.lower() in taken:
            n += 1
            name = f"{path.stem}-{n}{PICTURE_SUFFIX}"
        taken.add(name.lower())
        names[path] = name
    return names


def _slip(path: Path, problem: Exception) -> SkippedPhoto:
    return SkippedPhoto(
        path,
        "program error",
        f"the program failed on this photo ({type(problem).__name__}: {problem})",
        "keep the photo and send it to the makers with this message; the other photos are not affected",
    )
