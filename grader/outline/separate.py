"""FlatView -> one silhouette per thing on the paper, each named for what it is."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.cells import lay_cells, light_of_cells
from grader.outline.cover import Cover, cover_of
from grader.outline.edge import outlines_mm
from grader.outline.ends import Ends, way_between_mm
from grader.outline.foreign import ForeignSettings, foreign_things
from grader.outline.pieces import Piece, PieceSettings, closed, whole_pieces, with_room, within
from grader.outline.plant import MAP_SHRINK, PlantMaps, enlarged, plant_maps
from grader.records import FlatView, Mask, MatPose, PlantMarks, Points, Silhouette, SilhouetteKind


@dataclass(frozen=True, slots=True)
class OutlineSettings:
    """What counts as a thing, a fragment, dirt, and what things are."""

    pieces: PieceSettings = field(default_factory=PieceSettings)
    foreign: ForeignSettings = field(default_factory=ForeignSettings)
    least_likeness: float = 0.5
    """Probability of being plant from which a place counts."""
    least_length_mm: float = 18.0
    """Shorter things are dirt; miniature cuttings start at 24 mm."""
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
    """Skeleton length over longest way: a pen or a bare stick is below; so is short, dense foliage ..."""
    bare_foliage_share: float = 0.2
    """... which the network tells by the share of foliage."""
    marks_reach_mm: float = 1.2
    """Probabilities count for a silhouette up to this distance from it: the edge may be off."""
    edge_sigma_mm: float = 0.03
    """Standard uncertainty of an edge: from renders with known outlines."""


def find_silhouettes(
    view: FlatView, pose: MatPose, settings: OutlineSettings | None = None
) -> tuple[Silhouette, ...]:
    """Return the silhouettes of all things on the lay area in reading order.

    Things too small to be a cutting (crumbs, fallen needles) are left out silently.
    """
    settings = settings or OutlineSettings()
    maps = plant_maps(view)
    cell_mm = view.mm_per_px * MAP_SHRINK
    lay = lay_cells(view)
    light = light_of_cells(view)
    cover = cover_of(view, light, maps.plant, settings.least_likeness, lay)
    cells = closed(cover.cells, cell_mm, settings.pieces)
    objects = [
        Piece(corner, mask, float(mask.sum()) * cell_mm**2, None)
        for corner, mask in foreign_things(view, light, cells, lay, settings.foreign)
    ]
    for thing in objects:
        x, y = thing.corner
        rows, columns = thing.mask.shape
        cells[y : y + rows, x : x + columns][thing.mask] = 0
        # The network saw little plant in it, or none: its cells tell what it covers.
        seen = cover.share[_pixels(y, y + rows), _pixels(x, x + columns)]
        np.maximum(seen, enlarged(thing.mask.astype(np.float32), seen.shape), out=seen)
    beyond = _beyond(lay)
    things = whole_pieces(cells, maps, cell_mm, settings.pieces) + objects
    crops = [_Crop.of(thing, cover, beyond.shape) for thing in things]
    lines = outlines_mm(
        [crop.coverage for crop in crops], [crop.corner_px for crop in crops], view.mm_per_px, view.origin_mm
    )
    found = [
        _silhouette(thing, crop, outline, holes, beyond, maps, view, settings)
        for thing, crop, (outline, holes) in zip(things, crops, lines, strict=True)
        if len(outline) > 2
    ]
    return tuple(_reading_order([s for s in found if s is not None]))


@dataclass(frozen=True, slots=True, eq=False)
class _Crop:
    """The window of one thing, with room around it."""

    mask: Mask
    """(h, w) of cells."""
    corner: tuple[int, int]
    """(x, y) cell."""
    coverage: NDArray[np.float32]
    """(2 h, 2 w) of pixels, its own only."""

    @classmethod
    def of(cls, piece: Piece, cover: Cover, shape: tuple[int, ...]) -> _Crop:
        """Return the window of a piece on a tray of this shape, of cells."""
        corner, mask = with_room(piece.corner, piece.mask, shape)
        x, y = corner
        share = cover.share[_pixels(y, y + mask.shape[0]), _pixels(x, x + mask.shape[1])]
        return cls(mask, corner, _own(share, mask))

    @property
    def corner_px(self) -> tuple[int, int]:
        """(x, y) pixel of the view."""
        return self.corner[0] * MAP_SHRINK, self.corner[1] * MAP_SHRINK

    @property
    def cells(self) -> tuple[slice, slice]:
        """Rows and columns of cells."""
        (x, y), (rows, columns) = self.corner, self.mask.shape
        return slice(y, y + rows), slice(x, x + columns)


def _silhouette(
    piece: Piece,
    crop: _Crop,
    outline: Points,
    holes: tuple[Points, ...],
    beyond: Mask,
    maps: PlantMaps,
    view: FlatView,
    settings: OutlineSettings,
) -> Silhouette | None:
    cell_mm = view.mm_per_px * MAP_SHRINK
    x, y = piece.corner
    rows, columns = piece.mask.shape
    foliage = maps.foliage[y : y + rows, x : x + columns][piece.mask]
    kind, reason = _kind(piece, float(foliage.mean()), beyond, cell_mm, settings)
    is_small = piece.area_mm2 < settings.foreign.least_area_mm2
    if kind is SilhouetteKind.OBJECT and is_small and piece.base_score < settings.pieces.least_base_score:
        return None
    base_mm, run_mm, half_mm, rival = (float("nan"), float("nan")), 0.0, 0.0, 0.0
    if piece.ends and piece.ends.candidates:
        best = piece.ends.candidates[0]
        cell = np.add(best.xy_px, piece.corner)
        at = ((cell + 0.5) * MAP_SHRINK - 0.5) * view.mm_per_px + view.origin_mm
        base_mm = (float(at[0]), float(at[1]))
        run_mm, half_mm = best.run_mm, best.half_width_mm
        rival = _rival_score(piece.ends, cell_mm, settings)
    near = within(crop.mask, settings.marks_reach_mm / cell_mm).view(np.uint8)
    marks = [np.asarray(cv2.copyTo(field[crop.cells], near), np.float32) for field in maps.fields]
    for shares in (crop.coverage, *marks):
        shares.setflags(write=False)
    return Silhouette(
        kind=kind,
        reason=reason,
        outline_mm=outline,
        holes_mm=holes,
        coverage=crop.coverage,
        corner_px=crop.corner_px,
        area_mm2=float(cv2.sumElems(crop.coverage)[0]) * view.mm_per_px**2,
        base_mm=base_mm,
        base_run_mm=run_mm,
        base_half_width_mm=half_mm,
        base_score=piece.base_score,
        rival_score=rival,
        edge_sigma_mm=settings.edge_sigma_mm,
        marks=PlantMarks(*marks),
    )


def _pixels(first: int, beyond: int) -> slice:
    return slice(first * MAP_SHRINK, beyond * MAP_SHRINK)


def _own(share: NDArray[np.float32], mask: Mask) -> NDArray[np.float32]:
    """Return a window's covered shares without those of neighbours; a cell's rim is the mixed edge."""
    rim = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8))
    wide = cv2.resize(rim, share.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray(cv2.copyTo(share, wide), dtype=np.float32)


def _rival_score(ends: Ends, cell_mm: float, settings: OutlineSettings) -> float:
    best = ends.candidates[0]
    for other in ends.candidates[1:]:
        if other.score < 0.05:
            break
        if other.half_width_mm < 0.6 * best.half_width_mm:
            continue
        if way_between_mm(ends, best, other, cell_mm) > settings.rival_distance_mm:
            return other.score
    return 0.0


def _kind(
    piece: Piece, foliage_share: float, beyond: Mask, cell_mm: float, settings: OutlineSettings
) -> tuple[SilhouetteKind, str]:
    length_mm = piece.ends.longest_way_mm if piece.ends else 0.0
    hull = cv2.convexHull(_ends_of_rows(piece.mask))
    hull_mm2 = float(cv2.contourArea(hull)) * cell_mm**2
    sides_mm = np.asarray(cv2.minAreaRect(hull)[1]) * cell_mm
    if piece.area_mm2 > settings.solid_share * hull_mm2 and sides_mm.min() > settings.solid_width_mm:
        return SilhouetteKind.OBJECT, "not a cutting: a solid thing such as a card, a label or a tool"
    if piece.ends is None:
        return SilhouetteKind.OBJECT, "not a cutting: a tool or another thing, not coloured like a plant"
    if length_mm < settings.least_length_mm:
        return SilhouetteKind.OBJECT, "not a cutting: too short"
    if piece.base_score < settings.pieces.least_base_score and piece.area_mm2 > settings.tangle_area_mm2:
        return (
            SilhouetteKind.OVERLAP,
            "no single cut end can be told: if cuttings touch or overlap here, lay them apart, cut ends free",
        )
    if piece.base_score < settings.pieces.least_base_score:
        return (
            SilhouetteKind.OBJECT,
            "not a cutting: no bare cut end to be seen; if it is one, lay it apart with its cut end free",
        )
    if piece.ends.branching < settings.bare_branching and foliage_share < settings.bare_foliage_share:
        return SilhouetteKind.OBJECT, "not a cutting: a bare stick or a tool without foliage"
    rival = _rival_score(piece.ends, cell_mm, settings)
    if rival > settings.rival_score and length_mm > settings.rival_length_mm:
        return (
            SilhouetteKind.OVERLAP,
            "two or more cuttings touch or overlap here: lay them apart and take the photo again",
        )
    if _touches(piece, beyond):
        return (
            SilhouetteKind.OUTSIDE,
            "reaches outside the lay area: move it inside and take the photo again",
        )
    return SilhouetteKind.CUTTING, ""


def _beyond(lay: Mask) -> Mask:
    """Return the cells that only what reaches beyond the lay area has a part in: those at its border."""
    border = cv2.copyMakeBorder(lay.view(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    return np.asarray(cv2.erode(border, np.ones((3, 3), np.uint8))[1:-1, 1:-1] == 0)


def _ends_of_rows(mask: Mask) -> NDArray[np.int32]:
    """Return the first and last cells (x, y) of all rows, (N, 2): the corners of the hull are among them."""
    y = np.flatnonzero(mask.any(axis=1))
    rows = mask[y]
    first, last = rows.argmax(axis=1), mask.shape[1] - 1 - rows[:, ::-1].argmax(axis=1)
    return np.stack([np.concatenate([first, last]), np.concatenate([y, y])], axis=1).astype(np.int32)


def _touches(piece: Piece, where: Mask) -> bool:
    x, y = piece.corner
    rows, columns = piece.mask.shape
    return bool((piece.mask & where[y : y + rows, x : x + columns]).any())


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
