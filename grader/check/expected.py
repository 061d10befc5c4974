"""What uncertainty the stages would state for a usual cutting on this photo: their own formulae."""

from __future__ import annotations

import numpy as np

from grader.check.figures import Expected
from grader.records import MatPose
from grader.shape.leader import CLEAR_SPREAD_MM
from grader.shape.trace import ShapeSettings, tip_sigma_mm
from grader.shape.width import common_sigma_mm
from grader.traits.measure import length_sigma_mm

USUAL_LENGTH_MM, USUAL_DIAMETER_MM = 100.0, 2.5
"""A cutting of the trade's middle size; common practice, no source."""


def expected_for(pose: MatPose) -> Expected:
    """Return the uncertainties for a cutting of usual size, clearly seen, its tip anywhere in the lay area.

    Bark, foliage, needles and shadows of the cutting itself come on top.
    """
    settings = ShapeSettings()
    tip = tip_sigma_mm(CLEAR_SPREAD_MM, USUAL_LENGTH_MM, _mean_slant(pose), settings)
    return Expected(
        length_mm=USUAL_LENGTH_MM,
        length_sigma_mm=length_sigma_mm(pose, USUAL_LENGTH_MM, tip, settings.least_base_sigma_mm),
        diameter_mm=USUAL_DIAMETER_MM,
        diameter_sigma_mm=common_sigma_mm(pose, USUAL_DIAMETER_MM, settings.width),
    )


def _mean_slant(pose: MatPose) -> float:
    """Return the mean distance of the lay area from the foot of the camera, over the camera's height."""
    left, top, right, bottom = pose.lay_area_mm
    x, y = np.meshgrid(np.linspace(left, right, 9), np.linspace(top, bottom, 7))
    foot_x, foot_y, height = pose.plane.eye_mm
    return float(np.hypot(x - foot_x, y - foot_y).mean()) / height
