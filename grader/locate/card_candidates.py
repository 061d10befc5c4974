"""Where a card may lie: rectangles of about its size on a coarse view from above."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Points
from grader.records import FlatView, Mask

PAPER_DISTANCES = (0.06, 0.12, 0.25, 0.5, 1.0)
"""Log light, in the channel that differs most, from which something is not paper.  Several, since one
that catches a pale card joins a dark one with its shadow."""
CLOSE_MM = 1.5
"""Gaps closed: pale print that reaches the card's edge."""
OPEN_MM = 8.0
"""What is thinner does not count: stems and twigs that touch the card."""
LEAST_FILL = 0.93
"""Share of its enclosing rectangle that it fills (a card 0.998; foliage less)."""
SAME_PLACE_MM = 4.0
"""Rectangles of two thresholds nearer than this, in place and size, are one."""


def rectangles(view: FlatView, sides_mm: tuple[float, float], slack: float) -> list[Points]:
    """Return the corners (4, 2) mm of rectangles of about this size, in order round, long side first.

    Parameters
    ----------
    view : FlatView
        Coarse is enough.
    sides_mm : (long, short)
        In the scale of the view.
    slack : float
        Relative: how far off each side may be.
    """
    strange = np.abs(np.log(np.maximum(view.linear, 1e-3))).max(axis=2) * view.lay_mask
    strange = np.asarray(cv2.GaussianBlur(strange, (0, 0), 1.0))
    found: list[Points] = []
    for least in PAPER_DISTANCES:
        for corners_px in _boxes(strange > least, view.mm_per_px):
            corners = corners_px * view.mm_per_px + view.origin_mm
            if _fits(corners, sides_mm, slack) and not any(
                float(np.abs(corners.mean(axis=0) - one.mean(axis=0)).max()) < SAME_PLACE_MM
                and abs(float(_sides(corners)[0] - _sides(one)[0])) < SAME_PLACE_MM / 2
                for one in found
            ):
                found.append(corners)
    return found


def _boxes(mask: Mask, mm_per_px: float) -> list[Points]:
    """Return enclosing rectangles (4, 2) px, long side first, of things that nearly fill theirs."""
    plain = mask.astype(np.uint8)
    closed = np.asarray(cv2.morphologyEx(plain, cv2.MORPH_CLOSE, _disc(CLOSE_MM / mm_per_px)), dtype=np.uint8)
    outlines, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = cv2.drawContours(np.zeros_like(closed), outlines, -1, 1, cv2.FILLED)
    solid = np.asarray(cv2.morphologyEx(filled, cv2.MORPH_OPEN, _disc(OPEN_MM / mm_per_px)), dtype=np.uint8)
    outlines, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    boxes = []
    for outline in outlines:
        box = cv2.minAreaRect(outline)
        area = box[1][0] * box[1][1]
        if area > 0 and cv2.contourArea(outline) > LEAST_FILL * area:
            corners = np.asarray(cv2.boxPoints(box), dtype=np.float64)
            first, second = _sides(corners)
            boxes.append(corners if first >= second else np.roll(corners, 1, axis=0))
    return boxes


def _disc(diameter_px: float) -> NDArray[np.uint8]:
    side = 2 * round(diameter_px / 2) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(disc, dtype=np.uint8)


def _sides(corners: Points) -> Points:
    """Return the lengths (2,) of the first and the second side."""
    return np.asarray(np.hypot(*(corners[1:3] - corners[:2]).T))


def _fits(corners: Points, sides_mm: tuple[float, float], slack: float) -> bool:
    return bool((np.abs(_sides(corners) / np.asarray(sides_mm) - 1.0) < slack).all())
