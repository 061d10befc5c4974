"""One photo: truth against what the program says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.records import Cutting, GradedPhoto, Measured, PhotoResult, SilhouetteKind, SkippedPhoto
from grader.traits.catalogue import TRAITS, is_absent
from grader.verdict import Targets
from tests.accuracy.goals import RELATIVE
from tests.accuracy.grades import GradePair, grade_pair, regraded
from tests.accuracy.match import MIN_SHARE_FOUND, Matching, match
from tests.accuracy.places import place_readings
from tests.accuracy.reading import Reading
from tests.accuracy.truth import CuttingTruth, PhotoTruth

CROOK_PLACE_MIN_DEG = 10.0
"""Where a bend is says something only when there is one."""
LAY_EDGE_MM = 0.5
"""What is seen nearer than this to the edge of the lay area touches it: print begins this far outside."""
GRID_STEP_MM = 5.0
"""Positions on the mat are compared on such a grid over the lay area."""


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Everything that is right and wrong about one photo; ids are the truth's, numbers the program's."""

    photo: str
    stress: tuple[str, ...]
    is_lowres: bool
    n_true: int
    skipped: str = ""
    """Why the photo was not used; all its cuttings then count as missed."""
    pairs: tuple[tuple[int, int], ...] = ()
    """(id, number)."""
    missed: tuple[int, ...] = ()
    invented: tuple[int, ...] = ()
    """Numbers of graded things that are no cutting, or a second piece of one."""
    merged: tuple[int, ...] = ()
    """Numbers of graded things that hold two cuttings or more."""
    reported: tuple[int, ...] = ()
    """Set aside, and rightly: the truth touches, overlaps or leaves the picture."""
    set_aside_wrongly: tuple[int, ...] = ()
    wrong_end: tuple[int, ...] = ()
    readings: tuple[Reading, ...] = ()
    places: tuple[Reading, ...] = ()
    """Errors of ends and axis, see places.py; only where the base is at the right end."""
    curl_true_mm: float = 0.0
    curl_found_mm: float = math.nan
    grades: tuple[GradePair, ...] = ()
    other_grades: tuple[GradePair, ...] = ()
    """The same measurements under other targets."""
    position_error_mm: NDArray[np.float64] | None = None
    """(N,) over the lay area; None on curled paper, where the flat truth does not hold."""
    position_sigma_mm: float = math.nan


def compare(
    truth: PhotoTruth, graded: PhotoResult, targets: Targets, others: Sequence[Targets] = ()
) -> Comparison:
    """Return where a result differs from the truth.

    Parameters
    ----------
    truth, graded : what is, and what the program says
    targets : Targets
        Those that the result was graded by.
    others : sequence of Targets
        The same measurements are graded by these too: most cuttings of a tray lie far from the limits
        of any one file.
    """
    if isinstance(graded, SkippedPhoto):
        return Comparison(
            photo=truth.name,
            stress=truth.stress,
            is_lowres=truth.is_lowres,
            n_true=len(truth.cuttings),
            skipped=f"{graded.reason}: {graded.message}",
            missed=tuple(cutting.id for cutting in truth.cuttings),
        )
    matching = match(truth, [cutting.outline_mm for cutting in graded.cuttings])
    reported, wrongly, missed = _without_grade(truth, graded, matching)
    pairs = [(truth.cuttings[i], graded.cuttings[j]) for i, j in matching.pairs]
    wrong_end = tuple(true.id for true, found in pairs if is_wrong_end(true, found))
    return Comparison(
        photo=truth.name,
        stress=truth.stress,
        is_lowres=truth.is_lowres,
        n_true=len(truth.cuttings),
        pairs=tuple((true.id, found.number) for true, found in pairs),
        missed=missed,
        invented=tuple(graded.cuttings[i].number for i in matching.unmatched_found()),
        merged=tuple(graded.cuttings[i].number for i in matching.merged()),
        reported=reported,
        set_aside_wrongly=wrongly,
        wrong_end=wrong_end,
        readings=tuple(reading for true, found in pairs for reading in readings_of(truth.name, true, found)),
        places=tuple(
            reading
            for true, found in pairs
            if true.id not in wrong_end
            for reading in place_readings(truth.name, true, found)
        ),
        curl_true_mm=truth.curl_mm,
        curl_found_mm=graded.pose.curl_mm,
        grades=tuple(grade_pair(truth.name, true, found, targets, found.grade) for true, found in pairs),
        other_grades=tuple(
            regraded(truth.name, true, found, other) for other in others for true, found in pairs
        ),
        position_error_mm=position_error_mm(truth, graded),
        position_sigma_mm=graded.pose.position_sigma_mm,
    )


