"""The whole program on one screen: one photo through the stages, in order.

Only this module imports stages.  It imports them when they run, so that ``grader --help`` is quick.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from calib.design import MatLayout
from grader.errors import PhotoProblem
from grader.records import (
    Cutting,
    CuttingShape,
    FlatView,
    GradedPhoto,
    MatPose,
    Photo,
    PhotoResult,
    SetAside,
    Silhouette,
    SilhouetteKind,
    SkippedPhoto,
)
from grader.verdict.targets import Targets

if TYPE_CHECKING:
    from grader.write.debug import StagePictures

STAGES = ("capture", "locate", "outline", "shape", "traits", "verdict", "write")
"""Folders of the stages; the alphabet is the flow."""
ASSUMED_SCALE_SIGMA = 0.003
"""Relative: common printers come out within 0.3 % at "100 %"; common practice, no source."""
TYPED_SCALE_SIGMA = 0.001
"""Relative: a check bar of 150 mm read to 0.15 mm."""


@dataclass(frozen=True, slots=True)
class Kit:
    """Everything a run depends on: built once, passed on, never global."""

    targets: Targets
    layouts: tuple[MatLayout, ...] = ()
    """Foreign boards; empty for our own mats, which tell their size themselves."""
    print_scale: float | None = None
    """True mm per drawn mm, of whatever mat is found; None: take ``known_scales``."""
    print_scale_sigma: float = TYPED_SCALE_SIGMA
    print_scale_source: str = "check bar typed"
    known_scales: Mapping[str, float] = field(default_factory=dict)
    """Mat id -> true mm per drawn mm, from check bars measured earlier."""
    debug_dir: Path | None = None
    """With it each stage leaves a picture there."""


def grade_photo(
    path: Path | str, kit: Kit | None = None, batch: Mapping[str, str] | None = None
) -> PhotoResult:
    """Return the graded photo, or why it was skipped.

    Nothing is written, and nothing that the command remembers is used.

    Parameters
    ----------
    path : Path or str
        The photo.
    kit : Kit, optional
        Targets, mat, print scale; the shipped default targets and an unchecked print scale unless given.
    batch : mapping, optional
        Cutter, donor plant, species: written to every result.

    Returns
    -------
    GradedPhoto or SkippedPhoto
        A photo that cannot be used is an answer, with ``reason``, ``message`` and ``advice``, no exception.

    Examples
    --------
    >>> result = grade_photo("no such photo.jpg")
    >>> type(result).__name__, result.reason
    ('SkippedPhoto', 'not found')
    """
    return grade_photo_and_picture(path, kit or _default_kit(), batch)[0]


def _default_kit() -> Kit:
    from grader.verdict import load_targets

    return Kit(load_targets())


def grade_photo_and_picture(
    path: Path | str, kit: Kit, batch: Mapping[str, str] | None = None
) -> tuple[PhotoResult, Photo | None]:
    """Return the result and, for drawing on it, the photo; None if the file could not be read."""
    from grader.capture import check_exposure, check_photo, read_photo
    from grader.locate import flatten
    from grader.outline import find_silhouettes

    path, photo = Path(path), None
    pictures = _stage_pictures(path, kit)
    try:
        photo = read_photo(path)
        if pictures:
            pictures.capture(photo)
        check_exposure(photo)
        pose = located(photo, kit)
        notes = check_photo(photo, pose)
        view = flatten(photo, pose)
        if pictures:
            pictures.locate(pose, view)
        silhouettes = find_silhouettes(view, pose)
        if pictures:
            pictures.outline(silhouettes)
        shapes = _traced(silhouettes, view, photo, pose)
        if pictures:
            pictures.shape(shapes)
        cuttings = _graded(silhouettes, shapes, pose, kit.targets)
    except PhotoProblem as problem:
        return SkippedPhoto(path, problem.reason, problem.message, problem.advice), photo
    result = GradedPhoto(
        path=path,
        sha256=photo.sha256,
        taken_at=photo.taken_at,
        camera=photo.camera,
        image_size_px=(photo.rgb.shape[1], photo.rgb.shape[0]),
        pose=pose,
        cuttings=cuttings,
        set_aside=tuple(shape for shape in shapes if isinstance(shape, SetAside)),
        warnings=(*photo.warnings, *pose.warnings, *notes, *view.warnings, *_fit(cuttings, kit.targets)),
        batch=dict(batch or {}),
    )
    return result, photo


def _fit(cuttings: Sequence[Cutting], targets: Targets) -> tuple[str, ...]:
    """Return a note if another target set may fit this tray better."""
    from grader.verdict import note_on_targets, shipped_targets

    grades, traits = [c.grade for c in cuttings], [c.traits for c in cuttings]
    note = note_on_targets(grades, traits, targets, shipped_targets())
    return (note,) if note else ()


def _stage_pictures(path: Path, kit: Kit) -> StagePictures | None:
    if kit.debug_dir is None:
        return None
    from grader.write.debug import StagePictures

    return StagePictures(kit.debug_dir, path)


def located(photo: Photo, kit: Kit) -> MatPose:
    """Return the pose in true mm: the print scale is assumed, by the check bar, or by a card on the mat.

    Raises
    ------
    PhotoProblem
        If the mat cannot be found or measured.
    """
    from grader.capture import check_blur
    from grader.locate import find_mat, pose_at_scale, scaled_by_card

    try:
        pose = find_mat(photo, kit.layouts, 1.0, ASSUMED_SCALE_SIGMA, "assumed")
    except PhotoProblem as problem:
        if problem.reason == "no mat":
            check_blur(photo)
        raise
    # A scale remembered for the mat is known only once the mat is.
    known = kit.known_scales.get(pose.mat_id) if kit.print_scale is None else kit.print_scale
    if known is not None:
        pose = pose_at_scale(pose, known, kit.print_scale_sigma, kit.print_scale_source)
    return scaled_by_card(photo, pose)


def _traced(
    silhouettes: Sequence[Silhouette], view: FlatView, photo: Photo, pose: MatPose
) -> list[CuttingShape | SetAside]:
    """Return the shapes of cuttings; anything else on the mat is set aside with its reason."""
    from grader.shape import trace_cuttings

    cuttings = [one for one in silhouettes if one.kind is SilhouetteKind.CUTTING]
    shapes = iter(trace_cuttings(cuttings, view, photo, pose))
    return [
        next(shapes)
        if one.kind is SilhouetteKind.CUTTING
        else SetAside(one.kind, one.reason, one.outline_mm, one.area_mm2)
        for one in silhouettes
    ]


def _graded(
    silhouettes: Sequence[Silhouette],
    shapes: Sequence[CuttingShape | SetAside],
    pose: MatPose,
    targets: Targets,
) -> tuple[Cutting, ...]:
    """Return the cuttings, numbered in reading order."""
    from grader.traits.measure import measure_traits
    from grader.verdict import grade_cutting

    cuttings: list[Cutting] = []
    for silhouette, shape in zip(silhouettes, shapes, strict=True):
        if isinstance(shape, SetAside):
            continue
        traits = measure_traits(shape, pose)
        middle_mm = silhouette.outline_mm.mean(axis=0)
        cuttings.append(
            Cutting(
                number=len(cuttings) + 1,
                cell=pose.cell_of(float(middle_mm[0]), float(middle_mm[1])),
                outline_mm=silhouette.outline_mm,
                shape=shape,
                traits=traits,
                grade=grade_cutting(traits, targets, shape, silhouette.outline_mm),
            )
        )
    return tuple(cuttings)
