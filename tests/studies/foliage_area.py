"""Fit how areas of foliage depend on the slant of the view (``grader/shape/trace.py``).

Run by hand on folders of NAME.jpg + NAME.truth.json::

    python -m tests.studies.foliage_area TRAYS/a TRAYS/b renders/dev --leave-out print097_card

Foliage stands above the paper, so it looks larger, by a height that is held at its constant; over the
distances from which trays are photographed height and bias can hardly be told apart.  Seen at an angle
a against the vertical it shows its flanks as well: the area grows by a share of 1/cos(a) - 1.  That
share and the bias are fitted to the logarithms of found over true areas, with Huber's loss, since
leaves that belong to a neighbour are no matter of slant.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import least_squares

from grader.shape.foliage import foliage_area_mm2
from grader.shape.trace import ShapeSettings
from tests.studies.known_photos import known_photos, photo_paths
from tests.studies.known_stems import KnownStem, known_stems

LEAST_MM2 = 50.0
"""Smaller areas are mostly edge."""
USUAL_SCATTER = 0.03
"""Relative; beyond it a residual counts linearly (Huber)."""
MAD_TO_SIGMA = 1.4826
"""Of a normal distribution."""


@dataclass(frozen=True, slots=True)
class SeenFoliage:
    """One cutting."""

    place: str
    found_mm2: float
    """As covered on the plane of the mat."""
    true_mm2: float
    slant: float
    """1/cos(a) - 1 at two thirds of the axis."""
    eye_mm: float


def seen_foliage(stem: KnownStem) -> SeenFoliage:
    """Return what is needed of one cutting."""
    foot_x, foot_y, eye = stem.eye_mm
    marks = stem.fields.marks
    middle = stem.line_mm[2 * len(stem.line_mm) // 3]
    slant = float(np.hypot(np.hypot(middle[0] - foot_x, middle[1] - foot_y), eye)) / eye - 1
    return SeenFoliage(
        stem.place,
        foliage_area_mm2(marks.foliage, marks.plant, stem.fields.coverage, stem.fields.cell_mm),
        float(stem.truth["foliage_area_mm2"]),
        slant,
        eye,
    )


def fitted(rows: list[SeenFoliage], height_mm: float) -> tuple[float, float, np.ndarray]:
    """Return foliage_bias, foliage_slant_share and the residuals (K,), relative."""
    ratio = np.array([row.found_mm2 / row.true_mm2 * (1 - height_mm / row.eye_mm) ** 2 for row in rows])
    slant = np.array([row.slant for row in rows])

    def residuals(constants: np.ndarray) -> np.ndarray:
        bias, share = constants
        return np.log(ratio * (1 + bias) / (1 + share * slant))

    result = least_squares(residuals, [0.0, 0.0], loss="huber", f_scale=USUAL_SCATTER)
    bias, share = result.x
    return float(bias), float(share), residuals(result.x)


def main() -> None:
    """Fit and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", nargs="+", type=Path, help="photos, or folders of them, with truth")
    parser.add_argument("--leave-out", nargs="*", default=[], metavar="STEM", help="photos not to learn from")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    paths = photo_paths(options.photos, frozenset(options.leave_out))
    rows = [seen_foliage(stem) for known in known_photos(paths) for stem in known_stems(known)]
    rows = [row for row in rows if min(row.found_mm2, row.true_mm2) > LEAST_MM2]
    if len(rows) < 3:
        parser.error("fewer than three cuttings with foliage: nothing to fit")
    settings = ShapeSettings()
    bias, share, left = fitted(rows, settings.foliage_height_mm)
    scatter = MAD_TO_SIGMA * np.median(np.abs(left - np.median(left)))
    print(f"{len(rows)} cuttings, height {settings.foliage_height_mm} mm, as in trace.py")
    print(f"foliage_bias = {bias:.3f} (in use {settings.foliage_bias})")
    print(f"foliage_slant_share = {share:.3f} (in use {settings.foliage_slant_share})")
    print(f"scatter {100 * scatter:.1f} %, root mean square {100 * np.sqrt(np.mean(left**2)):.1f} %")


if __name__ == "__main__":
    main()
