"""Read a sticking sheet's ``sticking.json`` with its results: what went where, and how large it was."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from grader.record.entries import CuttingEntry, StuckEntry
from grader.record.store import RecordProblem, Refused
from grader.results_file import ReadCutting, ReadPhoto, ReadResults, read_results

SCHEMA = "cutting-grader/sticking-1"
FAMILY = "cutting-grader/sticking-"
FILE_NAME = "sticking.json"
_AGAIN = "Make the sheet again with grader stick."


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the sheet does not say, the same for all its containers."""

    stuck_on: date | None
    """None: the day on the sheet."""
    hormone: str
    heat_c: float
    due_weeks: float
    note: str


def read_sticking(
    path: Path, results: Sequence[Path], conditions: Conditions
) -> tuple[tuple[StuckEntry, ...], tuple[str, ...]]:
    """Return the containers of a sticking sheet, and sentences for the person.

    Parameters
    ----------
    path : Path
        ``sticking.json``, or the folder it is in.
    results : sequence of Path
        Where its measurements are; empty for the files that the sheet itself names.
    conditions : Conditions
        What the sheet does not say.

    Raises
    ------
    RecordProblem
        If the file is damaged or of another kind, or a cutting is not in the results.
    """
    file = path / FILE_NAME if path.is_dir() else path
    sheet = _document(file)
    try:
        sources, notes = _sources(sheet, results)
        cuttings = {
            (photo.sha256, cutting.number): (photo, cutting)
            for source in sources
            for photo in source.photos
            for cutting in photo.cuttings
        }
        entries = tuple(
            _entry(group, container, sheet, cuttings, conditions, str(file))
            for group in sheet["groups"]
            for container in group["containers"]
        )
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as problem:
        what = (
            f"{problem} is missing" if isinstance(problem, KeyError) else "a value is not what it should be"
        )
        raise RecordProblem(f"{file} is damaged: {what}. Nothing was written.", _AGAIN) from None
    if not entries:
        raise RecordProblem(f"{file} holds no containers. Nothing was written.", _AGAIN)
    return entries, notes


def _document(file: Path) -> dict[str, Any]:
    try:
        sheet = json.loads(file.read_bytes())
    except OSError as problem:
        raise RecordProblem(
            f"{file} cannot be read ({problem.strerror}).", f"Give the {FILE_NAME} that grader stick wrote."
        ) from None
    except (ValueError, RecursionError):
        raise RecordProblem(f"{file} is damaged or cut short. Nothing was written.", _AGAIN) from None
    schema = sheet.get("schema") if isinstance(sheet, dict) else None
    if not isinstance(schema, str) or not schema.startswith(FAMILY):
        raise RecordProblem(
            f"{file} is not a sticking sheet.", f"Give the {FILE_NAME} that grader stick wrote."
        )
    if schema != SCHEMA:
        raise RecordProblem(
            f'{file} has the schema "{schema}"; this version reads "{SCHEMA}".', "Update the program."
        )
    return dict(sheet)


def _sources(
    sheet: Mapping[str, Any], results: Sequence[Path]
) -> tuple[tuple[ReadResults, ...], tuple[str, ...]]:
    named = {str(item["sha256"]): Path(str(item["file"])) for item in sheet["results"]}
    read = tuple(read_results(path) for path in (results or named.values()))
    notes = tuple(
        f"{source.path} was graded again after the sheet was made: sizes are those of the later grading"
        for source in read
        if source.sha256 not in named
    )
    return read, notes


def _entry(
    group: Mapping[str, Any],
    container: Mapping[str, Any],
    sheet: Mapping[str, Any],
    cuttings: Mapping[tuple[str, int], tuple[ReadPhoto, ReadCutting]],
    conditions: Conditions,
    source: str,
) -> StuckEntry:
    limits = group["limits"]
    label = str(container["id"])
    chosen = [
        _cutting(label, str(item["photo_sha256"]), int(item["number"]), cuttings)
        for item in container["cuttings"]
    ]
    return StuckEntry(
        label=label,
        stuck_on=conditions.stuck_on or date.fromisoformat(str(sheet["stuck_on"])),
        n_stuck=int(container["n_cuttings"]),
        species=str(group["species"]),
        donor=str(group["donor"]),
        grade=str(group["grade"]),
        cutter=", ".join(sorted({cutting.cutter for cutting in chosen} - {""})),
        size_group=str(group["id"]),
        group_trait=str(limits["trait"]),
        group_from=-math.inf if limits["from"] is None else float(limits["from"]),
        group_below=math.inf if limits["below"] is None else float(limits["below"]),
        medium=str(sheet["medium"]["mix"]),
        hormone=conditions.hormone,
        heat_c=conditions.heat_c,
        due_weeks=conditions.due_weeks,
        note=conditions.note,
        source=source,
        cuttings=tuple(chosen),
    )


def _cutting(
    label: str,
    sha256: str,
    number: int,
    cuttings: Mapping[tuple[str, int], tuple[ReadPhoto, ReadCutting]],
) -> CuttingEntry:
    if (sha256, number) not in cuttings:
        raise Refused(
            f"{label}: cutting {number} of the photo {sha256[:12]}... is not in the results.",
            "Give the results that the sheet was made from with --results.",
        )
    photo, cutting = cuttings[(sha256, number)]
    return CuttingEntry(
        photo_sha256=sha256,
        number=number,
        photo=Path(photo.file).name,
        grade=cutting.grade,
        cutter=photo.batch.get("cutter", "").strip(),
        traits={
            name: (measured.value, measured.sigma)
            for name, measured in cutting.traits.items()
            if math.isfinite(measured.value)
        },
    )
