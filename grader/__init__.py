"""Grade a tray of plant cuttings from one photo on a printed mat.

The flow, top to bottom as in the folder listing::

    capture/   photo file          -> Photo
    locate/    Photo               -> MatPose, FlatView
    outline/   FlatView            -> Silhouette ...
    shape/     Silhouette          -> CuttingShape
    traits/    CuttingShape        -> Traits
    verdict/   Traits + targets    -> Grade
    write/     GradedPhoto         -> pictures, JSON, CSV, terminal

From Python::

    from grader import GradedPhoto, grade_photo

    result = grade_photo("tray.jpg")
    if isinstance(result, GradedPhoto):
        for cutting in result.cuttings:
            length = cutting.traits["total_length_mm"]
            print(cutting.number, cutting.grade.grade, length.value, length.sigma)
    else:
        print(result.message, result.advice)

Names in ``__all__`` stay; all others may change.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from grader.pipeline import Kit, grade_photo
    from grader.records import Cutting, GradedPhoto, Measured, SkippedPhoto
    from grader.verdict import load_targets

__all__ = [
    "Cutting",
    "GradedPhoto",
    "Kit",
    "Measured",
    "SkippedPhoto",
    "grade_photo",
    "load_targets",
]

_HOMES = {
    "Cutting": "grader.records",
    "GradedPhoto": "grader.records",
    "Kit": "grader.pipeline",
    "Measured": "grader.records",
    "SkippedPhoto": "grader.records",
    "grade_photo": "grader.pipeline",
    "load_targets": "grader.verdict",
}
"""Public name -> the module it comes from."""


def __getattr__(name: str) -> Any:
    """Load public names when they are first used: the command must start at once."""
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
