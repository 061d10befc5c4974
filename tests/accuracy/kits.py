"""How each set of photos is given to the program: which mat, which print scale, which targets."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from calib.design import MatLayout, load_layout
from grader.records import PhotoResult
from grader.verdict import Targets
from tests.accuracy.truth import PhotoTruth

LAYOUT_NAME = "layout.json"
TYPED_SCALE_SIGMA = 0.001
"""A check bar of 150 mm read to 0.15 mm."""


def layouts_for(folder: Path) -> tuple[MatLayout, ...]:
    """Return the foreign board of a folder: ``layout.json`` in it or beside it; empty for our own mats."""
    for place in (folder, folder.parent):
        if (place / LAYOUT_NAME).is_file():
            return (load_layout(place / LAYOUT_NAME),)
    return ()


@dataclass(frozen=True, slots=True)
class Measurer:
    """Runs the program on one photo, told what a person would tell it; never the rest of the truth."""

    targets: Targets

    def measure(self, truth: PhotoTruth, folder: Path) -> PhotoResult:
        """Return the program's result; the print scale is given, as by a typed check bar."""
        # Imported here: the tables and their tests do not need the stages.
        from grader.pipeline import Kit, grade_photo

        kit = Kit(
            targets=self.targets,
            layouts=layouts_for(folder),
            print_scale=truth.print_scale,
            print_scale_sigma=TYPED_SCALE_SIGMA,
            print_scale_source="check bar typed",
        )
        return grade_photo(truth.photo, kit)
