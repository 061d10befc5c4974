"""CuttingShape -> traits, each by its definition in :mod:`grader.traits.catalogue`."""

from __future__ import annotations

import math

import numpy as np

from calib.frames import Points
from grader.records import CuttingShape, MatPose, Measured, Traits, Values
from grader.traits.catalogue import does_not_exist, not_measurable

CHORD_MM = 12.0
"""Crook compares the chords of two neighbouring lengths of this size (definition)."""
TIP_MM = 20.0
"""The last stretch is limp growth and does not count for crook (definition)."""
CROOK_STEP_MM = 0.5
CRUSHED_MM, BASE_UNTIL_MM = 3.0, 10.0
"""The base diameter is the mean width between these (definition)."""
LEAST_BASE_STRETCH_MM = 1.5
"""Shorter measurable stretches say too little."""
LONGEST_HEEL_MM = 9.0
"""What looks like a longer heel is not told clearly from the stem (true heels rendered: up to 8 mm)."""
HEEL_SLACK_MM, HEEL_PERCENTILE, HEEL_DIAMETER_SIGMA_MM = 6.0, 40.0, 0.2
"""A heel's end is found a few mm off: so much further up is looked, the thinner widths count, and the
diameter is less certain (chosen on two demo cuttings; to be checked on more)."""
WIDTH_SCATTER_LENGTH_MM = 2.0
"""Bark bumps are alike over about this length: so many independent widths are averaged."""
SWEEP_SHARE = 1.25
"""The largest of many distances that are wrong together over a stretch (intervals checked on the
independent trays)."""
BENDS_SIGMA = 0.002
"""Relative: small bends of the axis that are smoothed away shorten it, jitter makes it longer."""
TIPS_SIGMA = 2.0
"""Counts of tips are off by so much: side shoots that overlap are seen as one, leaves as several."""


def measure_traits(shape: CuttingShape, pose: MatPose) -> Traits:
    """Return all measurements of one cutting with their standard uncertainties.

    Parameters
    ----------
    shape : CuttingShape
    pose : MatPose
        Gives the uncertainty of the printed scale and of positions.
    """
    scale = pose.scale_sigma
    total = float(shape.arc_mm[-1])
    ends = _ends_sigma_mm(pose, shape.tip_sigma_mm, shape.base_sigma_mm)
    chord = shape.axis_mm[-1] - shape.axis_mm[0]
    straight = float(np.hypot(*chord))
    traits: dict[str, Measured] = {
        "total_length_mm": Measured(
            total, length_sigma_mm(pose, total, shape.tip_sigma_mm, shape.base_sigma_mm)
        ),
        "straight_length_mm": Measured(straight, math.hypot(ends, scale * straight)),
        "stripped_length_mm": _stripped(shape, scale),
        "base_diameter_mm": base_diameter(shape),
        "foliage_area_mm2": Measured(
            shape.foliage_area_mm2,
            math.hypot(shape.foliage_area_sigma_mm2, 2 * scale * shape.foliage_area_mm2),
        ),
        "sweep_ratio": _sweep(shape, straight),
        "tips_count": Measured(1.0 + len(shape.side_tips_mm), TIPS_SIGMA),
        "browned_share": Measured(shape.browned_share, shape.browned_share_sigma),
        "strays_count": Measured(float(len(shape.strays_mm)), 0.5),
    }
    traits["crook_deg"], traits["crook_at_mm"] = crook(shape)
    if shape.heel is None:
        traits["heel_length_mm"] = Measured(0.0, 0.3)
        traits["heel_width_mm"] = does_not_exist("there is no heel")
    else:
        traits["heel_length_mm"] = Measured(shape.heel.length_mm, 0.8)
        traits["heel_width_mm"] = Measured(shape.heel.width_mm, 0.25)
    return traits


def length_sigma_mm(pose: MatPose, length_mm: float, tip_sigma_mm: float, base_sigma_mm: float) -> float:
    """Return the standard uncertainty of a length along the axis: its ends, scale and bends."""
    ends = _ends_sigma_mm(pose, tip_sigma_mm, base_sigma_mm)
    return math.hypot(ends, pose.scale_sigma * length_mm, BENDS_SIGMA * length_mm)


def _ends_sigma_mm(pose: MatPose, tip_sigma_mm: float, base_sigma_mm: float) -> float:
    return math.hypot(tip_sigma_mm, base_sigma_mm, pose.position_sigma_mm * 1.4)


