"""What each place of the flat view shows: plant, foliage, the stem's centre line, its base and its tip.

A small convolutional network answers for every pixel at once, from the colours relative to this
photo's paper.  It was learned from pictures with known truth (``tests/studies/plant_maps.py``); each
answer is a probability.  OpenCV's network module runs it, so nothing else is needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import FlatView

Field = NDArray[np.float32]

NETWORK_MM_PER_PX = 0.1
"""The network was learned on flat views of this scale."""
BRIGHTEST = 1.5
"""Relative linear light above which everything is coded alike."""
CODE_GAMMA = 2.2
PAPER_CODE, CODE_GAIN = 0.83, 4.0
"""Codes are centred on that of white paper, and stretched to about one."""
DARKEST = 1e-4
"""Of the brightest: darker light is coded alike."""
LARGEST_LOGIT = 30.0
BLOCK = ((0, 0), (0, 1), (1, 0), (1, 1))
"""Rows and columns of the four pixels that the network takes as one place."""
MAP_SHRINK = 2
"""Maps are half as fine as the flat view: 0.2 mm."""
BLOCK_PX = 32
"""Sides are padded to a multiple: the network halves them five times, its input included."""


BAND_PX = 900
"""The network is asked for so many pixels of the longer side at a time: a third of an A4 tray."""
OVERLAP_PX = 96
"""Pixels seen beyond a band, a multiple of BLOCK_PX: what lies further away changes hardly an answer."""
LOOK_SHRINK = 4
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

    def crop(self, x: int, y: int, width: int, height: int) -> PlantMaps:
        """Return the maps of a window; x, y, width, height in pixels of the flat view, all even."""
        window = tuple(slice(at // MAP_SHRINK, (at + n) // MAP_SHRINK) for at, n in ((y, height), (x, width)))
        return PlantMaps(*(field[window] for field in self.fields))

    @property
    def view_shape(self) -> tuple[int, int]:
        """Rows and columns of the flat view."""
        rows, columns = self.plant.shape
        return rows * MAP_SHRINK, columns * MAP_SHRINK

    @property
    def fields(self) -> tuple[Field, ...]:
        """All maps in the order of their definition."""
        return (self.plant, self.foliage, self.bare_axis, self.leafy_axis, self.base, self.tip)


@cache
def shipped_network() -> NDArray[np.uint8]:
    """Return the network file that comes with the package, as bytes."""
    with files("grader.outline").joinpath("plant_maps.onnx").open("rb") as stream:
        return np.frombuffer(stream.read(), dtype=np.uint8)


def plant_maps(view: FlatView) -> PlantMaps:
    """Return the maps of a flat view of 0.1 mm pixels; outside its ``lay_mask`` it is taken for paper."""
    linear = view.linear_in(view.whole)
    answers = _answers(_coded_blocks(linear, view.lay_mask))
    _to_probability(answers)
    height, width = (side // MAP_SHRINK for side in view.lay_mask.shape)
    fields = (answers[:4].mean(axis=0), answers[4:8].mean(axis=0), *answers[8:])
    return PlantMaps(*(np.ascontiguousarray(field[:height, :width]) for field in fields))


def enlarged(field: Field, shape: tuple[int, ...]) -> Field:
    """Return a map, or a window of it, on the pixels (H, W) of the flat view."""
    wide = cv2.resize(field, shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, dtype=np.float32)


def _answers(blocks: Field) -> Field:
    """Return the network's logits (12, H/2, W/2): asked where something lies, band by band to save memory."""
    network = cv2.dnn.readNetFromONNX(shipped_network())
    answers = np.full(blocks.shape, -LARGEST_LOGIT, dtype=np.float32)
    top, bottom, left, right = _where_things_lie(blocks)
    asked, given = blocks[:, top:bottom, left:right], answers[:, top:bottom, left:right]
    # Bands lie across the longer side: less overlap.  All are of one size: the network's memory serves again.
    is_wide = right - left > bottom - top
    if is_wide:
        asked, given = asked.swapaxes(1, 2), given.swapaxes(1, 2)
    length = asked.shape[1]
    step, overlap = BLOCK_PX // 2, OVERLAP_PX // 2
    n_bands = -(-length * 2 // BAND_PX)
    starts = [round(k * length / n_bands / step) * step for k in range(n_bands)] + [length]
    size = min(length, max(np.diff(starts)) + (n_bands > 2) * overlap + overlap)
    for start, stop in pairwise(starts):
        low = int(np.clip(start - overlap, 0, length - size))
        part = asked[:, low : low + size]
        network.setInput(np.ascontiguousarray(part.swapaxes(1, 2) if is_wide else part)[None])
        found = network.forward()[0]
        given[:, start:stop] = (found.swapaxes(1, 2) if is_wide else found)[:, start - low : stop - low]
    return answers


def _where_things_lie(blocks: Field) -> tuple[int, int, int, int]:
    """Return top, bottom, left, right of all that is not plain paper, in blocks, with room around it."""
    _, rows, columns = blocks.shape
    channels = blocks[:: len(BLOCK)].min(axis=0)
    small = cv2.resize(channels, (columns // LOOK_SHRINK, rows // LOOK_SHRINK), interpolation=cv2.INTER_AREA)
    is_dark = (small < DARKER_THAN_PAPER).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(is_dark, connectivity=8)
    is_thing = stats[:, cv2.CC_STAT_AREA] >= LEAST_THING_CELLS
    is_thing[0] = False
    found = is_thing[labels]
    step = BLOCK_PX // 2
    limits = []
    for axis, size in ((1, rows), (0, columns)):
        at = np.flatnonzero(found.any(axis=axis)) * LOOK_SHRINK
        low, high = (int(at[0]), int(at[-1]) + LOOK_SHRINK) if len(at) else (0, step)
        limits += [max(0, low // step - 1) * step, min(size, (-(-high // step) + 1) * step)]
    top, bottom, left, right = limits
    return top, bottom, left, right


def _coded_blocks(linear: Field, lay_mask: NDArray[np.bool_]) -> Field:
    """Return codes (12, H/2, W/2), padded with paper: red of a block's four pixels, then green, then blue."""
    height, width = linear.shape[:2]
    below, right = -height % BLOCK_PX, -width % BLOCK_PX
    blocks = np.zeros((3 * len(BLOCK), (height + below) // 2, (width + right) // 2), dtype=np.float32)
    off_lay = ~lay_mask
    gain, paper = CODE_GAIN / BRIGHTEST ** (1 / CODE_GAMMA), PAPER_CODE * CODE_GAIN
    for channel in range(3):
        code = np.clip(linear[..., channel], DARKEST * BRIGHTEST, BRIGHTEST)
        cv2.pow(code, 1 / CODE_GAMMA, dst=code)
        code *= gain
        code -= paper
        code[off_lay] = 0.0
        for k, (row, column) in enumerate(BLOCK):
            cells = code[row::2, column::2]
            blocks[channel * len(BLOCK) + k, : cells.shape[0], : cells.shape[1]] = cells
    return blocks


def _to_probability(logit: Field) -> None:
    """Turn logits into probabilities, in place: whole trays pass through here."""
    np.negative(logit, out=logit)
    np.clip(logit, -LARGEST_LOGIT, LARGEST_LOGIT, out=logit)
    for field in logit:
        cv2.exp(field, dst=field)
    logit += 1.0
    np.reciprocal(logit, out=logit)
