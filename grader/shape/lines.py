"""Several polylines in the mat plane, their points in one row.

What takes long is not the arithmetic but asking for it, so that all lines are asked about at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from grader.records import Points, Values

Counts = NDArray[np.int64]
Some = TypeVar("Some", bound=np.generic)

APART_MM = 1.0
"""Room between two lines where their arcs follow each other in one row."""


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Polylines of at least one point each, of the cuttings of a sheet."""

    points_mm: Points
    """(N, 2) those of the first line, then those of the second, ..."""
    n: Counts
    """(C,) how many each line has."""
    owner: Counts
    """(C,) which cutting of the sheet each belongs to."""
    arc_mm: Values
    """(N,) distances along each line from its first point."""

    @classmethod
    def of(cls, parts: Sequence[Points], owner: Counts | None = None) -> Lines:
        """Return lines (K, 2) each; the k-th belongs to the k-th cutting unless said."""
        n = np.array([len(part) for part in parts], dtype=np.int64)
        return cls.in_row(np.concatenate(parts), n, np.arange(len(parts)) if owner is None else owner)

    @classmethod
    def in_row(cls, points_mm: Points, n: Counts, owner: Counts) -> Lines:
        """Return lines of so many points (C,) each."""
        steps = points_mm[1:] - points_mm[:-1]
        arc = np.zeros(len(points_mm))
        np.add.accumulate(np.hypot(steps[:, 0], steps[:, 1]), out=arc[1:])
        arc -= np.repeat(arc[_firsts(n)], n)
        return cls(points_mm, n, owner, arc)

    @property
    def firsts(self) -> Counts:
        """Where (C,) each line begins."""
        return _firsts(self.n)

    @property
    def lasts(self) -> Counts:
        """Where (C,) the last point of each line is."""
        return np.cumsum(self.n) - 1

    @property
    def length_mm(self) -> Values:
        """Length (C,) of each line."""
        return self.arc_mm[self.lasts]

    @property
    def point_line(self) -> Counts:
        """Which line (N,) each point belongs to."""
        return np.repeat(np.arange(len(self.n)), self.n)

    @property
    def point_owner(self) -> Counts:
        """Which cutting (N,) each point belongs to."""
        return np.repeat(self.owner, self.n)

    def split(self, values: NDArray[Some]) -> list[NDArray[Some]]:
        """Return those (N, ...) of each line."""
        return np.split(values, np.cumsum(self.n)[:-1])

    def parts(self) -> list[Points]:
        """Return the points of each line."""
        return np.split(self.points_mm, np.cumsum(self.n)[:-1])

    def normals(self) -> Points:
        """Return unit normals (N, 2): the direction turned by +90 degrees (+x towards +y)."""
        points, firsts, lasts = self.points_mm, self.firsts, self.lasts
        before, after = np.arange(len(points)) - 1, np.arange(len(points)) + 1
        before[firsts], after[lasts] = firsts, lasts
        x, y = (points[after] - points[before]).T
        size = np.maximum(np.hypot(x, y), 1e-12)
        return np.stack([-y / size, x / size], axis=1)

    def at(self, arc_mm: Values, line: Counts, values: Values | None = None) -> NDArray[np.float64]:
        """Return the places (M, 2) so far along the given lines (M,), or what values (N,) are there (M,)."""
        starts = np.cumsum(self.length_mm + APART_MM) - self.length_mm
        row, at = self.arc_mm + np.repeat(starts, self.n), arc_mm + starts[line]
        at = np.minimum(np.maximum(at, starts[line]), (starts + self.length_mm)[line])
        if values is not None:
            return np.interp(at, row, values)
        return np.stack([np.interp(at, row, self.points_mm[:, k]) for k in (0, 1)], axis=1)

    def resampled(self, step_mm: float) -> Lines:
        """Return the lines with equal steps of about ``step_mm``, ends kept."""
        n, line, at_mm = self.even_places(step_mm)
        return Lines.in_row(self.at(at_mm, line), n, self.owner)

    def even_places(self, step_mm: float) -> tuple[Counts, Counts, Values]:
        """Return how many places with equal steps of about ``step_mm`` each line (C,) has, ends included.

        Then the line of each place (M,), and how far along it the place is.
        """
        length = self.length_mm
        n = np.maximum(2, np.rint(length / step_mm).astype(np.int64) + 1)
        line, place = places_in(n)
        return n, line, place * (length / (n - 1))[line]

    def smoothed(self, sigma_mm: float, step_mm: float) -> Lines:
        """Return equally stepped lines with their wiggles shorter than ``sigma_mm`` taken out.

        The ends stay where they are: the straight line between them is taken off first and the rest
        is mirrored with its sign turned.
        """
        even = self.resampled(step_mm)
        firsts, lasts = even.firsts, even.lasts
        line, nth = places_in(even.n)
        share = nth / (even.n - 1)[line]
        from_mm, to_mm = even.points_mm[firsts], even.points_mm[lasts]
        straight = from_mm[line] + share[:, None] * (to_mm - from_mm)[line]
        rest = even.points_mm - straight
        rim = int(4 * sigma_mm / step_mm) + 1
        of, wide = places_in(even.n + 2 * rim)
        turns = 2 * (even.n - 1)
        place = (wide - rim) % turns[of]
        is_turned = place >= even.n[of]
        values = rest[firsts[of] + np.where(is_turned, turns[of] - place, place)]
        values[is_turned] *= -1
        soft = gaussian_filter1d(values, sigma_mm / step_mm, axis=0)
        slots = np.arange(len(line)) + rim * (2 * line + 1)
        return Lines.in_row(straight + soft[slots], even.n, self.owner)


def places_in(n: Counts) -> tuple[Counts, Counts]:
    """Return, for rows of so many places (C,) each one after the other, which row and which place each is."""
    row = np.repeat(np.arange(len(n)), n)
    return row, np.arange(len(row)) - _firsts(n)[row]


def _firsts(n: Counts) -> Counts:
    return np.cumsum(n) - n
