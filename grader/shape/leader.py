"""The way from the base through the plant to the tip of its leader.

The way is the one along which the stem's centre line is likeliest: the least-cost path over the
picture (Dijkstra on the pixel grid, ``skimage.graph.MCP_Geometric``) to each place that may be the
tip.  Of these ways the one with the largest log odds counts: a side shoot leaves the line.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from grader.records import Points, Values
from grader.shape.curves import arc_of
from grader.shape.fields import CuttingFields, Field

SHRINK = 2
"""Paths are searched on fields reduced by this factor (0.2 mm)."""
FAINTEST = 0.03
"""Probability of the centre line that is added everywhere: the line may be interrupted."""
OFF_PLANT_COST = 4.0
"""A step beside the plant costs so many times as much as the dearest on it."""
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


CLEAR_SPREAD_MM = 0.5
"""Usual spread of a tip that is clearly seen: median of 19 cuttings on three demo photos, 0.40 to 0.54 mm
for all but three."""


_Tip = tuple[tuple[float, float], float, float]
"""Place (x, y) in reduced pixels, probability, and spread in reduced pixels of a possible tip."""


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
    reduced = (slice(None, None, SHRINK), slice(None, None, SHRINK))
    line = np.maximum(fields.marks.bare_axis[reduced], fields.marks.leafy_axis[reduced])
    covered = (fields.coverage[reduced] > 0.5).astype(np.uint8)
    near = cv2.dilate(covered, np.ones((3, 3), np.uint8)) > 0
    cost = np.full(line.shape, OFF_PLANT_COST / FAINTEST, dtype=np.float32)
    cost[near] = 1 / (line[near] + FAINTEST)
    scale = fields.mm_per_px * SHRINK
    shape: NDArray[np.int64] = np.asarray(cost.shape)
    start = np.clip(np.round((base_mm - fields.corner_mm) / scale).astype(int)[::-1], 0, shape - 1)
    search = MCP_Geometric(cost)
    tips = _tips(fields)
    ends = [tuple(np.clip(np.round(xy[::-1]).astype(int), 0, shape - 1)) for xy, _, _ in tips]
    reached, _ = search.find_costs([tuple(start)], ends or None)  # no further than to the last tip
    if not tips:
        tips, ends = _furthest(line, reached)
    ways, scores, spreads = [], [], []
    for (xy, peak, spread), end in zip(tips, ends, strict=True):
        steps = np.asarray(search.traceback(end))
        if len(steps) < 10:
            continue
        way = steps[:, ::-1] * scale + np.asarray(fields.corner_mm)
        way[-1] = _put_forward(np.asarray(xy) * scale + fields.corner_mm, way)
        share = np.clip(line[steps[:, 0], steps[:, 1]], LEAST_SHARE, 1 - LEAST_SHARE)
        gain = float(np.log(share / (1 - share)).mean()) * float(arc_of(way)[-1]) / ALIKE_MM
        ways.append(way)
        scores.append(float(np.log(peak)) + gain)
        spreads.append(spread * scale)
    if not ways:
        return None
    best = int(np.argmax(scores))
    odds = np.exp(np.asarray(scores) - scores[best])
    share = odds / odds.sum()
    lengths = np.asarray([float(arc_of(way)[-1]) for way in ways])
    spread = float(np.sqrt(np.sum(share * (lengths - lengths[best]) ** 2)))
    return Leader(ways[best], spreads[best], spread)


def _put_forward(tip_mm: Points, way_mm: Points) -> Points:
    """Return the tip moved by what its place is found too short, in the direction of the way."""
    direction = tip_mm - way_mm[max(0, len(way_mm) - 20)]
    return np.asarray(tip_mm + TIP_SHORT_MM * direction / max(float(np.hypot(*direction)), 1e-9))


def _tips(fields: CuttingFields) -> list[_Tip]:
    """Return the places that may be the tip."""
    tip = fields.marks.tip[::SHRINK, ::SHRINK]
    _, labels, stats, _ = cv2.connectedComponentsWithStats((tip > LEAST_TIP).astype(np.uint8), connectivity=8)
    found = []
    for label in range(1, len(stats)):
        x, y, width, height, _ = (int(value) for value in stats[label])
        window = (slice(y, y + height), slice(x, x + width))
        weight = np.where(labels[window] == label, tip[window], 0.0)
        weight = np.where(weight > 0.3 * weight.max(), weight, 0.0)
        rows, columns = np.mgrid[y : y + height, x : x + width]
        total = float(weight.sum())
        cx, cy = float((columns * weight).sum()) / total, float((rows * weight).sum()) / total
        spread2 = float((((columns - cx) ** 2 + (rows - cy) ** 2) * weight).sum()) / total / 2
        found.append(((cx, cy), float(weight.max()), float(np.sqrt(spread2))))
    return found


def _furthest(line: Field, reached: Values) -> tuple[list[_Tip], list[tuple[int, int]]]:
    """Return the end of the leader where no tip is seen, the second time as (row, column); empty if none."""
    far = np.where((line > LIKELY_LINE) & np.isfinite(reached), reached, -1.0)
    row, column = (int(place) for place in np.unravel_index(int(far.argmax()), far.shape))
    if far[row, column] <= 0:
        return [], []
    return [((float(column), float(row)), LEAST_TIP, 10.0)], [(row, column)]
