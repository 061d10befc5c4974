"""The way from the base through the plant to the tip of its leader.

The way is the one along which the stem's centre line is likeliest: the least-cost path over the
picture (Dijkstra on the pixel grid, ``skimage.graph.MCP_Geometric``) to each place that may be the
tip.  Of these ways the one with the largest log odds counts: a side shoot leaves the line.  Where several
places may be the tip, coarse ways tell first which of them have no chance, and near which places the others
run: ways beside the line are what takes long to find.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from grader.records import Mask, Points, Values
from grader.shape.curves import arc_of
from grader.shape.fields import CuttingFields, Field

SHRINK = 2
"""Paths are searched on fields reduced by this factor (0.2 mm)."""
FAINTEST = 0.03
"""Probability of the centre line that is added everywhere: the line may be interrupted."""
COARSER = 4
"""Ways that only tell which tips have a chance are searched on fields reduced once more by this factor."""
NO_CHANCE = 16.0
"""A tip has none if its log odds on coarse ways are so far behind: one in 10^7.  Differences of coarse log
odds are wrong by 1 or so (16 of them on three photos: by 2.3 at most)."""
CORRIDOR_CELLS = 4
"""Ways that wait for a finer search are not further from coarse ones than this (3.2 mm)."""
IMPASSABLE = np.float32(-1.0)
"""As the library has it."""
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
    cost = _cost(line, near)
    scale = fields.mm_per_px * SHRINK
    shape: NDArray[np.int64] = np.asarray(cost.shape)
    start = np.clip(np.round((base_mm - fields.corner_mm) / scale).astype(int)[::-1], 0, shape - 1)
    tips, corridor = _with_a_chance(_tips(fields), line, near, start, scale)
    search = MCP_Geometric(np.where(corridor, cost, IMPASSABLE))
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
        ways.append(way)
        scores.append(_log_odds(peak, line[steps[:, 0], steps[:, 1]], float(arc_of(way)[-1])))
        spreads.append(spread * scale)
    if not ways:
        return None
    best = int(np.argmax(scores))
    odds = np.exp(np.asarray(scores) - scores[best])
    share = odds / odds.sum()
    lengths = np.asarray([float(arc_of(way)[-1]) for way in ways])
    spread = float(np.sqrt(np.sum(share * (lengths - lengths[best]) ** 2)))
    return Leader(ways[best], spreads[best], spread)


def _cost(line: Field, near: Mask) -> Field:
    """Return what a step of one pixel costs."""
    return np.where(near, 1 / (line + np.float32(FAINTEST)), np.float32(OFF_PLANT_COST / FAINTEST))


def _log_odds(peak: float, line: Values, length_mm: float) -> float:
    """Return the log odds of a way by the probabilities of its tip and, along it, of the centre line."""
    share = np.clip(line, LEAST_SHARE, 1 - LEAST_SHARE)
    return float(np.log(peak)) + float(np.log(share / (1 - share)).mean()) * length_mm / ALIKE_MM


def _with_a_chance(
    tips: list[_Tip], line: Field, near: Mask, start: NDArray[np.int64], scale: float
) -> tuple[list[_Tip], Mask | bool]:
    """Return the tips whose ways are not hopeless, seen coarsely, and the places near these ways."""
    if len(tips) < 2:
        return tips, True
    coarse = _largest_in_cells(line)
    search = MCP_Geometric(_cost(coarse, _largest_in_cells(near.astype(np.float32)) > 0))
    ends = [tuple(np.asarray(xy[::-1]).round().astype(int) // COARSER) for xy, _, _ in tips]
    search.find_costs([tuple(start // COARSER)], ends)
    ways = [np.asarray(search.traceback(end)) for end in ends]
    scores = [
        _log_odds(peak, coarse[way[:, 0], way[:, 1]], float(arc_of(way)[-1]) * COARSER * scale)
        for (_, peak, _), way in zip(tips, ways, strict=True)
    ]
    kept = [k for k, score in enumerate(scores) if score > max(scores) - NO_CHANCE]
    cells = np.zeros(coarse.shape, dtype=np.uint8)
    for k in kept:
        cells[ways[k][:, 0], ways[k][:, 1]] = 1
    width = 2 * CORRIDOR_CELLS + 1
    cells = np.asarray(cv2.dilate(cells, np.ones((width, width), np.uint8)))
    corridor = cells.repeat(COARSER, axis=0).repeat(COARSER, axis=1)[: line.shape[0], : line.shape[1]] > 0
    return [tips[k] for k in kept], corridor


def _largest_in_cells(field: Field) -> Field:
    """Return the largest values in cells of COARSER x COARSER: a thin line is not lost."""
    rows, columns = (-(-n // COARSER) for n in field.shape)
    whole = np.zeros((rows * COARSER, columns * COARSER), dtype=np.float32)
    whole[: field.shape[0], : field.shape[1]] = field
    return np.asarray(whole.reshape(rows, COARSER, columns, COARSER).max(axis=(1, 3)))


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
