"""What each place of the flat view shows: plant, foliage, the stem's centre line, its base and its tip.

A small convolutional network answers for every pixel at once, from the colours relative to this
photo's paper.  It was learned from pictures with known truth (``tests/studies/plant_maps.py``); each
answer is a probability.  OpenCV's network module runs it, so nothing else is needed.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import LIN_FROM_SRGB8, FlatView, PaperLight

Field = NDArray[np.float32]

MAP_SHRINK = 2
"""The network sees, and answers for, cells of so many pixels a side: 0.2 mm, as it was learned."""
BLOCK = 2
"""Cells a side that it takes as one place."""
N_BLOCK = BLOCK * BLOCK
N_MAPS = 6
"""All but the last two, base and tip, have an answer for each cell; these have one for each block."""
STEP_BLOCKS = 16
"""Sides are padded to a multiple: the network halves them four times."""
BLOCK_PX = MAP_SHRINK * BLOCK * STEP_BLOCKS
"""The same in pixels of the flat view."""
BRIGHTEST = 1.5
"""Relative linear light above which everything is coded alike."""
CODE_GAMMA = 2.2
PAPER_CODE, CODE_GAIN = 0.83, 4.0
"""Codes are centred on that of white paper, and stretched to about one."""
_CODES: Field = ((LIN_FROM_SRGB8 / BRIGHTEST) ** (1 / CODE_GAMMA) * CODE_GAIN).astype(np.float32)
LARGEST_LOGIT = 30.0
ROOM_BLOCKS = 12
"""Seen beyond what lies furthest out (4.8 mm): what lies further away changes hardly an answer."""
LOOK_SHRINK = 2
DARKER_THAN_PAPER = -0.15
"""Mean code of LOOK_SHRINK x LOOK_SHRINK blocks (0.8 mm) in some channel, from which it is not plain paper:
a tenth less light."""
LEAST_THING_CELLS = 12
"""Of LOOK_SHRINK x LOOK_SHRINK blocks (8 mm2): a third of the smallest cutting; printed letters and ticks of
the mat and crumbs are less, and parts of a plant lie nearer to it than the room that is left."""


@dataclass(frozen=True, slots=True, eq=False)
class PlantMaps:
    """Probabilities for each MAP_SHRINK x MAP_SHRINK pixels of the flat view, (H/2, W/2) float32."""

    plant: Field
    """Covered by any part of a plant."""
    foliage: Field
    """Covered by foliage: plant, but neither the bare stem nor wood seen among leaves."""
    bare_axis: Field
    """On the centre line of the stem, below the foliage (a line of 0.5 mm)."""
    leafy_axis: Field
    """The same within the foliage, whether it can be seen or not."""
    base: Field
    """Within 1 mm of the centre of a cut base."""
    tip: Field
    """Within 1 mm of the tip of a leader."""

    @property
    def fields(self) -> tuple[Field, ...]:
        """All maps in the order of their definition."""
        return (self.plant, self.foliage, self.bare_axis, self.leafy_axis, self.base, self.tip)


_KEPT = threading.local()


def _network() -> cv2.dnn.Net:
    """Return the network that comes with the package, read once by each thread: it answers one at a time."""
    if not hasattr(_KEPT, "network"):
        with files("grader.outline").joinpath("plant_maps.onnx").open("rb") as stream:
            stored = np.frombuffer(stream.read(), dtype=np.uint8)
        # The classic engine is a tenth quicker here.
        _KEPT.network = cv2.dnn.readNetFromONNX(stored, cv2.dnn.ENGINE_CLASSIC)
    network: cv2.dnn.Net = _KEPT.network
    return network


def plant_maps(view: FlatView) -> PlantMaps:
    """Return the maps of a flat view of 0.1 mm pixels; outside its ``lay_mask`` it is taken for paper."""
    blocks = _coded_blocks(view)
    top, bottom, left, right = _where_things_lie(blocks)
    asked = np.ascontiguousarray(blocks[:, top:bottom, left:right])
    network = _network()
    network.setInput(asked[None])
    answers = network.forward()[0]
    _to_probability(answers)
    height, width = bottom - top, right - left
    _, n_down, n_across = blocks.shape
    # One array for all: pages of it that nothing is written to cost nothing.
    fields = np.zeros((N_MAPS, n_down, BLOCK, n_across, BLOCK), dtype=np.float32)
    inside = fields[:, top:bottom, :, left:right]
    n_fine = N_BLOCK * (N_MAPS - 2)
    of_cells = answers[:n_fine].reshape(N_MAPS - 2, BLOCK, BLOCK, height, width)
    inside[:-2] = of_cells.transpose(0, 3, 1, 4, 2)
    for k in (-2, -1):
        # Sampled at block centres: linear interpolation keeps them in place.
        cells = enlarged(answers[k], (height * BLOCK, width * BLOCK))
        inside[k] = cells.reshape(height, BLOCK, width, BLOCK)
    rows, columns = (side // MAP_SHRINK for side in view.lay_mask.shape)
    whole = fields.reshape(N_MAPS, n_down * BLOCK, n_across * BLOCK)[:, :rows, :columns]
    return PlantMaps(*whole)


def enlarged(field: Field, shape: tuple[int, ...]) -> Field:
    """Return a map, or a window of it, on the pixels (H, W) of the flat view."""
    wide = cv2.resize(field, shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, dtype=np.float32)


def _where_things_lie(blocks: Field) -> tuple[int, int, int, int]:
    """Return top, bottom, left, right of all that is not plain paper, in blocks, with room around it."""
    _, rows, columns = blocks.shape
    channels = blocks[::N_BLOCK].min(axis=0)
    small = cv2.resize(channels, (columns // LOOK_SHRINK, rows // LOOK_SHRINK), interpolation=cv2.INTER_AREA)
    is_dark = (small < DARKER_THAN_PAPER).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(is_dark, connectivity=8)
    is_thing = stats[:, cv2.CC_STAT_AREA] >= LEAST_THING_CELLS
    is_thing[0] = False
    found = is_thing[labels]
    limits = []
    for axis, size in ((1, rows), (0, columns)):
        at = np.flatnonzero(found.any(axis=axis)) * LOOK_SHRINK
        low, high = (int(at[0]), int(at[-1]) + LOOK_SHRINK) if len(at) else (0, STEP_BLOCKS)
        limits += [
            max(0, low - ROOM_BLOCKS) // STEP_BLOCKS * STEP_BLOCKS,
            min(size, -(-(high + ROOM_BLOCKS) // STEP_BLOCKS) * STEP_BLOCKS),
        ]
    top, bottom, left, right = limits
    return top, bottom, left, right


def _coded_blocks(view: FlatView) -> Field:
    """Return codes (12, H/4, W/4), padded with paper: red of a block's four cells, then green, then blue."""
    rows, columns = (side // MAP_SHRINK for side in view.lay_mask.shape)
    height, width = (-(-side // BLOCK // STEP_BLOCKS) * STEP_BLOCKS for side in (rows, columns))
    kept = view.rgb[: rows * MAP_SHRINK, : columns * MAP_SHRINK]
    cells = np.zeros((height * BLOCK, width * BLOCK, 3), dtype=np.uint8)
    cells[:rows, :columns] = cv2.resize(kept, (columns, rows), interpolation=cv2.INTER_AREA)
    is_paper = np.ones(cells.shape[:2], dtype=bool)
    is_paper[:rows, :columns] = ~view.lay_mask[::MAP_SHRINK, ::MAP_SHRINK][:rows, :columns]
    code = np.asarray(cv2.LUT(_in_blocks(cells), _CODES), dtype=np.float32)
    # Relative light to the power of 1/gamma, each factor by itself: the light is even within a block.
    dimmer = PaperLight(view.light.coarse ** (-1 / CODE_GAMMA), view.light.size_px)
    side = MAP_SHRINK * BLOCK
    window = (slice(0, height * side), slice(0, width * side))
    code *= dimmer.within(window, (height, width)).transpose(2, 0, 1)[:, None]
    np.minimum(code, CODE_GAIN, out=code)
    code -= PAPER_CODE * CODE_GAIN
    np.copyto(code, np.float32(0), where=_in_blocks(is_paper[..., None]))
    return code.reshape(3 * N_BLOCK, height, width)


def _in_blocks(cells: NDArray[Any]) -> NDArray[Any]:
    """Return cells (H, W, C) as (C, N_BLOCK, H / BLOCK, W / BLOCK)."""
    rows, columns, n = cells.shape
    blocks = cells.reshape(rows // BLOCK, BLOCK, columns // BLOCK, BLOCK, n).transpose(4, 1, 3, 0, 2)
    return np.ascontiguousarray(blocks).reshape(n, N_BLOCK, rows // BLOCK, columns // BLOCK)


def _to_probability(logit: Field) -> None:
    """Turn logits into probabilities, in place: whole trays pass through here."""
    np.negative(logit, out=logit)
    np.clip(logit, -LARGEST_LOGIT, LARGEST_LOGIT, out=logit)
    for field in logit:
        cv2.exp(field, dst=field)
    logit += 1.0
    np.reciprocal(logit, out=logit)
