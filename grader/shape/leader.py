"""The way from the base through the plant to the tip of its leader.

The way is the one along which the stem's centre line is likeliest: the least-cost path over the
picture (Dijkstra on the pixel grid, ``skimage.graph.MCP_Geometric``) to each place that may be the
tip.  Of these ways the one with the largest log odds counts: a side shoot leaves the line.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from grader.records import Mask, Points, Values
from grader.shape.curves import arc_of
from grader.shape.fields import COVERED, CuttingFields, Field
from grader.shape.lines import Counts
from grader.shape.sheet import Sheet

SHRINK = 8
"""Ways are searched on cells of so many pixels (0.8 mm): the axis is told from them to sub-pixel later, and
finer cells gave neither better lengths nor better crooks (183 cuttings of twenty photos)."""
FAINTEST = 0.03
"""Probability of the centre line that is added everywhere: the line may be interrupted."""
OFF_PLANT_COST = 4.0
"""A step beside the plant costs so many times as much as the dearest on it."""
WALL = -1.0
"""Of a cell that cannot be entered."""
LEAST_STEPS = 3
"""A way of fewer cells (2.4 mm) is none."""
CLEAR_SHARE = 0.3
"""The place of a tip is the middle of what reaches this share of its peak."""
LEAST_TIP = 0.06
"""Places with a smaller probability of being a tip are not looked at."""
LIKELY_LINE = 0.25
"""Where no tip is seen, the leader ends where its line is last this likely."""
ALIKE_MM = 6.0
"""The log odds of being on the line count once for so much of a way: neighbours are alike."""
LEAST_SHARE = 0.05
"""Probabilities nearer to 0 or 1 than this count as this."""
TIP_SHORT_MM = 0.2
"""The middle of the probability lies so much short of the tip: half of it should be on bare paper
(0.1 mm on the independent trays, 0.5 mm on our own renders)."""


FORWARD_STEPS = 5
"""The direction of a way's end is that of so many cells (4 mm)."""
CLEAR_SPREAD_MM = 0.5
"""Usual spread of a tip that is clearly seen: median of 19 cuttings on three demo photos, 0.40 to 0.54 mm
for all but three."""


UNSEEN_SPREAD_MM = 2.0
"""Spread of a tip that is told by the end of the line only."""


@dataclass(frozen=True, slots=True, eq=False)
class _Tips:
    """Places that may be the tip."""

    at_mm: Points
    """(T, 2)"""
    owner: Counts
    """(T,) which cutting."""
    peak: Values
    """(T,) probability."""
    spread_mm: Values
    """(T,)"""


@dataclass(frozen=True, slots=True, eq=False)
class Leader:
    """The chosen way."""

    way_mm: Points
    """(K, 2) from the base to the tip."""
    tip_spread_mm: float
    """How far the place of this tip is spread."""
    length_spread_mm: float
    """Standard deviation of the length over all ways, each with its probability."""


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
    """One of the ways through a cutting."""

    way_mm: Points
    length_mm: float
    score: float
    """Log odds."""
    spread_mm: float
    """Of its tip."""


def find_leader(fields: CuttingFields, base_mm: Points) -> Leader | None:
    """Return the way from a base (2,) to the likeliest tip, or None where there is none."""
    return find_leaders(Sheet.of([fields]), base_mm[None])[0]


def find_leaders(sheet: Sheet, bases_mm: Points) -> list[Leader | None]:
    """Return the way from each cutting's base (C, 2) to its likeliest tip, or None where there is none.

    None as well where a base is not known (nan).
    One search for all cuttings of the sheet: none can be reached from another.
    """
    n_cells = SHRINK // sheet.cell_px_of(sheet.line)
    line = _largest_in_cells(sheet.line, n_cells)
    step = SHRINK // n_cells
    near = _largest_in_cells(sheet.coverage[::step, ::step] > COVERED, n_cells)
    cost = _cost(line, near)
    cost[sheet.is_rim(len(cost), SHRINK)] = WALL
    tips = _tips(sheet)
    search = MCP_Geometric(cost)
    ends = sheet.cells_of(tips.at_mm, tips.owner, SHRINK)
    is_known = np.asarray(np.isfinite(bases_mm).all(axis=1))
    bases_mm = np.where(is_known[:, None], bases_mm, sheet.corners_mm)
    starts = sheet.cells_of(bases_mm, np.arange(len(bases_mm)), SHRINK)
    n_tips = np.bincount(tips.owner, minlength=len(bases_mm))
    # No further than to the last tip.
    reached, before = search.find_costs(starts.tolist(), ends.tolist() if n_tips.all() else None)
    if not n_tips.all():
        far = _furthest(sheet, line, reached, np.flatnonzero(n_tips == 0))
        tips, ends = _with_ends_of_lines(sheet, tips, far), np.concatenate([ends, far])
    offsets = np.asarray(search.offsets).tolist()
    ways: list[list[_Way]] = [[] for _ in bases_mm]
    for k, (end, owner) in enumerate(zip(ends.tolist(), tips.owner.tolist(), strict=True)):
        steps = _way_to(before, offsets, end)
        if len(steps) < LEAST_STEPS:
            continue
        way = sheet.mm_of(steps[:, ::-1], np.full(len(steps), owner), SHRINK)
        way[-1] = _put_forward(tips.at_mm[k], way)
        length_mm = float(arc_of(way)[-1])
        score = _log_odds(tips.peak[k], line[steps[:, 0], steps[:, 1]], length_mm)
        ways[owner].append(_Way(way, length_mm, score, float(tips.spread_mm[k])))
    return [_likeliest(some) if known else None for some, known in zip(ways, is_known, strict=True)]


