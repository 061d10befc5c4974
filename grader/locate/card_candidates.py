"""Where a card may lie: rectangles of about its size on a coarse view from above."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Points
from grader.locate.flatten import FlatSettings, unlit_view
from grader.records import Mask, MatPose, Photo

PAPER_DISTANCES = (0.06, 0.12, 0.25, 0.5, 1.0)
"""Log light, in the channel that differs most, from which something is not paper.  Several, since one
that catches a pale card joins a dark one with its shadow."""
CLOSE_MM = 1.5
"""Gaps closed: pale print that reaches the card's edge."""
OPEN_MM = 8.0
"""What is thinner does not count: stems and twigs that touch the card."""
LEAST_FILL = 0.93
"""Share of its enclosing rectangle that it fills (a card 0.998; foliage less)."""
VIEW_MM_PER_PX = 1.0
"""Coarse is enough: sides are found again in the photo, up to 2 mm from here."""
DARKEST = 1e-3
BLOCK_MM = 5.0
"""Between places where paper is looked for: a thousand on A4, for six terms."""
RIDGE = 1e-10
"""Relative to the trace: keeps equations solvable where hardly any paper is seen."""
PAPER_QUANTILE = 0.8
"""Paper is brighter than most of what lies on it; so much of the lay area may be covered."""
BLUR_MM = 0.6
"""Noise is evened out over so much (standard deviation): no more, since it widens dark cards."""
ROUNDS, LEAST_REST = 30, 0.01
"""Of reweighting, at most; log light below which a place counts as on the surface."""
LEAST_CHANGE = 5e-4
"""Change of the surface in a round, log light, from which on it stays: a hundredth of what matters."""
SAME_PLACE_MM = 4.0
"""Rectangles of two thresholds nearer than this, in place and size, are one."""


def rectangles(photo: Photo, pose: MatPose, sides_mm: tuple[float, float], slack: float) -> list[Points]:
    """Return the corners (4, 2) mm of rectangles of about this size, in order round, long side first.

    Parameters
    ----------
    sides_mm : (long, short)
        In the pose's mm.
    slack : float
        Relative: how far off each side may be.
    """
    linear, lay_mask, origin_mm = unlit_view(photo, pose, FlatSettings(mm_per_px=VIEW_MM_PER_PX))
    log = np.log(np.maximum(cv2.GaussianBlur(linear, (0, 0), BLUR_MM / VIEW_MM_PER_PX), DARKEST))
    red, green, blue = cv2.split(np.abs(log - _paper(log, lay_mask)))
    strange = np.maximum(np.maximum(red, green), blue) * lay_mask
    least_area_mm2 = LEAST_FILL * sides_mm[0] * sides_mm[1] * (1.0 - slack) ** 2
    found: list[Points] = []
    for least in PAPER_DISTANCES:
        for corners_px in _boxes(strange > least, VIEW_MM_PER_PX, least_area_mm2):
            corners = corners_px * VIEW_MM_PER_PX + origin_mm
            if _fits(corners, sides_mm, slack) and not any(_is_same(corners, one) for one in found):
                found.append(corners)
    return found


def _paper(log: NDArray[np.float32], lay_mask: Mask) -> NDArray[np.float32]:
    """Return the log light (H, W, 3) of paper: a parabola through the upper part of what is seen.

    Quantile regression (Koenker and Bassett 1978) by reweighting: a card may cover a large part of the
    paper.
    """
    step = round(BLOCK_MM / VIEW_MM_PER_PX)
    rows, cols = np.nonzero(lay_mask[::step, ::step])
    height, width = log.shape[:2]
    seen = log[::step, ::step][rows, cols].T.astype(np.float64)
    basis = _parabola(cols * step / width, rows * step / height)
    products = (basis[:, :, None] * basis[:, None, :]).reshape(len(basis), -1)
    weight = np.ones(seen.shape)
    one = np.eye(basis.shape[1])
    before = np.full(seen.shape, np.inf)
    for _ in range(ROUNDS):
        normal = (weight @ products).reshape(3, *one.shape)
        ridge = RIDGE * np.trace(normal, axis1=1, axis2=2) + np.finfo(float).tiny
        fit = np.linalg.solve(normal + ridge[:, None, None] * one, ((weight * seen) @ basis)[..., None])[
            ..., 0
        ]
        rest = seen - fit @ basis.T
        if np.abs(rest - before).max() < LEAST_CHANGE:
            break
        before = rest
        share = np.where(rest > 0, PAPER_QUANTILE, 1.0 - PAPER_QUANTILE)
        weight = share / np.maximum(np.abs(rest), LEAST_REST)
    x = np.arange(width, dtype=np.float32) / width
    y = np.arange(height, dtype=np.float32)[:, None] / height
    light = np.empty_like(log)
    for channel, c in enumerate(fit.astype(np.float32)):
        light[..., channel] = (c[0] + c[1] * x + c[3] * x * x) + y * (c[2] + c[4] * x + c[5] * y)
    return light


def _parabola(x: Points, y: Points) -> Points:
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _is_same(one: Points, other: Points) -> bool:
    moved = float(np.abs(one.mean(axis=0) - other.mean(axis=0)).max())
    return moved < SAME_PLACE_MM and abs(float(_sides(one)[0] - _sides(other)[0])) < SAME_PLACE_MM / 2


def _boxes(mask: Mask, mm_per_px: float, least_area_mm2: float) -> list[Points]:
    """Return enclosing rectangles (4, 2) px, long side first, of things that nearly fill theirs."""
    plain = mask.astype(np.uint8)
    closed = np.asarray(cv2.morphologyEx(plain, cv2.MORPH_CLOSE, _disc(CLOSE_MM / mm_per_px)), dtype=np.uint8)
    outlines, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    # Nothing grows from here on: what is too small already is left out, on most trays everything.
    large = [outline for outline in outlines if cv2.contourArea(outline) * mm_per_px**2 > least_area_mm2]
    if not large:
        return []
    filled = cv2.drawContours(np.zeros_like(closed), large, -1, 1, cv2.FILLED)
    solid = np.asarray(cv2.morphologyEx(filled, cv2.MORPH_OPEN, _disc(OPEN_MM / mm_per_px)), dtype=np.uint8)
    outlines, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    boxes = []
    for outline in outlines:
        box = cv2.minAreaRect(outline)
        area = box[1][0] * box[1][1]
        if area > 0 and cv2.contourArea(outline) > LEAST_FILL * area:
            # From the middles of the outermost pixels to their rims.
            grown = (box[0], (box[1][0] + 1.0, box[1][1] + 1.0), box[2])
            corners = np.asarray(cv2.boxPoints(grown), dtype=np.float64)
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
