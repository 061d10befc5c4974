"""Photos with exact truth as the studies need them: flat view, pose and truth, one photo after the other."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.design import load_layout
from grader.capture import read_photo
from grader.errors import GraderError
from grader.locate import find_mat, flatten
from grader.records import FlatView, MatPose, Photo

SCALE_SIGMA = 0.001
"""Relative uncertainty of the print scale, which is known exactly here: that of a check bar read well."""


@dataclass(frozen=True, slots=True, eq=False)
class KnownPhoto:
    """One photo with truth."""

    name: str
    """FOLDER/STEM."""
    truth: dict[str, Any]
    photo: Photo
    view: FlatView
    pose: MatPose


def known_photo(path: Path) -> KnownPhoto:
    """Read NAME.jpg and NAME.truth.json; a layout.json beside or above them is a foreign board.

    Raises
    ------
    GraderError
        Where the photo cannot be read or its mat cannot be found.
    """
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    boards = (path.parent / "layout.json", path.parent.parent / "layout.json")
    layouts = tuple(load_layout(board) for board in boards if board.exists())[:1]
    photo = read_photo(path)
    pose = find_mat(photo, layouts, truth["print_scale"], SCALE_SIGMA, "check bar typed")
    return KnownPhoto(f"{path.parent.name}/{path.stem}", truth, photo, flatten(photo, pose), pose)


def photo_paths(places: list[Path], left_out: frozenset[str] = frozenset()) -> list[Path]:
    """Return photos named one by one and all of folders, without those whose stem is left out."""
    paths = [
        path for place in places for path in (sorted(place.glob("*.jpg")) if place.is_dir() else [place])
    ]
    return [path for path in paths if path.stem not in left_out]


def known_photos(paths: list[Path]) -> Iterator[KnownPhoto]:
    """Yield the photos that can be read; the others are named on the terminal."""
    for path in paths:
        try:
            yield known_photo(path)
        except GraderError as error:
            print(f"{path}: left out, {error}")
