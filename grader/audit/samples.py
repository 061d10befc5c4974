"""What an audit counts: every cutting with its cutter, donor plant, day, tray and mat."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from grader.audit.photo_table import match
from grader.results_file import ReadCutting, ReadPhoto, ReadResults

NOBODY = "not named"
"""Cutter of a photo that names none."""
USUAL_SCALE_SIGMA = 0.003
"""Relative, where a file of results does not say; the grading's own value for a print not measured."""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One photo of one cutter's work."""

    photo: ReadPhoto
    results: Path
    cutter: str
    donor: str
    day: str
    """ISO date; empty if unknown."""
    when: str
    """Sorts photos of one cutter by time."""
    tray: str
    """Cuttings made in one go; the photo itself unless named."""
    mat: str
    """Which print of the mat: the batch's "mat", else the layout's name."""
    repeat: str
    person: str
    scale_sigma: float


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """One cutting."""

    shot: Shot
    cutting: ReadCutting

    def value(self, trait: str) -> float:
        """Return a measurement; nan where there is none."""
        return self.cutting.measured(trait).value

    def sigma(self, trait: str) -> float:
        """Return its standard uncertainty."""
        return self.cutting.measured(trait).sigma


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Everything an audit reads."""

    shots: tuple[Shot, ...]
    """To be audited: repeats of a tray left out but for the first."""
    repeats: tuple[Shot, ...]
    """Photos of trays that were laid out and photographed again, the first included."""
    n_twice: int = 0
    """Photos found in more than one file of results, counted once."""
    n_skipped: int = 0
    """Photos that could not be graded."""
    targets: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())


def gather(
    results: Sequence[ReadResults],
    table: Mapping[str, Mapping[str, str]] | None = None,
    table_path: Path = Path(),
    repeats: Mapping[str, Mapping[str, str]] | None = None,
    repeats_path: Path = Path(),
) -> Gathered:
    """Return the photos of all results, each once, with what tables say of them.

    Raises
    ------
    TableProblem
        If a table names photos that are not there.
    """
    photos: dict[str, tuple[ReadPhoto, ReadResults]] = {}
    n_twice = 0
    for read in results:
        for photo in read.photos:
            n_twice += photo.sha256 in photos
            photos[photo.sha256] = (photo, read)
    listed = list(photos.values())
    files = [photo.file for photo, _ in listed]
    said: dict[int, dict[str, str]] = {}
    for lines, path in ((table, table_path), (repeats, repeats_path)):
        for index, name in match(lines or {}, files, path).items():
            said[index] = said.get(index, {}) | dict((lines or {})[name])
    shots = [_shot(photo, read, said.get(i, {})) for i, (photo, read) in enumerate(listed)]
    shots.sort(key=lambda shot: shot.when)
    kept, again = _split(shots)
    cuttings = [cutting for photo, _ in listed for cutting in photo.cuttings]
    return Gathered(
        tuple(kept),
        tuple(again),
        n_twice,
        sum(len(read.skipped) for read in results),
        tuple(sorted({cutting.targets for cutting in cuttings if cutting.targets})),
    )


def _shot(photo: ReadPhoto, read: ReadResults, said: Mapping[str, str]) -> Shot:
    known = {key: value.strip() for key, value in {**photo.batch, **said}.items() if value.strip()}
    day = known.get("day", photo.taken_at[:10])
    return Shot(
        photo=photo,
        results=read.path,
        cutter=known.get("cutter", NOBODY),
        donor=known.get("donor", ""),
        day=day,
        when=f"{day} {photo.taken_at} {photo.file}",
        tray=known.get("tray", photo.sha256),
        mat=known.get("mat", photo.mat_id),
        repeat=known.get("repeat", ""),
        person=known.get("person", ""),
        scale_sigma=photo.scale_sigma if math.isfinite(photo.scale_sigma) else USUAL_SCALE_SIGMA,
    )


def _split(shots: Sequence[Shot]) -> tuple[list[Shot], list[Shot]]:
    """Return the photos to audit, and the repeats; a tray photographed again counts once."""
    kept: list[Shot] = []
    again: list[Shot] = []
    seen: set[str] = set()
    for shot in shots:
        if shot.repeat:
            again.append(shot)
            if shot.tray in seen:
                continue
            seen.add(shot.tray)
        kept.append(shot)
    return kept, again


def samples_of(shots: Sequence[Shot]) -> list[Sample]:
    """Return every cutting of the photos."""
    return [Sample(shot, cutting) for shot in shots for cutting in shot.photo.cuttings]


def grouped(samples: Sequence[Sample], key: Callable[[Sample], str]) -> dict[str, list[Sample]]:
    """Return the cuttings by a key, in the order of its first one."""
    groups: dict[str, list[Sample]] = {}
    for sample in samples:
        groups.setdefault(key(sample), []).append(sample)
    return groups


def trays_of(samples: Sequence[Sample], trait: str) -> list[NDArray[np.float64]]:
    """Return the finite values of a trait, one array a tray, in order of time; trays without one left out."""
    groups = grouped(samples, lambda sample: sample.shot.tray)
    arrays = [np.array([s.value(trait) for s in group], dtype=np.float64) for group in groups.values()]
    finite = [values[np.isfinite(values)] for values in arrays]
    return [values for values in finite if len(values)]
