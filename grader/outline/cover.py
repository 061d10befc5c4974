"""Sub-pixel edges: how much of each pixel of a tray is covered by plant.

A pixel on the edge mixes plant and paper light (linearly, in linear light).  The pure colours on either
side are carried to the edge from the nearest sure cells, so shaded paper counts as paper.  Only the pixels
of cells near the edge are worked out, all at once: inside everything is covered, outside nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.cells import BRIGHTEST, LightOfCells, halved, light_of_codes
from grader.outline.edge import EDGE_LEVEL
from grader.outline.plant import MAP_SHRINK
from grader.records import FlatView, Mask

BESIDE = np.ones((3, 3), np.uint8)
"""Pixels that touch the provisional edge on either side are mixed (blur, JPEG); the others are sure."""
LEAST_SURE = 0.02
"""Weight of mixed pixels inside: they tell the colour where a needle is too thin for sure ones."""
BAND = np.ones((3, 3), np.uint8)
"""Coverage is worked out in cells that touch the provisional edge, or each other across it."""
CARRY_MM = 0.3
"""Gaussian reach over which the pure colours are carried to the edge."""
CARRY_SHRINK = 2
"""They are carried on a picture of so many cells a pixel: they vary slowly."""
CARRY_SIZE = (7, 7)
"""Its pixels that the reach is followed for: 1.2 mm on each side."""
ROOM_CELLS = 8
"""Worked on beyond the plants (1.6 mm): more than the reach of the colours carried to their edges."""
LEAST_WEIGHT = 1e-3
"""Share of a pixel of that picture, spread, below which it has no colour to carry."""
LEAST_CONTRAST = 0.08
"""Smallest distance between the pure colours (linear light) that can be split."""
SAMPLES_A_ROW = 1024
"""OpenCV samples at places that lie in a picture, of sides below 32,768."""
PAPER, BEYOND, WITHIN, PLANT = range(4)
"""What a pixel is: sure paper, mixed and outside the provisional edge, mixed and inside, sure plant."""
LIKELIEST = 255
"""Code of a probability of 1."""
Bits = NDArray[np.uint8]
Field = NDArray[np.float32]
Places = NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """How much of each place is covered by plants."""

    share: Field
    """(H, W) of the pixels of the flat view, 0 to 1."""
    cells: Bits
    """(H/2, W/2) 1 where half of a cell of the maps is covered."""


def cover_of(view: FlatView, light: LightOfCells, plant: Field, least_likeness: float, lay: Mask) -> Cover:
    """Return what plants cover, from provisional silhouettes.

    Parameters
    ----------
    view : FlatView
    light : (>= H/2, >= W/2, 4) uint16
        Of its cells, see ``light_of_cells``.
    plant : (H/2, W/2) float32
        Probability of being plant.
    least_likeness : float
        From which a place counts.
    lay : (H/2, W/2) bool
        Cells of the lay area; nothing is covered outside it.
    """
    share = np.zeros(tuple(side * MAP_SHRINK for side in plant.shape), dtype=np.float32)
    cells = np.zeros(plant.shape, dtype=np.uint8)
    likely = ((plant > least_likeness) & lay).view(np.uint8)
    rows, columns = room = _room_around(likely)
    window = (
        slice(rows.start * MAP_SHRINK, rows.stop * MAP_SHRINK),
        slice(columns.start * MAP_SHRINK, columns.stop * MAP_SHRINK),
    )
    likely = likely[room]
    inside, around = (np.asarray(grow(likely, BAND), dtype=np.uint8) for grow in (cv2.erode, cv2.dilate))
    edge = _EdgeCells.at(cv2.subtract(around, inside).view(np.bool_) & lay[room])
    if not len(edge.x):
        return Cover(share, cells)
    kinds, share[window] = _kinds_of_pixels(plant[room], view.lay_mask[window], least_likeness)
    kind = kinds.ravel().take(edge.pixels_of(kinds.shape[1]))
    pixels = edge.pixels_of(share.shape[1], (columns.start, rows.start))
    codes = np.ascontiguousarray(view.rgb[: share.shape[0], : share.shape[1]]).reshape(-1, 3)
    seen = light_of_codes(codes.take(pixels, axis=0))
    sure = _means(seen, kind == PLANT), _means(seen, kind == PAPER)
    inner = _means(seen, kind >= WITHIN)
    of_plant = np.asarray(cv2.addWeighted(sure[0], 1.0, inner, LEAST_SURE, 0.0), dtype=np.uint16)
    reach = CARRY_MM / (view.mm_per_px * MAP_SHRINK * CARRY_SHRINK)
    # Filled up to whole pixels of the reduced picture, as the light is.
    whole_light = light[tuple(slice(part.start, part.stop + part.stop % CARRY_SHRINK) for part in room)]
    colours = [
        _carried(_placed(whole_light, whole, edge, partly), reach)
        for whole, partly in ((inside, of_plant), (1 - around, sure[1]))
    ]
    lamp = view.light.within(window, colours[0][0].shape)
    mix, is_clear = _mixing(lamp, *colours)
    factors = np.repeat(edge.sampled(mix), MAP_SHRINK, axis=0)
    found = np.stack([np.einsum("nk,nk->n", row, factors) for row in seen.astype(np.float32)])
    np.clip(found, 0.0, 1.0, out=found)
    if not is_clear.all():
        told = np.repeat(is_clear[edge.y // CARRY_SHRINK, edge.x // CARRY_SHRINK], MAP_SHRINK)
        found = np.where(told, found, kind >= WITHIN).astype(np.float32)
    share.ravel()[pixels] = found
    cells[room] = likely
    cells[edge.y + rows.start, edge.x + columns.start] = _means(found, None) > EDGE_LEVEL
    return Cover(share, cells)


def _room_around(likely: Bits) -> tuple[slice, slice]:
    """Return the rows and columns of cells with all that is marked and room around; the first are even."""
    x, y, width, height = cv2.boundingRect(likely)
    limits = []
    for first, n, size in ((y, height, likely.shape[0]), (x, width, likely.shape[1])):
        low = max(0, first - ROOM_CELLS) // CARRY_SHRINK * CARRY_SHRINK
        high = -(-(first + n + ROOM_CELLS) // CARRY_SHRINK) * CARRY_SHRINK
        limits.append(slice(low, min(size, high)))
    return limits[0], limits[1]


@dataclass(frozen=True, slots=True, eq=False)
class _EdgeCells:
    """The cells near an edge, of a window of a tray."""

    x: Places
    y: Places

    @classmethod
    def at(cls, where: Mask) -> _EdgeCells:
        """Return the marked cells."""
        y, x = np.divmod(np.flatnonzero(where).astype(np.int32), np.int32(where.shape[1]))
        return cls(x, y)

    def pixels_of(self, width: int, corner: tuple[int, int] = (0, 0)) -> Places:
        """Return their pixels as numbers along the rows of a picture this wide.

        The window's first cell is (x, y) ``corner`` of it.  (2, 2 N): two rows of pixels, as if the cells
        lay side by side, so that OpenCV reduces them to N.
        """
        first = ((self.y + corner[1]) * width + self.x + corner[0]) * MAP_SHRINK
        along = np.arange(MAP_SHRINK, dtype=np.int32)
        row = (first[:, None] + along).ravel()
        return row + (along * width)[:, None]

    def sampled(self, field: Field) -> Field:
        """Return a field (h, w, 4), reduced by CARRY_SHRINK, at the cells (N, 4), interpolated linearly."""
        n_rows = -(-len(self.x) // SAMPLES_A_ROW)
        at = np.zeros((n_rows * SAMPLES_A_ROW, 2), dtype=np.float32)
        for k, place in enumerate((self.x, self.y)):
            at[: len(place), k] = place
        at += 0.5
        at *= 1 / CARRY_SHRINK
        at -= 0.5
        grid = at.reshape(n_rows, SAMPLES_A_ROW, 2)
        found = cv2.remap(field, grid, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
        return np.asarray(found.reshape(-1, field.shape[2])[: len(self.x)], dtype=np.float32)


def _kinds_of_pixels(plant: Field, lay: Mask, least_likeness: float) -> tuple[Bits, Field]:
    """Return what each pixel of a window is by the provisional edge alone, and its covered share by that.

    Parameters
    ----------
    plant : (h, w) float32
        Of its cells.
    lay : (2 h, 2 w) bool
        Of its pixels.
    least_likeness : float
    """
    rows, columns = lay.shape
    coded = cv2.convertScaleAbs(plant, alpha=LIKELIEST)  # 8 bits tell half-likely places as well, and sooner
    wide = cv2.resize(coded, (columns, rows), interpolation=cv2.INTER_LINEAR)
    solid = np.greater(wide, np.uint8(least_likeness * LIKELIEST))
    solid &= lay
    bits = solid.view(np.uint8)
    kinds = cv2.add(cv2.erode(bits, BESIDE), cv2.dilate(bits, BESIDE))
    return np.asarray(cv2.add(kinds, bits, dst=kinds), dtype=np.uint8), solid.astype(np.float32)


def _means(pixels: NDArray[Any], where: Mask | None) -> NDArray[Any]:
    """Return the means (N, ...) over the pixels (2, 2 N, ...) of cells; what is not marked counts as 0."""
    marked = pixels if where is None else cv2.copyTo(pixels, where.view(np.uint8))
    size = (pixels.shape[1] // MAP_SHRINK, 1)
    return np.asarray(cv2.resize(marked, size, interpolation=cv2.INTER_AREA)[0])


def _placed(light: LightOfCells, whole: Bits, edge: _EdgeCells, partly: LightOfCells) -> LightOfCells:
    """Return the light of whole cells, and of those near the edge what is sure in them; 0 in all others."""
    rows, columns = whole.shape
    more = light.shape[0] - rows, light.shape[1] - columns
    if any(more):
        whole = np.pad(whole, ((0, more[0]), (0, more[1])))
    placed = np.asarray(cv2.copyTo(light, whole), dtype=np.uint16)
    # All four channels of a cell are one number of 64 bits: a quarter of the work.
    placed.view(np.uint64).ravel()[edge.y * light.shape[1] + edge.x] = partly.view(np.uint64).ravel()
    return placed


def _mixing(lamp: Field, of_plant: list[Field], of_paper: list[Field]) -> tuple[Field, Mask]:
    """Return how light tells the covered share, (h, w, 4) reduced, and whether it can, (h, w).

    share = sum((light - paper) * difference) / contrast2: three factors of the light, and what is added.
    Colours weigh relative to the light on the paper, ``lamp`` (h, w, 3).  Light is up to BRIGHTEST.
    """
    contrast2 = np.zeros(of_plant[0].shape, dtype=np.float32)
    steps = []
    for one, other, full in zip(of_plant, of_paper, cv2.split(lamp), strict=True):
        step = cv2.divide(cv2.subtract(one, other), full)
        cv2.accumulateSquare(step, contrast2)
        steps.append(cv2.divide(step, full, dst=step))
    least = (LEAST_CONTRAST * BRIGHTEST) ** 2
    scale = np.maximum(contrast2, np.float32(least))
    added = np.zeros_like(contrast2)
    for step, other in zip(steps, of_paper, strict=True):
        cv2.divide(step, scale, dst=step)
        cv2.accumulateProduct(step, other, added)
    return np.asarray(cv2.merge([*steps, added * (-1 / BRIGHTEST)]), np.float32), np.asarray(
        contrast2 >= least
    )


def _carried(light: LightOfCells, reach: float) -> list[Field]:
    """Return the mean light of what is not blank around each place, one reduced plane (h, w) a colour."""
    small = halved(light).astype(np.float32)  # half the work of 16 bits here
    spread = cv2.GaussianBlur(small, CARRY_SIZE, reach, borderType=cv2.BORDER_CONSTANT)
    *colours, total = cv2.split(spread)
    scale = BRIGHTEST / np.maximum(total, np.float32(LEAST_WEIGHT * BRIGHTEST))
    return [np.asarray(cv2.multiply(colour, scale), dtype=np.float32) for colour in colours]
