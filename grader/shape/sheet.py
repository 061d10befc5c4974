"""The crops of several cuttings on one sheet, one below the other, so that all are read by one call."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import Mask, Points, Values
from grader.shape.fields import CuttingFields, Field, on_lines
from grader.shape.lines import Counts

ALIGN_PX = 8
"""Crops begin at whole cells of every size in use."""
RIM_PX = 64
"""Empty rows between two crops: nobody looks further beside a cutting (6 mm)."""
MOST_ROWS_PX = 30_000
"""OpenCV maps no more than 32,767 rows."""


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """Fields of several cuttings; places are told by the cutting they belong to and a mat position."""

    coverage: Field
    """(H, W) covered share, 0 to 1."""
    bare_axis: Field
    """Of the marks, in cells, like the following."""
    leafy_axis: Field
    tip: Field
    line: Field
    """The stem's centre line, below the foliage or within it."""
    mm_per_px: float
    corners_mm: Points
    """(C, 2) mat position of the centre of each crop's first pixel."""
    tops_px: Counts
    """(C,) the first row of each crop."""
    sizes_px: Counts
    """(C, 2) width, height of each crop."""

    @classmethod
    def of(cls, cuttings: Sequence[CuttingFields]) -> Sheet:
        """Return the sheet of at least one cutting."""
        sizes = np.array([cutting.coverage.shape[::-1] for cutting in cuttings], dtype=np.int64)
        taken = -(-sizes // ALIGN_PX) * ALIGN_PX
        tops = np.cumsum(taken[:, 1] + RIM_PX) - taken[:, 1] - RIM_PX
        shape = int(tops[-1] + taken[-1, 1]), int(taken[:, 0].max())
        cell = cuttings[0].cell_px
        marks = [cutting.marks for cutting in cuttings]
        in_cells = (shape[0] // cell, shape[1] // cell), tops // cell
        bare = _stacked([one.bare_axis for one in marks], *in_cells)
        leafy = _stacked([one.leafy_axis for one in marks], *in_cells)
        return cls(
            coverage=_stacked([cutting.coverage for cutting in cuttings], shape, tops),
            bare_axis=bare,
            leafy_axis=leafy,
            tip=_stacked([one.tip for one in marks], *in_cells),
            line=np.asarray(cv2.max(bare, leafy), dtype=np.float32),
            mm_per_px=cuttings[0].mm_per_px,
            corners_mm=np.array([cutting.corner_mm for cutting in cuttings]),
            tops_px=tops,
            sizes_px=sizes,
        )

    def cell_px_of(self, field: NDArray[Any]) -> int:
        """Return how many pixels a cell of a field is wide."""
        return int(self.coverage.shape[1] // field.shape[1])

    def across(
        self, field: Field, owner: Counts, centre_mm: Points, normals: Points, across_mm: Values
    ) -> Field:
        """Return a field's values (K, U) on straight lines through places of cuttings, 0 outside the crops.

        Parameters
        ----------
        owner : (K,)
            Which cutting.
        centre_mm, normals : (K, 2)
        across_mm : (U,)
            Distances from the places along the normals.
        """
        cell_px = self.cell_px_of(field)
        cell_mm = cell_px * self.mm_per_px
        xy = (centre_mm - self.corners_mm[owner]) / cell_mm - (cell_px - 1) / (2 * cell_px)
        xy[:, 1] += (self.tops_px / cell_px)[owner]
        return on_lines(field, xy, normals / cell_mm, across_mm)

    def owner_of(self, rows: NDArray[np.integer] | Values, cell_px: int) -> Counts:
        """Return which cutting (N,) rows (N,) of cells belong to."""
        return np.searchsorted(self.tops_px, rows * cell_px, side="right") - 1

    def mm_of(self, xy: NDArray[np.integer] | Points, owner: Counts, cell_px: int) -> Points:
        """Return mat positions (N, 2) of places (N, 2) in cells of so many pixels."""
        px = xy * float(cell_px) + (cell_px - 1) / 2
        px[:, 1] -= self.tops_px[owner]
        return np.asarray(self.corners_mm[owner] + px * self.mm_per_px)

    def cells_of(self, at_mm: Points, owner: Counts, cell_px: int) -> NDArray[np.int64]:
        """Return the cells (N, 2) as (row, column) at mat positions, the nearest for those outside."""
        px = (at_mm - self.corners_mm[owner]) / self.mm_per_px - (cell_px - 1) / 2
        most = np.maximum(self.sizes_px[owner] // cell_px - 1, 0)
        cells = np.clip(np.rint(px / cell_px).astype(np.int64), 0, most)
        return np.stack([cells[:, 1] + self.tops_px[owner] // cell_px, cells[:, 0]], axis=1)

    def is_rim(self, rows: int, cell_px: int) -> Mask:
        """Return which rows (rows,) of cells belong to no crop."""
        edges = np.zeros(rows + 1, dtype=np.int64)
        edges[self.tops_px // cell_px] += 1
        edges[(self.tops_px + self.sizes_px[:, 1]) // cell_px] -= 1
        return np.asarray(np.cumsum(edges)[:-1] == 0)


def groups_on_sheets(heights_px: Sequence[int]) -> Iterator[slice]:
    """Yield which cuttings, in their order, go on one sheet."""
    first, rows = 0, 0
    for k, height in enumerate(heights_px):
        taken = height + ALIGN_PX + RIM_PX
        if k > first and rows + taken > MOST_ROWS_PX:
            yield slice(first, k)
            first, rows = k, 0
        rows += taken
    if heights_px:
        yield slice(first, len(heights_px))


def _stacked(parts: Sequence[NDArray[Any]], shape: tuple[int, int], tops: Counts) -> NDArray[Any]:
    """Return pictures from given rows on in an empty one."""
    sheet = np.empty(shape, dtype=parts[0].dtype)
    for part, top, end in zip(parts, tops.tolist(), [*tops[1:].tolist(), shape[0]], strict=True):
        bottom, right = top + part.shape[0], part.shape[1]
        sheet[top:bottom, :right] = part
        sheet[top:bottom, right:] = 0
        sheet[bottom:end] = 0
    return sheet
