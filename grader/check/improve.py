"""The one thing that would improve a photo most."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from grader.capture.checks import BLUR_SAID_MM, BURNT_SHARE_SAID, DIM_PAPER
from grader.check.expected import expected_for
from grader.check.figures import Light
from grader.flat import LIN_FROM_SRGB8
from grader.locate.pose import PoseSettings
from grader.locate.scale import ASSUMED, DISAGREE
from grader.records import MatPose

LEAST_MARKS_SHARE = 0.6
"""With fewer of its marks the mat is held by one side only."""
LEAST_EVENNESS = 0.4
"""Darkest over brightest paper: below, shadows of things or a lamp close by."""
MOST_CAST = 0.45
"""Share by which paper is redder or bluer than green: a warm bulb; brown foliage is told less surely."""
GOOD_PX_PER_MM = 12.0
"""What 12 megapixels give on A4: nearer than this brings little."""
CHECKED_SCALE_SIGMA = 0.001
"""Of a check bar of 150 mm read to 0.15 mm, or a card on the mat."""
LEAST_GAIN = 1.05
"""An uncertainty must shrink by this factor to be worth the trouble."""


@dataclass(frozen=True, slots=True)
class Remedy:
    """Something to do, and how far off what it cures is: 1 is the limit of what is good."""

    severity: float
    words: str


def improvement(pose: MatPose, edge_width_mm: float, light: Light) -> str:
    """Return the sentence on what would improve this photo most."""
    if any(words.startswith(DISAGREE) for words in pose.warnings):
        return "measure the check bar of this print again: it and the card on the mat disagree"
    worst = max(remedies(pose, edge_width_mm, light), key=lambda remedy: remedy.severity)
    if worst.severity > 1.0:
        return worst.words
    gain, words = max(gains(pose), key=lambda each: each[0])
    if gain > LEAST_GAIN:
        return words
    return "nothing; this photo measures as well as the program can"


def remedies(pose: MatPose, edge_width_mm: float, light: Light) -> tuple[Remedy, ...]:
    """Return everything that may be wrong with a photo, with how wrong it is."""
    good = PoseSettings()
    marks = pose.n_fiducials / max(1, pose.n_fiducials_expected)
    dim = float(LIN_FROM_SRGB8[DIM_PAPER])
    cast = max(abs(light.red_cast), abs(light.blue_cast))
    told = (
        (
            good.good_px_per_mm / pose.px_per_mm,
            "go nearer, so that the mat fills the picture, and use full size",
        ),
        (pose.tilt_deg / good.good_tilt_deg, "hold the camera straighter above the middle of the mat"),
        (edge_width_mm / BLUR_SAID_MM, "make it sharper: wipe the lens, tap the mat to focus, hold still"),
        (
            light.clipped_share / BURNT_SHARE_SAID,
            "tap the white paper on the screen, so that it is not burnt out",
        ),
        (
            dim / max(light.brightest_share, 1e-6),
            "take it in more light: at a window or outdoors in the shade",
        ),
        (
            LEAST_EVENNESS / max(light.evenness, 1e-6),
            "use softer, more even light: open shade, or a lamp further off",
        ),
        (cast / MOST_CAST, "use whiter light: daylight instead of a warm bulb"),
        (pose.curl_mm / good.curl_said_mm, "press the paper flat on a board"),
        (
            LEAST_MARKS_SHARE / max(marks, 1e-6),
            "uncover the border of the mat and get all of it into the picture",
        ),
    )
    return tuple(Remedy(0.0 if math.isnan(severity) else severity, words) for severity, words in told)


def gains(pose: MatPose) -> tuple[tuple[float, str], ...]:
    """Return by which factor an uncertainty would shrink, and what does it."""
    now = expected_for(pose)
    nearer = replace(pose, px_per_mm=max(pose.px_per_mm, GOOD_PX_PER_MM))
    checked = replace(pose, scale_sigma=min(pose.scale_sigma, CHECKED_SCALE_SIGMA))
    by_scale = now.length_sigma_mm / expected_for(checked).length_sigma_mm
    by_pixels = now.diameter_sigma_mm / expected_for(nearer).diameter_sigma_mm
    told = [(by_pixels, "go nearer, so that the mat fills the picture, and use full size")]
    if pose.print_scale_source == ASSUMED:
        told.append((by_scale, "measure the check bar and give --measured, or lay an ID-1 card on the mat"))
    return tuple(told)
