"""The light on the paper: how bright, how even, what colour, how much of it burnt out."""

from __future__ import annotations

import numpy as np

from grader.capture.checks import WHITE_LEVEL, sampled
from grader.check.figures import Light
from grader.flat import LIN_FROM_SRGB8
from grader.records import MatPose, Photo, Values

STEP_MM = 1.0
"""Between places looked at."""
BLOCK_MM = 20.0
"""Paper is judged in blocks of about this size: larger than a cutting is wide."""
PAPER_PERCENTILE = 80.0
"""In each block, paper is brighter than what lies on it."""
LEAST_SEEN_SHARE = 0.5
"""Of its places must lie in the picture, for a block to count."""
END_PERCENTILES = (5.0, 95.0)
"""Darkest and brightest paper: not the single block under a card or a lamp's mirror image."""


def light_on(photo: Photo, pose: MatPose) -> Light:
    """Return the light on the paper of the lay area."""
    left, top, right, bottom = pose.lay_area_mm
    cols, rows = (max(2, round(side / BLOCK_MM)) for side in (right - left, bottom - top))
    per_block = max(4, round(BLOCK_MM / STEP_MM))
    x_mm = _places(left, right, cols * per_block)
    y_mm = _places(top, bottom, rows * per_block)
    grid = np.stack(np.meshgrid(x_mm, y_mm), axis=-1).reshape(-1, 2)
    codes, inside = sampled(photo, pose.plane.px_from_mm(grid))
    linear = np.full((len(grid), 3), np.nan)
    linear[inside] = LIN_FROM_SRGB8[codes]
    blocks = linear.reshape(rows, per_block, cols, per_block, 3).transpose(0, 2, 1, 3, 4)
    paper = [level for block in blocks.reshape(rows * cols, -1, 3) if (level := _paper_of(block)) is not None]
    if not paper:
        nan = float("nan")
        return Light(nan, nan, nan, nan, nan)
    brightness = np.mean(paper, axis=1)
    low, high = (float(value) for value in np.percentile(brightness, END_PERCENTILES))
    red, green, blue = np.median(paper, axis=0)
    return Light(
        darkest_share=low,
        brightest_share=high,
        red_cast=float(red / green - 1.0),
        blue_cast=float(blue / green - 1.0),
        clipped_share=float((codes.min(axis=1) >= WHITE_LEVEL).mean()),
    )


def _places(start: float, end: float, n: int) -> Values:
    return start + (np.arange(n) + 0.5) * (end - start) / n


def _paper_of(block: Values) -> Values | None:
    """Return the mean colour (3,) of the brighter part of a block (N, 3), or None outside the picture."""
    seen = block[np.isfinite(block).all(axis=1)]
    if len(seen) < LEAST_SEEN_SHARE * len(block):
        return None
    brightness = seen.sum(axis=1)
    return np.asarray(seen[brightness >= np.percentile(brightness, PAPER_PERCENTILE)].mean(axis=0))
