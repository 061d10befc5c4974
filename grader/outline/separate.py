"""FlatView -> one silhouette per thing on the paper, each named for what it is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.edge import EDGE_LEVEL, coverage_of, outlines_mm
from grader.outline.ends import EndMaps, Ends, find_ends, way_between_mm
from grader.outline.foreign import ForeignSettings, foreign_things
from grader.outline.plant import MAP_SHRINK, PlantMaps, enlarged, plant_maps
from grader.records import FlatView, Mask, MatPose, PlantMarks, Silhouette, SilhouetteKind

ROOM_PX = 12
"""Room around a crop: for the mixed edge, for clean paper beside it, for what marks lie beyond it."""


@dataclass(frozen=True, slots=True)
class OutlineSettings:
    """What counts as a thing, a fragment, dirt."""

    foreign: ForeignSettings = field(default_factory=ForeignSettings)
    least_likeness: float = 0.5
    """Probability of being plant from which a pixel counts."""
    close_mm: float = 0.3
    """Gaps up to this width inside one plant are closed: twigs thinner than a pixel or two."""
    least_area_mm2: float = 22.0
    """Smaller things are dirt or loose leaves: the smallest cutting of 25 mm has 30 mm2."""
    least_length_mm: float = 18.0
    """Shorter things are dirt; miniature cuttings start at 24 mm."""
    fragment_gap_mm: float = 0.9
    """A loose piece this near a plant belongs to it: a leaf on a petiole too thin to see."""
    piece_gap_mm: float = 2.5
    """The same for a larger piece without a base of its own."""
    piece_share: float = 0.4
    """A loose piece larger than this share of its neighbour is a thing of its own."""
    least_base_score: float = 0.13
    """Below this no end looks like a cut base."""
    rival_score: float = 0.5
    """A second end at least this base-like, far from the first: two cuttings lie together."""
    tangle_area_mm2: float = 400.0
    """Something plant-like this large without one cut end is taken for several cuttings."""
    rival_distance_mm: float = 30.0
    rival_length_mm: float = 60.0
    """On something shorter, two base-like ends are its own two ends: doubt, not overlap."""
    solid_share: float = 0.8
    """Share of its convex hull that a card, a label or a tool fills; cuttings fill less."""
    solid_width_mm: float = 12.0
    bare_branching: float = 1.15
    """Skeleton length over longest way: a pen or a bare stick is below, foliage far above."""
    skeleton_shrink: int = MAP_SHRINK
    """Skeletons are made on a mask reduced by this factor (0.2 mm), beside the maps."""
    base_reach_mm: float = 0.5
    """The same for finding bases, whose middle must not be drawn to neighbours."""
    marks_reach_mm: float = 1.2
    """Probabilities count for a silhouette up to this distance from it: the edge may be off."""
    edge_sigma_mm: float = 0.03
    """Standard uncertainty of an edge: from renders with known outlines."""


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """A connected patch that is not paper; crop coordinates."""

    corner: tuple[int, int]
    mask: Mask
    area_mm2: float
    ends: Ends | None

    @property
    def base_score(self) -> float:
        return self.ends.candidates[0].score if self.ends and self.ends.candidates else 0.0


def find_silhouettes(
    view: FlatView, pose: MatPose, settings: OutlineSettings | None = None
) -> tuple[Silhouette, ...]:
    """Return the silhouettes of all things on the lay area in reading order.

    Things too small to be a cutting (crumbs, fallen needles) are left out silently.
    """
    settings = settings or OutlineSettings()
    maps = plant_maps(view)
    likely = (enlarged(maps.plant, view.lay_mask.shape) > settings.least_likeness) & view.lay_mask
    coverage = coverage_of(view.linear_in(view.whole), likely) * view.lay_mask
    marked = (coverage > EDGE_LEVEL).astype(np.uint8)
    side = 2 * round(settings.close_mm / view.mm_per_px / 2) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    closed = np.asarray(cv2.morphologyEx(marked, cv2.MORPH_CLOSE, kernel), dtype=np.uint8)
    objects = [
        _Piece(corner, mask, float(mask.sum()) * view.mm_per_px**2, None)
        for corner, mask in foreign_things(view, closed, settings.foreign)
    ]
    for thing in objects:
        x, y = thing.corner
        closed[y : y + thing.mask.shape[0], x : x + thing.mask.shape[1]][thing.mask] = 0
    pieces, crumbs = _pieces(closed, maps, view.mm_per_px, settings)
    wholes = _joined(pieces, crumbs, maps, view, settings) + objects
    found = [_silhouette(piece, coverage, maps, view, settings) for piece in wholes]
    return tuple(_reading_order([s for s in found if s is not None]))


def _pieces(
    closed: NDArray[np.uint8], maps: PlantMaps, mm_per_px: float, settings: OutlineSettings
) -> tuple[list[_Piece], list[_Piece]]:
    """Return the pieces large enough to be a cutting or part of one, and the crumbs."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=8)
    least_crumb_mm2 = 0.3
    pieces, crumbs = [], []
    for label in range(1, len(stats)):
        x, y, width, height, count = (int(value) for value in stats[label])
        area_mm2 = count * mm_per_px**2
        if area_mm2 < least_crumb_mm2:
            continue
        mask = labels[y : y + height, x : x + width] == label
        if area_mm2 < settings.least_area_mm2:
            crumbs.append(_Piece((x, y), mask, area_mm2, None))
        else:
            pieces.append(_piece((x, y), mask, maps, mm_per_px, settings))
    return pieces, crumbs


