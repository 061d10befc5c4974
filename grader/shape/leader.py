"""The way from the base through the plant to the tip of its leader.

The way is the one along which the stem's centre line is likeliest: the least-cost path over the
picture (Dijkstra on the pixel grid, ``skimage.graph.MCP_Geometric``) to each place that may be the
tip.  Of these ways the one with the largest log odds counts: a side shoot leaves the line.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from grader.records import Mask, Points, Values
from grader.shape.curves import arc_of
from grader.shape.fields import COVERED, CuttingFields, Field, centre_line

SHRINK = 8
"""Ways are searched on cells of so many pixels (0.8 mm): the axis is told from them to sub-pixel later, and
finer cells gave neither better lengths nor better crooks (183 cuttings of twenty photos)."""
FAINTEST = 0.03
"""Probability of the centre line that is added everywhere: the line may be interrupted."""
OFF_PLANT_COST = 4.0
"""A step beside the plant costs so many times as much as the dearest on it."""
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


@dataclass(frozen=True, slots=True)
class _Tip:
    """A place that may be the tip."""

    at_mm: tuple[float, float]
    peak: float
    """Probability."""
    spread_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Leader:
    """The chosen way."""

    way_mm: Points
    """(K, 2) from the base to the tip."""
    tip_spread_mm: float
    """How far the place of this tip is spread."""
    length_spread_mm: float
    """Standard deviation of the length over all ways, each with its probability."""


def find_leader(fields: CuttingFields, base_mm: Points) -> Leader | None:
    """Return the way from a base (2,) to the likeliest tip, or None where there is none."""
    step = fields.cell_px
    line = _largest_in_cells(centre_line(fields), SHRINK // step)
    near = _largest_in_cells(fields.coverage[::step, ::step] > COVERED, SHRINK // step)
    grid = _Grid(fields.mm_per_px * SHRINK, fields.corner_mm, line.shape)
    tips = _tips(fields)
    search = MCP_Geometric(_cost(line, near))
    ends = [grid.cell_of(tip.at_mm) for tip in tips]
    # No further than to the last tip.
    reached, _ = search.find_costs([grid.cell_of(base_mm)], ends or None)
    if not tips:
        ends = _furthest(line, reached)
        tips = [_Tip(grid.middle_mm(end), LEAST_TIP, UNSEEN_SPREAD_MM) for end in ends]
    ways, lengths_mm, scores, spreads_mm = [], [], [], []
    for tip, end in zip(tips, ends, strict=True):
        steps = np.asarray(search.traceback(end))
        if len(steps) < LEAST_STEPS:
            continue
        way = grid.middles_mm(steps)
        way[-1] = _put_forward(np.asarray(tip.at_mm), way)
        ways.append(way)
        lengths_mm.append(float(arc_of(way)[-1]))
        scores.append(_log_odds(tip.peak, line[steps[:, 0], steps[:, 1]], lengths_mm[-1]))
        spreads_mm.append(tip.spread_mm)
    if not ways:
        return None
    best = int(np.argmax(scores))
    odds = np.exp(np.asarray(scores) - scores[best])
    apart_mm = np.asarray(lengths_mm) - lengths_mm[best]
    return Leader(ways[best], spreads_mm[best], math.sqrt(float(odds @ apart_mm**2) / float(odds.sum())))


@dataclass(frozen=True, slots=True)
class _Grid:
    """Where the cells lie that ways are searched on, each as (row, column)."""

    cell_mm: float
    corner_mm: tuple[float, float]
    """Mat position of the crop's first pixel."""
    shape: tuple[int, ...]

    @property
    def _first_mm(self) -> tuple[float, float]:
        """Mat position of the middle of the first cell."""
        to_middle_mm = (SHRINK - 1) / 2 / SHRINK * self.cell_mm
        return self.corner_mm[0] + to_middle_mm, self.corner_mm[1] + to_middle_mm

    def cell_of(self, at_mm: Points | tuple[float, float]) -> tuple[int, int]:
        """Return the cell at a mat position, the next one for those outside."""
        x, y = (
            round((float(at) - first) / self.cell_mm) for at, first in zip(at_mm, self._first_mm, strict=True)
        )
        return min(max(y, 0), self.shape[0] - 1), min(max(x, 0), self.shape[1] - 1)

    def middles_mm(self, cells: NDArray[np.int64]) -> Points:
        """Return mat positions (N, 2) of cells (N, 2)."""
        return np.asarray(cells[:, ::-1] * self.cell_mm + self._first_mm)

    def middle_mm(self, cell: tuple[int, int]) -> tuple[float, float]:
        """Return the mat position of a cell."""
        first = self._first_mm
        return first[0] + cell[1] * self.cell_mm, first[1] + cell[0] * self.cell_mm


def _cost(line: Field, near: Mask) -> Field:
    """Return what a step of one cell costs."""
    return np.where(near, 1 / (line + np.float32(FAINTEST)), np.float32(OFF_PLANT_COST / FAINTEST))


def _log_odds(peak: float, line: Values, length_mm: float) -> float:
    """Return the log odds of a way by the probabilities of its tip and, along it, of the centre line."""
    share = np.clip(line, LEAST_SHARE, 1 - LEAST_SHARE)
    return float(np.log(peak)) + float(np.log(share / (1 - share)).mean()) * length_mm / ALIKE_MM


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


def _tips(fields: CuttingFields) -> list[_Tip]:
    """Return the places that may be the tip."""
    tip = fields.marks.tip
    possible = (tip > LEAST_TIP).astype(np.uint8)
    n_labels, labels = cv2.connectedComponents(possible, connectivity=8)
    if n_labels < 2:
        return []
    xy = cv2.findNonZero(possible).reshape(-1, 2)
    label, share = labels[xy[:, 1], xy[:, 0]], tip[xy[:, 1], xy[:, 0]].astype(np.float64)
    found = []
    for k in range(1, n_labels):
        weight, places = share[label == k], xy[label == k]
        peak = float(weight.max())
        clear = weight > CLEAR_SHARE * peak
        weight, places = weight[clear] / weight[clear].sum(), places[clear]
        middle = weight @ places
        spread2 = float(weight @ (places - middle) ** 2 @ [0.5, 0.5])
        x, y = fields.middle_mm(tip, middle)
        found.append(_Tip((x, y), peak, math.sqrt(spread2) * fields.cell_mm))
    return found


def _furthest(line: Field, reached: Values) -> list[tuple[int, int]]:
    """Return the cell where the leader ends when no tip is seen; none where there is no line."""
    far = np.where((line > LIKELY_LINE) & np.isfinite(reached), reached, -1.0)
    row, column = divmod(int(far.argmax()), far.shape[1])
    return [(row, column)] if far[row, column] > 0 else []
