"""Connected patches of plant on the cells of the maps, each with its possible cut ends, joined to wholes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.ends import EndMaps, Ends, find_ends
from grader.outline.plant import PlantMaps
from grader.records import Mask

ROOM_CELLS = 6
"""Room around a piece: for the mixed edge, for clean paper beside it, for what marks lie beyond it."""


@dataclass(frozen=True, slots=True)
class PieceSettings:
    """What counts as a thing, a fragment, dirt."""

    close_mm: float = 0.3
    """Gaps up to this width inside one plant are closed: twigs thinner than a pixel or two."""
    least_crumb_mm2: float = 0.3
    """Smaller specks belong to nothing."""
    least_area_mm2: float = 22.0
    """Smaller things are dirt or loose leaves: the smallest cutting of 25 mm has 30 mm2."""
    fragment_gap_mm: float = 0.9
    """A loose piece this near a plant belongs to it: a leaf on a petiole too thin to see."""
    piece_gap_mm: float = 2.5
    """The same for a larger piece without a base of its own."""
    piece_share: float = 0.4
    """A loose piece larger than this share of its neighbour is a thing of its own."""
    least_base_score: float = 0.13
    """Below this no end looks like a cut base."""
    base_reach_mm: float = 0.5
    """A base counts for a piece up to this distance from it: its middle must not be drawn to neighbours."""


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A patch that is not paper, in cells of the maps."""

    corner: tuple[int, int]
    """(x, y) cell of the mask's top-left cell."""
    mask: Mask
    area_mm2: float
    ends: Ends | None
    """Its places in cells from the corner."""

    @property
    def base_score(self) -> float:
        """Probability that its likeliest cut end is one."""
        return self.ends.candidates[0].score if self.ends and self.ends.candidates else 0.0


def closed(cells: NDArray[np.uint8], cell_mm: float, settings: PieceSettings) -> NDArray[np.uint8]:
    """Return a mask with its narrow gaps closed: so many whole cells as fit into the width."""
    side = int(settings.close_mm / cell_mm) + 1
    kernel = np.ones((side, side), np.uint8)
    # An even square has no middle: what it adds on one side it must take away there.
    wide = cv2.dilate(cells, kernel, anchor=(0, 0))
    return np.asarray(cv2.erode(wide, kernel, anchor=(side - 1, side - 1)), dtype=np.uint8)


def whole_pieces(
    cells: NDArray[np.uint8], maps: PlantMaps, cell_mm: float, settings: PieceSettings
) -> list[Piece]:
    """Return the things on the tray, each with the loose parts that belong to it.

    Parameters
    ----------
    cells : (H/2, W/2) uint8
        1 where there is plant.
    maps : PlantMaps
    cell_mm : float
    settings : PieceSettings
    """
    pieces, crumbs = _pieces(cells, maps, cell_mm, settings)
    return _joined(pieces, crumbs, maps, cell_mm, settings)


def with_room(corner: tuple[int, int], mask: Mask, shape: tuple[int, ...]) -> tuple[tuple[int, int], Mask]:
    """Return a piece's mask with room around it, within the tray, and its new corner (x, y)."""
    low = [max(0, at - ROOM_CELLS) for at in corner]
    high = [min(shape[1 - k], corner[k] + mask.shape[1 - k] + ROOM_CELLS) for k in (0, 1)]
    roomy = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=bool)
    dx, dy = corner[0] - low[0], corner[1] - low[1]
    roomy[dy : dy + mask.shape[0], dx : dx + mask.shape[1]] = mask
    return (low[0], low[1]), roomy


def within(mask: Mask, reach: float) -> Mask:
    """Return where the mask is no further away than this, in its own pixels."""
    # What lies within reach of one pixel, drawn around all: quicker than the distances of all others.
    side = 2 * math.ceil(reach) + 3
    apart = np.ones((side, side), dtype=np.uint8)
    apart[side // 2, side // 2] = 0
    around = cv2.distanceTransform(apart, cv2.DIST_L2, 3) < reach + 0.5
    return np.asarray(cv2.dilate(mask.view(np.uint8), around.view(np.uint8))).view(np.bool_)


def _pieces(
    cells: NDArray[np.uint8], maps: PlantMaps, cell_mm: float, settings: PieceSettings
) -> tuple[list[Piece], list[Piece]]:
    """Return the pieces large enough to be a cutting or part of one, and the crumbs."""
    # Labels of 16 bits are enough: a plant has thousands of cells, and they are twice as quick.
    _, labels, stats, _ = cv2.connectedComponentsWithStats(cells, connectivity=8, ltype=cv2.CV_16U)
    least_cells = settings.least_crumb_mm2 / cell_mm**2
    pieces: list[Piece] = []
    crumbs: list[Piece] = []
    for label in np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] >= least_cells) + 1:
        x, y, width, height, count = stats[label].tolist()
        mask = labels[y : y + height, x : x + width] == label
        piece = Piece((x, y), mask, count * cell_mm**2, None)
        (crumbs if piece.area_mm2 < settings.least_area_mm2 else pieces).append(piece)
    return _with_ends(pieces, maps, cell_mm, settings), crumbs


