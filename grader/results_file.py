"""Read ``results.json`` again: what was measured, as records for everything that comes after grading.

A field that this version does not know is left unread: new fields may come without a new schema.
"""

from __future__ import annotations

import hashlib
import json
import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import PlaneMap, Points, SheetBend
from grader.errors import GraderError
from grader.records import Measured

SCHEMA = "cutting-grader/results-1"
FAMILY = "cutting-grader/results-"
FILE_NAME = "results.json"
"""What a folder is searched for."""
GRADES = ("1", "2", "cull", "unsure")
RECUT_WORDS = ("cut again", "divide", "cut the top off")
"""Advice of the grader after which a cutting has another size."""
DOUBT_WORDS = ("measure by hand", "judge by eye")
"""Advice of the grader that leaves something to find out first."""


class ResultsProblem(GraderError):
    """A file of results cannot be used; the message names the file."""


@dataclass(frozen=True, slots=True, eq=False)
class ReadCutting:
    """One graded cutting as the file tells it."""

    number: int
    cell: str
    grade: str
    reason: str
    advice: str
    flags: tuple[str, ...]
    """Rules that it fails, in the trade's words."""
    targets: str
    traits: Mapping[str, Measured]
    outline_mm: Points
    axis_mm: Points
    warnings: tuple[str, ...] = ()
    strip_only: str = ""
    """Grade that it has once it is stripped further; "" if the advice is another, or more than that."""

    def measured(self, trait: str) -> Measured:
        """Return a measurement; nan with a note where the file lacks it."""
        return self.traits.get(trait, Measured(math.nan, math.nan, "not in the file"))


@dataclass(frozen=True, slots=True, eq=False)
class ReadAside:
    """Something on the mat that was not graded."""

    kind: str
    reason: str
    outline_mm: Points


@dataclass(frozen=True, slots=True, eq=False)
class ReadPhoto:
    """One graded photo."""

    file: str
    """Path as it was given when it was graded."""
    sha256: str
    taken_at: str
    """Camera clock, ISO 8601; empty if unknown."""
    batch: Mapping[str, str]
    """Cutter, donor, species, ..., as far as given."""
    mat_id: str
    page_mm: tuple[float, float]
    """nan if the file does not say."""
    image_size_px: tuple[int, int]
    plane: PlaneMap | None
    """Map between photo and mat; None in files that lack it."""
    cuttings: tuple[ReadCutting, ...]
    set_aside: tuple[ReadAside, ...]
    warnings: tuple[str, ...] = ()
    scale_sigma: float = math.nan
    """Relative standard uncertainty of the printed scale; nan if the file does not say."""


@dataclass(frozen=True, slots=True)
class ReadSkipped:
    """A photo that could not be used."""

    file: str
    reason: str
    message: str
    advice: str


@dataclass(frozen=True, slots=True, eq=False)
class ReadResults:
    """One file of results."""

    path: Path
    sha256: str
    """Of the file."""
    version: str
    """Of the program that wrote it."""
    made_at: str
    settings: Mapping[str, Any]
    files: tuple[str, ...]
    """Every photo, skipped ones too, in the order of grading."""
    photos: tuple[ReadPhoto, ...]
    skipped: tuple[ReadSkipped, ...] = field(default=())


def read_results(path: Path) -> ReadResults:
    """Return what a ``results.json`` holds; a folder stands for the file in it.

    Raises
    ------
    ResultsProblem
        If there is no such file, it is damaged, or another program or version wrote it.
    """
    file = path / FILE_NAME if path.is_dir() else path
    try:
        data = file.read_bytes()
    except OSError as problem:
        raise ResultsProblem(
            f"{file} cannot be read ({problem.strerror}).",
            f"Give the {FILE_NAME}, or the folder, that grader grade wrote.",
        ) from None
    whole = _document(data, file)
    try:
        photos = [item for item in whole["photos"] if item["status"] == "graded"]
        skipped = [item for item in whole["photos"] if item["status"] == "skipped"]
        return ReadResults(
            path=file,
            sha256=hashlib.sha256(data).hexdigest(),
            version=str(whole["program"]["version"]),
            made_at=str(whole["made_at"]),
            settings=dict(whole["settings"]),
            files=tuple(str(item["file"]) for item in whole["photos"]),
            photos=tuple(_photo(item) for item in photos),
            skipped=tuple(
                ReadSkipped(*(str(item[key]) for key in ("file", "reason", "message", "advice")))
                for item in skipped
            ),
        )
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as problem:
        raise ResultsProblem(
            f"{file} is damaged: {_where(problem)}.", "Grade the photos again with grader grade."
        ) from None


def read_all(paths: Sequence[Path]) -> list[ReadResults]:
    """Return the results that can be read; say on stderr which cannot, and what to do."""
    from grader.write.terminal import clean

    results = []
    for path in paths:
        try:
            results.append(read_results(path))
        except ResultsProblem as problem:
            print(f"left out: {clean(problem.message)}", file=sys.stderr)
            print(f"  What to do: {clean(problem.advice)}", file=sys.stderr)
    return results


