"""One photo -> its figures, or why it cannot be measured."""

from __future__ import annotations

from pathlib import Path

from grader.capture import check_exposure, check_photo, read_photo
from grader.capture.checks import edge_width_mm
from grader.check.expected import expected_for
from grader.check.figures import CheckResult, NotChecked, PhotoCheck
from grader.check.improve import improvement
from grader.check.light import light_on
from grader.errors import PhotoProblem
from grader.pipeline import Kit, located


def check_one(path: Path, kit: Kit) -> CheckResult:
    """Return how well a photo measures; never raises for a photo, so that the others are checked too."""
    try:
        photo = read_photo(path)
        check_exposure(photo)
        pose = located(photo, kit)
        width_mm, light = edge_width_mm(photo, pose), light_on(photo, pose)
        notes = check_photo(photo, pose)
    except PhotoProblem as problem:
        return NotChecked(path, problem.reason, problem.message, problem.advice)
    except Exception as problem:
        # A slip of this program on one photo must not cost the others.
        return NotChecked(
            path,
            "program error",
            f"the program failed on this photo ({type(problem).__name__}: {problem})",
            "keep the photo and send it to the makers with this message; the other photos are not affected",
        )
    return PhotoCheck(
        path=path,
        pose=pose,
        edge_width_mm=width_mm,
        light=light,
        expected=expected_for(pose),
        improvement=improvement(pose, width_mm, light),
        warnings=(*photo.warnings, *pose.warnings, *notes),
    )