def _without_grade(
    truth: PhotoTruth, graded: GradedPhoto, matching: Matching
) -> tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]:
    """Return ids rightly set aside, wrongly set aside, and missed."""
    aside = match_any(truth, graded)
    right, wrong, missed = [], [], []
    for index, cutting in enumerate(truth.cuttings):
        if matching.found_of(index) is not None:
            continue
        kinds = aside[index]
        if not kinds:
            missed.append(cutting.id)
        elif not cutting.is_alone or (SilhouetteKind.OUTSIDE in kinds and _leaves(truth, cutting, graded)):
            right.append(cutting.id)
        else:
            wrong.append(cutting.id)
    return tuple(right), tuple(wrong), tuple(missed)


def _leaves(truth: PhotoTruth, cutting: CuttingTruth, graded: GradedPhoto) -> bool:
    """Return whether a cutting leaves the picture or the lay area, or touches its edge."""
    return not cutting.is_inside or truth.clearance_mm(cutting, graded.pose.lay_area_mm) < LAY_EDGE_MM


def match_any(truth: PhotoTruth, graded: GradedPhoto) -> list[set[SilhouetteKind]]:
    """Return for each true cutting the kinds of the set-aside outlines that hold it."""
    share = match(truth, [item.outline_mm for item in graded.set_aside]).share
    return [{graded.set_aside[int(j)].kind for j in np.flatnonzero(row >= MIN_SHARE_FOUND)} for row in share]


def is_wrong_end(true: CuttingTruth, found: Cutting) -> bool:
    """Return whether the found base lies nearer to the true tip than to the true base."""
    base = np.asarray(found.shape.axis_mm[0])
    return bool(np.hypot(*(base - true.tip_mm)) < np.hypot(*(base - true.base_mm)))


def readings_of(photo: str, true: CuttingTruth, found: Cutting) -> list[Reading]:
    """Return every measurement of a cutting for which there is a true value."""
    readings = []
    for trait in TRAITS:
        value = true.values.get(trait, math.nan)
        if math.isnan(value) or not _counts(trait, true):
            continue
        measured = found.traits.get(trait, Measured(math.nan, math.nan))
        none = is_absent(measured)
        readings.append(
            Reading(photo, true.id, found.number, trait, value, measured.value, measured.sigma, none)
        )
    return readings


def _counts(trait: str, true: CuttingTruth) -> bool:
    if trait == "base_diameter_mm":
        return true.is_base_clear
    if trait == "crook_at_mm":
        return true.values["crook_deg"] >= CROOK_PLACE_MIN_DEG
    return not (trait in RELATIVE and true.values[trait] <= 0.0)


def position_error_mm(truth: PhotoTruth, graded: GradedPhoto) -> NDArray[np.float64] | None:
    """Return by how much positions in the lay area are wrong, (N,) mm; None on curled paper."""
    if truth.curl_mm > 0.0:
        return None
    left, top, right, bottom = graded.pose.lay_area_mm
    grid = np.stack(
        np.meshgrid(np.arange(left, right, GRID_STEP_MM), np.arange(top, bottom, GRID_STEP_MM)), axis=-1
    ).reshape(-1, 2)
    seen_px = truth.px_from_mat(grid)
    width, height = truth.camera.size_px
    inside = ((seen_px >= 0.0) & (seen_px <= [width - 1.0, height - 1.0])).all(axis=1)
    found = graded.pose.plane.mm_from_px(seen_px[inside])
    return np.asarray(np.hypot(*(found - grid[inside]).T))