def _stripped(shape: CuttingShape, scale_sigma: float) -> Measured:
    if not math.isfinite(shape.foliage_from_mm):
        return not_measurable("no foliage is seen to begin anywhere")
    value = shape.foliage_from_mm
    return Measured(value, math.hypot(shape.foliage_from_sigma_mm, shape.base_sigma_mm, scale_sigma * value))


def base_diameter(shape: CuttingShape) -> Measured:
    """Return the mean width between 3 and 10 mm above the cut face, or above the heel."""
    start = shape.heel.length_mm if shape.heel is not None else 0.0
    bare_mm = shape.foliage_from_mm if math.isfinite(shape.foliage_from_mm) else math.inf
    if start > LONGEST_HEEL_MM:
        return not_measurable("the heel is not told clearly from the stem: measure the base diameter by hand")
    slack = HEEL_SLACK_MM if shape.heel is not None else 0.0
    low, high = start + CRUSHED_MM, min(start + BASE_UNTIL_MM + slack, bare_mm)
    inside = (shape.arc_mm >= low) & (shape.arc_mm <= high) & np.isfinite(shape.width_mm)
    if high - low < LEAST_BASE_STRETCH_MM or inside.sum() < 3:
        return not_measurable("foliage hides the stretch where the base diameter is measured")
    widths = np.sort(shape.width_mm[inside])
    if shape.heel is not None:
        # Where a heel ends is known to a few mm only; the stem is what is thinnest above it.
        return Measured(
            float(np.percentile(widths, HEEL_PERCENTILE)),
            math.hypot(shape.base_width_sigma_mm, HEEL_DIAMETER_SIGMA_MM),
        )
    cut = len(widths) // 10  # a stub at one place makes one or two widths too large
    kept = widths[cut : len(widths) - cut] if cut else widths
    independent = max(1.0, (high - low) / WIDTH_SCATTER_LENGTH_MM)
    scatter = float(np.std(kept)) / math.sqrt(independent)
    short = 0.1 if high - low < 3.0 else 0.0
    return Measured(float(np.mean(kept)), math.hypot(shape.base_width_sigma_mm, scatter, short))


def crook(shape: CuttingShape) -> tuple[Measured, Measured]:
    """Return the largest angle between neighbouring 12 mm chords, deg, and its distance from the base."""
    start = shape.heel.length_mm if shape.heel is not None else 0.0
    end = float(shape.arc_mm[-1]) - TIP_MM
    if end - start < 2 * CHORD_MM:
        note = "too short for two lengths of 12 mm above the heel and below the last 20 mm"
        return does_not_exist(note), does_not_exist(note)
    middles = np.arange(start + CHORD_MM, end - CHORD_MM + 1e-9, CROOK_STEP_MM)
    before = _at(shape, middles) - _at(shape, middles - CHORD_MM)
    after = _at(shape, middles + CHORD_MM) - _at(shape, middles)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    angles = np.degrees(np.abs(np.arctan2(cross, np.sum(before * after, axis=1))))
    worst = int(angles.argmax())
    reach = (shape.arc_mm >= middles[worst] - CHORD_MM) & (shape.arc_mm <= middles[worst] + CHORD_MM)
    across = float(np.median(shape.axis_sigma_mm[reach]))
    # The angle is the second difference of three positions over one chord: variance 1 + 4 + 1.
    sigma = math.degrees(math.sqrt(6) * across / CHORD_MM)
    return Measured(float(angles[worst]), sigma), Measured(float(middles[worst]), 3.0)


def _sweep(shape: CuttingShape, straight_mm: float) -> Measured:
    if straight_mm <= 0:
        return not_measurable("base and tip are at one place")
    along = (shape.axis_mm[-1] - shape.axis_mm[0]) / straight_mm
    rest = shape.axis_mm - shape.axis_mm[0]
    away = np.abs(rest[:, 0] * along[1] - rest[:, 1] * along[0])
    sigma = math.hypot(float(np.median(shape.axis_sigma_mm)), 0.5 * shape.tip_sigma_mm) * SWEEP_SHARE
    return Measured(float(away.max()) / straight_mm, sigma / straight_mm)


def _at(shape: CuttingShape, arc_mm: Values) -> Points:
    return np.stack([np.interp(arc_mm, shape.arc_mm, shape.axis_mm[:, k]) for k in (0, 1)], axis=1)