def _with_ends(pieces: list[Piece], maps: PlantMaps, cell_mm: float, settings: PieceSettings) -> list[Piece]:
    """Return the pieces with their possible cut ends; they are looked for in all at once."""
    windows = [with_room(piece.corner, piece.mask, maps.plant.shape) for piece in pieces]
    masks = [roomy for _, roomy in windows]
    end_maps = [_end_maps(corner, roomy, maps, settings.base_reach_mm / cell_mm) for corner, roomy in windows]
    return [
        replace(piece, ends=_moved_ends(ends, np.subtract(corner, piece.corner)))
        for piece, (corner, _), ends in zip(pieces, windows, find_ends(masks, end_maps, cell_mm), strict=True)
    ]


def _end_maps(corner: tuple[int, int], mask: Mask, maps: PlantMaps, reach: float) -> EndMaps:
    """Return what the maps say of a piece: within reach of it only."""
    x, y = corner
    near = within(mask, reach).view(np.uint8)
    window = slice(y, y + mask.shape[0]), slice(x, x + mask.shape[1])
    kept = (cv2.copyTo(field[window], near) for field in (maps.base, maps.bare_axis, maps.leafy_axis))
    return EndMaps(*(np.asarray(field, dtype=np.float32) for field in kept))


def _joined(
    pieces: list[Piece], crumbs: list[Piece], maps: PlantMaps, cell_mm: float, settings: PieceSettings
) -> list[Piece]:
    """Give crumbs and pieces without a base of their own to the plant they belong to."""
    rooted = [p for p in pieces if p.base_score >= settings.least_base_score]
    loose = [p for p in pieces if p.base_score < settings.least_base_score]
    if not rooted:
        return pieces
    owner = np.zeros(maps.plant.shape, dtype=np.int32)
    for number, piece in enumerate(rooted, start=1):
        x, y = piece.corner
        height, width = piece.mask.shape
        owner[y : y + height, x : x + width][piece.mask] = number
    gained: dict[int, list[Piece]] = {}
    left_over = []
    for piece in [*crumbs, *loose]:
        is_crumb = piece.ends is None
        limit_mm = settings.fragment_gap_mm if is_crumb else settings.piece_gap_mm
        number = _owner_within(owner, piece, limit_mm / cell_mm)
        if number and piece.area_mm2 < settings.piece_share * rooted[number - 1].area_mm2:
            gained.setdefault(number, []).append(piece)
        elif not is_crumb:
            left_over.append(piece)
    grown = [
        _united([piece, *gained[number]]) if number in gained else piece
        for number, piece in enumerate(rooted, start=1)
    ]
    return grown + left_over


def _owner_within(owner: NDArray[np.int32], piece: Piece, reach: float) -> int:
    """Return whose plant lies nearest to a loose piece, 0 if none lies within reach (in cells)."""
    room = math.ceil(reach) + 1
    x, y = piece.corner
    left, top = max(0, x - room), max(0, y - room)
    rows, columns = piece.mask.shape
    around = owner[top : y + rows + room, left : x + columns + room]
    if not around.any():
        return 0
    away, nearest = cv2.distanceTransformWithLabels(
        (around == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    here = (slice(y - top, y - top + rows), slice(x - left, x - left + columns))
    gaps = np.where(piece.mask, away[here], np.inf)
    at = np.unravel_index(int(gaps.argmin()), gaps.shape)
    if gaps[at] >= reach:
        return 0
    return int(around[nearest == nearest[here][at]].max())


def _united(parts: list[Piece]) -> Piece:
    """Return parts as one piece; its ends are those of the first: loose parts have skeletons of their own."""
    low = np.min([part.corner for part in parts], axis=0)
    high = np.max([np.add(part.corner, part.mask.shape[::-1]) for part in parts], axis=0)
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=bool)
    for part in parts:
        x, y = np.subtract(part.corner, low)
        mask[y : y + part.mask.shape[0], x : x + part.mask.shape[1]] |= part.mask
    area_mm2 = sum(part.area_mm2 for part in parts)
    ends = _moved_ends(parts[0].ends, np.subtract(parts[0].corner, low))
    return Piece((int(low[0]), int(low[1])), mask, area_mm2, ends)


def _moved_ends(ends: Ends | None, by: NDArray[np.int64]) -> Ends | None:
    if ends is None:
        return None
    moved = tuple(
        replace(c, xy_px=(c.xy_px[0] + float(by[0]), c.xy_px[1] + float(by[1]))) for c in ends.candidates
    )
    return replace(ends, candidates=moved)
