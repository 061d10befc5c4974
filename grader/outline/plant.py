"""What each place of the flat view shows: plant, foliage, the stem's centre line, its base and its tip.

A small convolutional network answers for every pixel at once, from the colours relative to this
photo's paper.  It was learned from pictures with known truth (``tests/studies/plant_maps.py``); each
answer is a probability.  OpenCV's network module runs it, so nothing else is needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

NETWORK_MM_PER_PX = 0.1
"""The network was learned on flat views of this scale."""
BRIGHTEST = 1.5
"""Relative linear light above which everything is coded alike."""
CODE_GAMMA = 2.2
PAPER_CODE, CODE_GAIN = 0.83, 4.0
"""Codes are centred on that of white paper, and stretched to about one."""
BLOCK_PX = 32
"""Sides are padded to a multiple: the network halves them five times, its input included."""


@dataclass(frozen=True, slots=True, eq=False)
class PlantMaps:
    """Probabilities for each pixel of the flat view, (H, W) float32."""

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
        """Return the maps of a window; x, y, width, height in pixels."""
        window = (slice(y, y + height), slice(x, x + width))
        return PlantMaps(*(field[window] for field in self.fields))

    @property
    def fields(self) -> tuple[Field, ...]:
        """All maps in the order of their definition."""
        return (self.plant, self.foliage, self.bare_axis, self.leafy_axis, self.base, self.tip)


@cache
def shipped_network() -> NDArray[np.uint8]:
    """Return the network file that comes with the package, as bytes."""
    with files("grader.outline").joinpath("plant_maps.onnx").open("rb") as stream:
        return np.frombuffer(stream.read(), dtype=np.uint8)


def plant_maps(linear: Field, lay_mask: NDArray[np.bool_]) -> PlantMaps:
    """Return the maps of a flat view (H, W, 3) of 0.1 mm pixels; outside ``lay_mask`` it is paper."""
    height, width = linear.shape[:2]
    coded = cv2.pow(np.clip(linear, 1e-4, BRIGHTEST) / BRIGHTEST, 1 / CODE_GAMMA)
    coded = (coded - PAPER_CODE) * CODE_GAIN
    coded[~lay_mask] = 0.0
    below, right = -height % BLOCK_PX, -width % BLOCK_PX
    padded = cv2.copyMakeBorder(coded, 0, below, 0, right, cv2.BORDER_CONSTANT, value=(0.0, 0.0, 0.0))
    rows, columns = padded.shape[0] // 2, padded.shape[1] // 2
    blocks = padded.reshape(rows, 2, columns, 2, 3).transpose(4, 1, 3, 0, 2)
    network = cv2.dnn.readNetFromONNX(shipped_network())
    network.setInput(np.ascontiguousarray(blocks.reshape(1, 12, rows, columns), dtype=np.float32))
    answers = network.forward()[0]
    size = (2 * columns, 2 * rows)

    def fine(first: int) -> Field:
        cells = answers[first : first + 4].reshape(2, 2, rows, columns).transpose(2, 0, 3, 1)
        return _probability(cells.reshape(2 * rows, 2 * columns)[:height, :width])

    def coarse(index: int) -> Field:
        # Sampled at block centres: linear interpolation keeps them in place.
        return _probability(cv2.resize(answers[index], size, interpolation=cv2.INTER_LINEAR)[:height, :width])

    return PlantMaps(fine(0), fine(4), coarse(8), coarse(9), coarse(10), coarse(11))


def _probability(logit: Field) -> Field:
    return np.asarray(1 / (1 + cv2.exp(-np.clip(logit, -30, 30))), dtype=np.float32)
