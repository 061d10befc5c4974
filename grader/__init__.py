"""Grade a tray of plant cuttings from one photo on a printed mat.

The flow, top to bottom as in the folder listing::

    capture/   photo file          -> Photo
    locate/    Photo               -> MatPose, FlatView
    outline/   FlatView            -> Silhouette ...
    shape/     Silhouette          -> CuttingShape
    traits/    CuttingShape        -> Traits
    verdict/   Traits + targets    -> Grade
    write/     GradedPhoto         -> pictures, JSON, CSV, terminal
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from grader.pipeline import Kit, grade_photo
    from grader.verdict import load_targets

__all__ = ["Kit", "grade_photo", "load_targets"]


def __getattr__(name: str) -> Any:
    """Load public names when they are first used: the command must start at once."""
    if name in ("Kit", "grade_photo"):
        from grader import pipeline

        return getattr(pipeline, name)
    if name == "load_targets":
        from grader.verdict import load_targets

        return load_targets
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
