"""Make report.html from results.json and the marked pictures beside it."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from grader.errors import GraderError
from grader.report.images import (
    ImageStore,
    PhotoImages,
    crop_name,
    images_of,
    marked_pictures,
    tray_name,
)
from grader.report.reading import ResultsRead, read_results
from grader.report.rows import PhotoRows, graded_rows, skipped_row

PAGE_NAME = "report.html"
MOST_EMBEDDED_PHOTOS = 12
"""Up to so many photos the images go into the page: one file of some megabytes that can be sent on."""
MOST_EMBEDDED_CUTTINGS = 400


@dataclass(frozen=True, slots=True)
class ReportMade:
    """What was written."""

    page: Path
    n_photos: int
    n_without_picture: int
    n_bytes: int
    """Of the page and its images together."""
    folder: Path | None
    """Where the images are; None if they are in the page."""


def write_report(results: Path, page: Path | None = None, one_file: bool | None = None) -> ReportMade:
    """Write the report.

    Parameters
    ----------
    results : Path
        results.json, or the folder it lies in, with the marked pictures beside it.
    page : Path, optional
        Where to write; report.html beside the results unless told.
    one_file : bool, optional
        Put the images into the page; else into a folder beside it.  Unless told, only a small batch
        becomes one file.

    Raises
    ------
    ReportProblem
        If there are no results to read.
    OutputProblem
        If the page cannot be written.
    """
    from grader.report.page_text import PageContent, page_text
    from grader.report.rules_told import rules_told
    from grader.report.summary import spreads_of
    from grader.write.files import write_atomic

    read = read_results(results)
    told = list(enumerate(read.photos, start=1))
    photos = [graded_rows(index, photo) for index, photo in told if photo["status"] == "graded"]
    graded = [photo for photo in read.photos if photo["status"] == "graded"]
    page = page or read.path.with_name(PAGE_NAME)
    store = ImageStore(page, read.path.parent, _is_small(photos) if one_file is None else one_file)
    images = _images(photos, read, store)
    content = PageContent(
        photos=photos,
        skipped=[skipped_row(index, photo) for index, photo in told if photo["status"] == "skipped"],
        spreads=spreads_of(graded),
        rules=rules_told((c for photo in graded for c in photo["cuttings"]), read.whole["settings"]),
        images=images,
        version=read.whole["program"]["version"],
        made_at=str(read.whole.get("made_at") or "").replace("T", " "),
    )
    text = page_text(content).encode("utf-8", errors="replace")
    write_atomic(page, text)
    return ReportMade(
        page=page,
        n_photos=len(told),
        n_without_picture=sum(image is None for image in images.values()),
        n_bytes=len(text) + (0 if store.is_embedded else store.n_bytes),
        folder=None if store.is_embedded or not store.n_bytes else store.folder,
    )


def report_after_grading(out: Path) -> None:
    """Write the report into the folder of the results; one that fails costs nothing else."""
    try:
        made = write_report(out)
    except GraderError as problem:
        print(f"The report could not be made: {problem.message}", file=sys.stderr)
        print(f"{problem.advice} The results are whole; then: grader report {out}", file=sys.stderr)
        return
    print(f"the report is {made.page}", file=sys.stderr)


def _is_small(photos: list[PhotoRows]) -> bool:
    n_cuttings = sum(len(photo.rows) for photo in photos)
    return len(photos) <= MOST_EMBEDDED_PHOTOS and n_cuttings <= MOST_EMBEDDED_CUTTINGS


def _images(photos: list[PhotoRows], read: ResultsRead, store: ImageStore) -> dict[int, PhotoImages | None]:
    """Return the images of each photo; None where there is no marked picture of it."""
    pictures = marked_pictures(read.path.parent)
    images: dict[int, PhotoImages | None] = {}
    kept: set[str] = set()
    for photo in photos:
        found = pictures.get(photo.sha256)
        images[photo.index] = images_of(photo.index, *found, store) if found else None
        shown = images[photo.index]
        if shown is not None and not store.is_embedded:
            kept |= {tray_name(photo.index), *(crop_name(photo.index, number) for number in shown.crops)}
    store.sweep(kept)
    return images
