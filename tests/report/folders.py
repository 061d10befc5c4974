"""Folders of results as ``grader grade`` leaves them, of invented cuttings."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np

from grader.records import GradedPhoto, Photo, SkippedPhoto
from grader.verdict import load_targets
from grader.write import write_picture, write_results
from tests.synthetic_records import graded_photo

CUTTERS = ("Ann", "Bo")
SETTINGS = {"targets": load_targets().id, "targets_file": str(load_targets().path)}


def invented_photos(n_photos: int) -> list[GradedPhoto]:
    """Return trays of four cuttings each; their cutters take turns."""
    return [
        replace(
            graded_photo(Path("day") / f"tray_{k + 1}.jpg", {"cutter": CUTTERS[k % 2]}),
            sha256=f"{k + 1:064x}",
        )
        for k in range(n_photos)
    ]


def results_folder(folder: Path, n_photos: int = 1, skipped: tuple[SkippedPhoto, ...] = ()) -> Path:
    """Write results.json and marked pictures; return the folder."""
    photos = invented_photos(n_photos)
    for photo in photos:
        draw(folder, photo)
    write_results(folder / "results.json", [*photos, *skipped], SETTINGS, datetime(2026, 3, 2, 8, 15))
    return folder


def draw(folder: Path, graded: GradedPhoto) -> None:
    """Write the marked picture of an invented photo: grey paper with the marks."""
    width, height = graded.image_size_px
    paper = np.full((height, width, 3), 235, dtype=np.uint8)
    photo = Photo(graded.path, graded.sha256, paper, graded.camera, float("nan"), None)
    write_picture(folder / f"{graded.path.stem}.graded.jpg", graded, photo)