def _way_to(before: NDArray[np.integer], offsets: list[list[int]], end: list[int]) -> NDArray[np.int64]:
    """Return the cells (K, 2) of the way to one of them, by the offset with which each was reached."""
    row, column = end
    way = [(row, column)]
    while (came_by := before[row, column]) >= 0:
        down, right = offsets[came_by]
        row, column = row - down, column - right
        way.append((row, column))
    return np.array(way[::-1], dtype=np.int64)


def _likeliest(ways: Sequence[_Way]) -> Leader | None:
    """Return the way with the largest log odds."""
    if not ways:
        return None
    best = max(ways, key=lambda way: way.score)
    odds = [math.exp(way.score - best.score) for way in ways]
    spread2 = sum(odd * (way.length_mm - best.length_mm) ** 2 for odd, way in zip(odds, ways, strict=True))
    return Leader(best.way_mm, best.spread_mm, math.sqrt(spread2 / sum(odds)))


def _cost(line: Field, near: Mask) -> Field:
    """Return what a step of one cell costs."""
    return np.where(near, 1 / (line + np.float32(FAINTEST)), np.float32(OFF_PLANT_COST / FAINTEST))


def _log_odds(peak: float, line: Values, length_mm: float) -> float:
    """Return the log odds of a way by the probabilities of its tip and, along it, of the centre line."""
    share = np.clip(line, LEAST_SHARE, 1 - LEAST_SHARE)
    return math.log(peak) + float(np.log(share / (1 - share)).mean()) * length_mm / ALIKE_MM


def _largest_in_cells(field: NDArray[Any], n: int) -> NDArray[Any]:
    """Return the largest values in whole squares of n x n: a thin line is not lost."""
    for axis in (0, 1):
        whole = field.shape[axis] // n * n
        parts = [field[k:whole:n] if axis == 0 else field[:, k:whole:n] for k in range(n)]
        field = functools.reduce(np.maximum, parts)
    return field


def _put_forward(tip_mm: Points, way_mm: Points) -> Points:
    """Return the tip moved by what its place is found too short, in the direction of the way."""
    direction = tip_mm - way_mm[max(0, len(way_mm) - FORWARD_STEPS)]
    return np.asarray(tip_mm + TIP_SHORT_MM * direction / max(float(np.hypot(*direction)), 1e-9))


def _tips(sheet: Sheet) -> _Tips:
    """Return the places that may be the tip."""
    tip = sheet.tip
    is_possible = tip > LEAST_TIP
    # Only rows with such places are looked at, and one empty row after each run of them.
    some = np.asarray(is_possible.any(axis=1))
    rows = np.flatnonzero(some | np.roll(some, 1))
    if len(rows) == 0:
        return _Tips(np.zeros((0, 2)), np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))
    possible = is_possible[rows].astype(np.uint8)
    found, labels = cv2.connectedComponents(possible, connectivity=8)
    x, y = cv2.findNonZero(possible).reshape(-1, 2).T
    label = labels[y, x] - 1
    order = np.argsort(label, kind="stable")
    x, y, label = x[order], rows[y[order]], label[order]
    share = tip[y, x].astype(np.float64)
    peak = np.maximum.reduceat(share, np.searchsorted(label, np.arange(found - 1)))
    weight = np.where(share > CLEAR_SHARE * peak[label], share, 0.0)
    total = np.bincount(label, weight)
    middle_x, middle_y = (np.bincount(label, weight * at) / total for at in (x, y))
    away2 = (x - middle_x[label]) ** 2 + (y - middle_y[label]) ** 2
    cell_px = sheet.cell_px_of(tip)
    spread_mm = np.sqrt(np.bincount(label, weight * away2) / total / 2) * cell_px * sheet.mm_per_px
    owner = sheet.owner_of(middle_y, cell_px)
    at_mm = sheet.mm_of(np.stack([middle_x, middle_y], axis=1), owner, cell_px)
    return _Tips(at_mm, owner, peak, spread_mm)


def _furthest(sheet: Sheet, line: Field, reached: Values, owners: Counts) -> NDArray[np.int64]:
    """Return the cells (E, 2) where leaders end of which no tip is seen; none where there is no line."""
    far = np.where((line > LIKELY_LINE) & np.isfinite(reached), reached, -1.0)
    ends = []
    tops, rows = sheet.tops_px[owners] // SHRINK, sheet.sizes_px[owners, 1] // SHRINK
    for top, n in zip(tops.tolist(), rows.tolist(), strict=True):
        crop = far[top : top + n]
        if crop.size and crop.max() > 0:
            row, column = divmod(int(crop.argmax()), crop.shape[1])
            ends.append((top + row, column))
    return np.array(ends, dtype=np.int64).reshape(-1, 2)


def _with_ends_of_lines(sheet: Sheet, tips: _Tips, ends: NDArray[np.int64]) -> _Tips:
    """Return tips and, after them, those that are only told by the ends (E, 2) of lines."""
    owner = sheet.owner_of(ends[:, 0], SHRINK)
    return _Tips(
        np.concatenate([tips.at_mm, sheet.mm_of(ends[:, ::-1], owner, SHRINK)]),
        np.concatenate([tips.owner, owner]),
        np.concatenate([tips.peak, np.full(len(ends), LEAST_TIP)]),
        np.concatenate([tips.spread_mm, np.full(len(ends), UNSEEN_SPREAD_MM)]),
    )
