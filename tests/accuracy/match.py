"""Which found thing is which true cutting: by the share of the true silhouette inside the outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from skimage.measure import points_in_poly

from tests.accuracy.truth import PhotoTruth

MIN_SHARE_FOUND = 0.25
"""Share of the true silhouette that must lie inside an outline for the two to be the same thing."""
MIN_SHARE_MERGED = 0.25
"""An outline that holds at least this share of each of two cuttings has merged them."""
MAX_CELLS = 4000
"""Cells of one silhouette that are tested; more only cost time."""


@dataclass(frozen=True, slots=True, eq=False)
class Matching:
    """Indices into the true cuttings and the found outlines."""

    pairs: tuple[tuple[int, int], ...]
    """(true, found)."""
    share: NDArray[np.float64]
    """(n_true, n_found): part of the true silhouette inside the outline."""

    def found_of(self, true: int) -> int | None:
        """Return the outline matched to a true cutting."""
        return dict(self.pairs).get(true)

    def unmatched_found(self) -> tuple[int, ...]:
        """Return the outlines that belong to nothing (or are a second piece of something)."""
        used = {found for _, found in self.pairs}
        return tuple(index for index in range(self.share.shape[1]) if index not in used)

    def merged(self) -> tuple[int, ...]:
        """Return the outlines that hold two or more true cuttings."""
        return tuple(int(i) for i in np.flatnonzero((self.share >= MIN_SHARE_MERGED).sum(axis=0) > 1))


def match(truth: PhotoTruth, outlines_mm: Sequence[NDArray[np.float64]]) -> Matching:
    """Return the one-to-one matching with the largest overlap in total.

    The true silhouettes are moved to where they are seen (their height shifts them), since outlines
    are handed over as seen.
    """
    share = np.zeros((len(truth.cuttings), len(outlines_mm)))
    for row, cutting in enumerate(truth.cuttings):
        step = max(1, len(cutting.cells_mm) // MAX_CELLS)
        seen = truth.seen_from_true(cutting.cells_mm, cutting.cells_height_mm())[::step]
        for column, outline in enumerate(outlines_mm):
            low, high = outline.min(axis=0), outline.max(axis=0)
            near = ((seen >= low) & (seen <= high)).all(axis=1)
            if near.any():
                share[row, column] = points_in_poly(seen[near], outline).sum() / len(seen)  # type: ignore[no-untyped-call]
    rows, columns = linear_sum_assignment(-share)
    pairs = tuple(
        (int(row), int(column))
        for row, column in zip(rows, columns, strict=True)
        if share[row, column] >= MIN_SHARE_FOUND
    )
    return Matching(pairs, share)
