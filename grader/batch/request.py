"""What the person asked of a run, and the photos that this stands for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from grader.batch.photos import photos_in
from grader.records import SkippedPhoto


@dataclass(frozen=True, slots=True)
class Request:
    """What the person asked for."""

    inputs: tuple[Path, ...]
    out: Path
    targets: str
    mat: Path | None
    measured_mm: float | None
    batch: Mapping[str, str]
    as_json: bool
    debug_dir: Path | None = None
    is_fresh: bool = False
    is_watching: bool = False
    doubtful: str = "unsure"
    """What becomes of doubtful cuttings: "unsure", "keep" or "set-aside"."""
    n_workers: int | None = None
    """Processes; None: as this computer has cores to spare, 0: none."""


@dataclass(frozen=True, slots=True)
class Found:
    """What lies in the folders asked for."""

    photos: list[Path]
    problems: tuple[SkippedPhoto, ...]
    """Folders that cannot be listed: photos may be missing."""


def find_photos(request: Request) -> Found:
    """Return the photos of a request; the folders for its own results are not searched."""
    problems: list[SkippedPhoto] = []

    def complain(folder: Path, problem: OSError) -> None:
        problems.append(
            SkippedPhoto(
                folder,
                "cannot be read",
                f"the folder {folder} cannot be read ({problem.strerror}): photos in it are not graded",
                "check who may read it",
            )
        )

    own = [folder for folder in (request.out, request.debug_dir) if folder is not None]
    return Found(photos_in(request.inputs, own, complain), tuple(problems))