def _document(data: bytes, file: Path) -> dict[str, Any]:
    again = "Grade the photos again with grader grade."
    if not data.strip():
        raise ResultsProblem(f"{file} is empty.", again)
    try:
        whole = json.loads(data)
    except (ValueError, RecursionError) as problem:
        where = f"line {problem.lineno}" if isinstance(problem, json.JSONDecodeError) else "no text"
        raise ResultsProblem(f"{file} is damaged or cut short ({where}).", again) from None
    schema = whole.get("schema") if isinstance(whole, dict) else None
    if not isinstance(schema, str) or not schema.startswith(FAMILY):
        raise ResultsProblem(
            f"{file} is not a file of results of this program.",
            f"Give the {FILE_NAME}, or the folder, that grader grade wrote.",
        )
    if schema != SCHEMA:
        raise ResultsProblem(
            f'{file} has the schema "{schema}"; this version reads "{SCHEMA}".',
            "Update the program, or grade the photos again with this version.",
        )
    return dict(whole)


def _where(problem: Exception) -> str:
    return f"{problem} is missing" if isinstance(problem, KeyError) else "a value is not what it should be"


def _photo(item: Mapping[str, Any]) -> ReadPhoto:
    mat = item["mat"]
    width, height = mat.get("page_mm") or (math.nan, math.nan)
    size = item["image_size_px"]
    cuttings = tuple(_cutting(cutting) for cutting in item["cuttings"])
    if len({cutting.number for cutting in cuttings}) < len(cuttings):
        raise ValueError("a number twice")
    return ReadPhoto(
        file=str(item["file"]),
        sha256=_sha256(item["sha256"]),
        taken_at=str(item.get("taken_at") or ""),
        batch={str(key): str(value) for key, value in (item.get("batch") or {}).items()},
        mat_id=str(mat.get("mat_id", "")),
        page_mm=(float(width), float(height)),
        image_size_px=(int(size[0]), int(size[1])),
        plane=_plane(mat.get("plane"), mat.get("eye_mm")),
        cuttings=cuttings,
        set_aside=tuple(
            ReadAside(str(thing["kind"]), str(thing["reason"]), _points(thing["outline_mm"]))
            for thing in item.get("set_aside", [])
        ),
        warnings=tuple(str(text) for text in item.get("warnings", [])),
        scale_sigma=_number(mat.get("scale_sigma")),
    )


def _sha256(value: Any) -> str:
    text = str(value)
    if len(text) != 64 or set(text) - set("0123456789abcdef"):
        raise ValueError("no SHA-256")
    return text


def _cutting(item: Mapping[str, Any]) -> ReadCutting:
    grade = str(item["grade"])
    if grade not in GRADES:
        raise ValueError("unknown grade")
    return ReadCutting(
        number=int(item["number"]),
        cell=str(item.get("cell", "")),
        grade=grade,
        reason=str(item["reason"]),
        advice=str(item["advice"]),
        flags=tuple(str(flag) for flag in item.get("flags", [])),
        targets=str(item.get("targets", "")),
        traits={str(name): _measured(value) for name, value in item["traits"].items()},
        outline_mm=_points(item["outline_mm"]),
        axis_mm=_points(item["axis_mm"]),
        warnings=tuple(str(text) for text in item.get("warnings", [])),
        strip_only=_strip_only(item),
    )


def _strip_only(item: Mapping[str, Any]) -> str:
    """Return the grade after stripping where that is the whole of the advice."""
    pieces = item.get("pieces", [])
    advice = str(item["advice"])
    if len(pieces) != 1 or any(words in advice for words in (*RECUT_WORDS, *DOUBT_WORDS)):
        return ""
    (piece,) = pieces
    grade = str(piece["grade"])
    if grade not in GRADES:
        raise ValueError("unknown grade")
    return grade if _number(piece["strip_to_mm"]) > 0.0 and _number(piece["from_mm"]) == 0.0 else ""


def _measured(item: Mapping[str, Any]) -> Measured:
    return Measured(_number(item["value"]), _number(item["sigma"]), str(item.get("note", "")))


def _number(value: Any) -> float:
    """Return a number; what is not one is null in the file."""
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("not a number")
    return float(value)


def _points(value: Any) -> Points:
    points = np.array(value, dtype=np.float64).reshape(-1, 2)
    if not np.isfinite(points).all():
        raise ValueError("a place is not a number")
    points.setflags(write=False)
    return points


def _plane(item: Any, eye_mm: Any) -> PlaneMap | None:
    if item is None:
        return None
    bend = item.get("bend")
    homography = np.array(item["homography"], dtype=np.float64).reshape(3, 3)
    x_mm, y_mm, z_mm = (_number(value) for value in (eye_mm or (None, None, None)))
    return PlaneMap(
        homography=homography,
        centre_px=(float(item["centre_px"][0]), float(item["centre_px"][1])),
        radius_px=float(item["radius_px"]),
        **{name: float(item[name]) for name in ("k1", "k2", "p1", "p2")},
        eye_mm=(x_mm, y_mm, z_mm),
        bend=None
        if bend is None
        else SheetBend(
            (float(bend["centre_mm"][0]), float(bend["centre_mm"][1])),
            float(bend["half_mm"]),
            np.array(bend["coefficients_mm"], dtype=np.float64),
        ),
    )