def _piece(
    corner: tuple[int, int],
    mask: Mask,
    maps: PlantMaps,
    mm_per_px: float,
    settings: OutlineSettings,
) -> _Piece:
    shrink = settings.skeleton_shrink
    (x0, y0), roomy = _with_room(corner, mask, maps.view_shape)
    small = np.pad(roomy[::shrink, ::shrink].astype(np.uint8), 2)
    bridged = cv2.morphologyEx(small, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))[2:-2, 2:-2]
    here = maps.crop(x0, y0, roomy.shape[1], roomy.shape[0])
    near = _within(roomy, settings.base_reach_mm / mm_per_px)[::shrink, ::shrink]
    end_maps = EndMaps(
        *(np.where(near, m, np.float32(0)) for m in (here.base, here.bare_axis, here.leafy_axis))
    )
    ends = find_ends(bridged.astype(bool), end_maps, mm_per_px * shrink)
    moved = np.subtract((x0, y0), corner) / shrink
    return _Piece(corner, mask, float(mask.sum()) * mm_per_px**2, _moved_ends(ends, moved))


def _with_room(corner: tuple[int, int], mask: Mask, shape: tuple[int, ...]) -> tuple[tuple[int, int], Mask]:
    """Return a crop's mask with room around it, within the view, and its new corner (x, y); all even."""
    height, width = shape[:2]
    x0, y0 = (max(0, corner[k] - ROOM_PX) // MAP_SHRINK * MAP_SHRINK for k in (0, 1))
    x1, y1 = (
        min(side, -(-(corner[k] + mask.shape[1 - k] + ROOM_PX) // MAP_SHRINK) * MAP_SHRINK)
        for k, side in ((0, width), (1, height))
    )
    roomy = np.zeros((y1 - y0, x1 - x0), dtype=bool)
    dx, dy = corner[0] - x0, corner[1] - y0
    roomy[dy : dy + mask.shape[0], dx : dx + mask.shape[1]] = mask
    return (x0, y0), roomy


def _joined(
    pieces: list[_Piece],
    crumbs: list[_Piece],
    maps: PlantMaps,
    view: FlatView,
    settings: OutlineSettings,
) -> list[_Piece]:
    """Give crumbs and pieces without a base of their own to the plant they belong to."""
    rooted = [p for p in pieces if p.base_score >= settings.least_base_score]
    loose = [p for p in pieces if p.base_score < settings.least_base_score]
    if not rooted:
        return pieces
    owner = np.zeros(maps.view_shape, dtype=np.int32)
    for number, piece in enumerate(rooted, start=1):
        x, y = piece.corner
        height, width = piece.mask.shape
        owner[y : y + height, x : x + width][piece.mask] = number
    gained: dict[int, list[_Piece]] = {}
    left_over = []
    for piece in [*crumbs, *loose]:
        is_crumb = piece.ends is None
        limit_mm = settings.fragment_gap_mm if is_crumb else settings.piece_gap_mm
        number = _owner_within(owner, piece, limit_mm / view.mm_per_px)
        if number and piece.area_mm2 < settings.piece_share * rooted[number - 1].area_mm2:
            gained.setdefault(number, []).append(piece)
        elif not is_crumb:
            left_over.append(piece)
    grown = [
        _united([piece, *gained[number]], maps, view.mm_per_px, settings) if number in gained else piece
        for number, piece in enumerate(rooted, start=1)
    ]
    return grown + left_over


def _owner_within(owner: NDArray[np.int32], piece: _Piece, reach_px: float) -> int:
    """Return whose plant lies nearest to a loose piece, 0 if none lies within reach."""
    room = math.ceil(reach_px) + 1
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
    gaps_px = np.where(piece.mask, away[here], np.inf)
    at = np.unravel_index(int(gaps_px.argmin()), gaps_px.shape)
    if gaps_px[at] >= reach_px:
        return 0
    return int(around[nearest == nearest[here][at]].max())


def _united(parts: list[_Piece], maps: PlantMaps, mm_per_px: float, settings: OutlineSettings) -> _Piece:
    low = np.min([part.corner for part in parts], axis=0)
    high = np.max([np.add(part.corner, part.mask.shape[::-1]) for part in parts], axis=0)
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=bool)
    for part in parts:
        x, y = np.subtract(part.corner, low)
        mask[y : y + part.mask.shape[0], x : x + part.mask.shape[1]] |= part.mask
    whole = _piece((int(low[0]), int(low[1])), mask, maps, mm_per_px, settings)
    # Loose parts have skeletons of their own; the ends of the rooted part stay what they were.
    moved = np.subtract(parts[0].corner, low) / settings.skeleton_shrink
    return _Piece(whole.corner, mask, whole.area_mm2, _moved_ends(parts[0].ends, moved))


def _moved_ends(ends: Ends | None, by_px: NDArray[np.float64]) -> Ends | None:
    if ends is None:
        return None
    moved = tuple(
        replace(c, xy_px=(c.xy_px[0] + float(by_px[0]), c.xy_px[1] + float(by_px[1])))
        for c in ends.candidates
    )
    return replace(ends, candidates=moved)


def _silhouette(
    piece: _Piece,
    whole: NDArray[np.float32],
    maps: PlantMaps,
    view: FlatView,
    settings: OutlineSettings,
) -> Silhouette | None:
    (x0, y0), mask = _with_room(piece.corner, piece.mask, view.lay_mask.shape)
    y1, x1 = y0 + mask.shape[0], x0 + mask.shape[1]
    kind, reason = _kind(piece, view, settings)
    if kind is SilhouetteKind.OBJECT and piece.area_mm2 < settings.foreign.least_area_mm2:
        return None
    rim = cv2.dilate(mask.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    coverage = whole[y0:y1, x0:x1] * rim
    outline, holes = outlines_mm(coverage, (x0, y0), view.mm_per_px, view.origin_mm)
    if len(outline) < 3:
        return None
    base_mm, run_mm, half_mm, rival = (float("nan"), float("nan")), 0.0, 0.0, 0.0
    if piece.ends and piece.ends.candidates:
        best = np.asarray(piece.ends.candidates[0].xy_px) * settings.skeleton_shrink
        at = (best + piece.corner) * view.mm_per_px + view.origin_mm
        base_mm = (float(at[0]), float(at[1]))
        run_mm, half_mm = piece.ends.candidates[0].run_mm, piece.ends.candidates[0].half_width_mm
        rival = _rival_score(piece.ends, view.mm_per_px * settings.skeleton_shrink, settings)
    near = _within(mask, settings.marks_reach_mm / view.mm_per_px)
    here = maps.crop(x0, y0, x1 - x0, y1 - y0)
    marks = [np.where(near, enlarged(shares, near.shape), np.float32(0)) for shares in here.fields]
    for shares in (coverage, *marks):
        shares.setflags(write=False)
    return Silhouette(
        kind=kind,
        reason=reason,
        outline_mm=outline,
        holes_mm=holes,
        coverage=coverage,
        corner_px=(x0, y0),
        area_mm2=float(coverage.sum()) * view.mm_per_px**2,
        base_mm=base_mm,
        base_run_mm=run_mm,
        base_half_width_mm=half_mm,
        base_score=piece.base_score,
        rival_score=rival,
        edge_sigma_mm=settings.edge_sigma_mm,
        marks=PlantMarks(*marks),
    )


def _within(mask: Mask, reach_px: float) -> Mask:
    """Return where the mask is no further away than this; quicker than dilation by a large disc."""
    away = cv2.distanceTransform(1 - mask.astype(np.uint8), cv2.DIST_L2, 3)
    return np.asarray(away < reach_px + 0.5)


def _rival_score(ends: Ends, mm_per_px: float, settings: OutlineSettings) -> float:
    best = ends.candidates[0]
    for other in ends.candidates[1:]:
        if other.score < 0.05:
            break
        if other.half_width_mm < 0.6 * best.half_width_mm:
            continue
        if way_between_mm(ends, best, other, mm_per_px) > settings.rival_distance_mm:
            return other.score
    return 0.0


def _kind(piece: _Piece, view: FlatView, settings: OutlineSettings) -> tuple[SilhouetteKind, str]:
    touches = _touches_border(piece, view)
    length_mm = piece.ends.longest_way_mm if piece.ends else 0.0
    rims, _ = cv2.findContours(piece.mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    hull = cv2.convexHull(np.concatenate(rims))
    hull_mm2 = float(cv2.contourArea(hull)) * view.mm_per_px**2
    sides_mm = np.asarray(cv2.minAreaRect(hull)[1]) * view.mm_per_px
    if piece.area_mm2 > settings.solid_share * hull_mm2 and sides_mm.min() > settings.solid_width_mm:
        return SilhouetteKind.OBJECT, "not a cutting: a solid thing such as a card, a label or a tool"
    if piece.ends is None:
        return SilhouetteKind.OBJECT, "not a cutting: a tool or another thing, not coloured like a plant"
    if length_mm < settings.least_length_mm:
        return SilhouetteKind.OBJECT, "not a cutting: too short"
    if piece.base_score < settings.least_base_score and piece.area_mm2 > settings.tangle_area_mm2:
        return (
            SilhouetteKind.OVERLAP,
            "no single cut end can be told: if cuttings touch or overlap here, lay them apart, cut ends free",
        )
    if piece.base_score < settings.least_base_score:
        return (
            SilhouetteKind.OBJECT,
            "not a cutting: no bare cut end to be seen; if it is one, lay it apart with its cut end free",
        )
    if piece.ends.branching < settings.bare_branching:
        return SilhouetteKind.OBJECT, "not a cutting: a bare stick or a tool without foliage"
    rival = _rival_score(piece.ends, view.mm_per_px * settings.skeleton_shrink, settings)
    if rival > settings.rival_score and length_mm > settings.rival_length_mm:
        return (
            SilhouetteKind.OVERLAP,
            "two or more cuttings touch or overlap here: lay them apart and take the photo again",
        )
    if touches:
        return (
            SilhouetteKind.OUTSIDE,
            "reaches outside the lay area: move it inside and take the photo again",
        )
    return SilhouetteKind.CUTTING, ""


def _touches_border(piece: _Piece, view: FlatView) -> bool:
    height, width = view.lay_mask.shape
    x, y = piece.corner
    if x <= 1 or y <= 1 or x + piece.mask.shape[1] >= width - 1 or y + piece.mask.shape[0] >= height - 1:
        return True
    window = view.lay_mask[y - 1 : y + piece.mask.shape[0] + 1, x - 1 : x + piece.mask.shape[1] + 1]
    wide = cv2.dilate(np.pad(piece.mask, 1).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return bool((wide & ~window).any())


def _reading_order(silhouettes: list[Silhouette]) -> list[Silhouette]:
    """Sort row by row, left to right; a row is what overlaps the first thing in it by half."""
    waiting = sorted(silhouettes, key=lambda s: float(s.outline_mm[:, 1].mean()))
    ordered: list[Silhouette] = []
    while waiting:
        top = waiting[0]
        low, high = float(top.outline_mm[:, 1].min()), float(top.outline_mm[:, 1].max())
        row = [s for s in waiting if low <= float(s.outline_mm[:, 1].mean()) <= high]
        row = row or [top]
        ordered += sorted(row, key=lambda s: float(s.outline_mm[:, 0].mean()))
        waiting = [s for s in waiting if all(s is not taken for taken in row)]
    return ordered
