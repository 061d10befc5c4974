"""GradedPhoto -> the list of marks on its picture."""

from __future__ import annotations

import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import Cutting, CuttingShape, GradedPhoto, Outcome, SetAside, SilhouetteKind
from grader.write.along import across, at, on_canvas, outline_on_canvas, stepped
from grader.write.canvas import Canvas
from grader.write.cut_marks import bars, cut_labels, cut_lines
from grader.write.label import Target, leader_ends, placed_labels
from grader.write.letters import block_size
from grader.write.marks import (
    BLACK,
    BLUE,
    LINE_COLOURS,
    LINE_RIMS,
    REDDISH_PURPLE,
    SET_ASIDE_DASHES_PX,
    STYLES,
    WHITE,
    Line,
    Mark,
    Ring,
    Words,
)
from grader.write.place import Free, owned_counts

LEAST_STEM_MM = 12.0
"""Kept free of labels where the stripped stem is shorter or unknown: what is measured must be seen."""
STEP_PX = 2.0
"""Between points along an outline that is laid on the map of taken places: far finer than its cells."""
WORD_PX = 34.0
BASE_LINE_MM = 9.0
"""Length of the line at the cut face: seen beside the stem on both sides."""
STRIP_LINE_MM = 6.0
WIDTH_TICK_MM = 4.0
BASE_STRETCH_MM = (3.0, 10.0)
"""Where the base diameter is taken, above the cut face or the heel: see its definition."""
TIP_RING_MM = 1.4
CROOK_RING_MM = 4.0
CROOK_TRAIT = "crook_deg"
_WORD = {
    SilhouetteKind.CUTTING: ("not measured:", "see the notes below"),
    SilhouetteKind.OBJECT: ("not a cutting",),
    SilhouetteKind.OVERLAP: ("overlap: lay apart,", "photograph again"),
    SilhouetteKind.OUTSIDE: ("outside: lay it inside,", "photograph again"),
}


def marks_of(graded: GradedPhoto, canvas: Canvas) -> list[Mark]:
    """Return everything that is drawn, bottom first: outlines, then parts, then labels."""
    plane = graded.pose.plane
    outlines = [outline_on_canvas(canvas, plane, cutting.outline_mm) for cutting in graded.cuttings]
    others = [outline_on_canvas(canvas, plane, thing.outline_mm) for thing in graded.set_aside]
    free = Free(*canvas.size_px)
    nears = [stepped(outline, STEP_PX) for outline in outlines]
    for outline in (*nears, *(stepped(other, STEP_PX) for other in others)):
        free.take_polygon(outline)
    kept = [_kept_free(cutting, canvas, plane) for cutting in graded.cuttings]
    for line in (line for lines in kept for line in lines):
        free.take_polygon(line)
    marks: list[Mark] = [_set_aside_line(outline) for outline in others]
    for cutting, outline in zip(graded.cuttings, outlines, strict=True):
        marks.append(_outline(cutting, outline))
    for cutting in graded.cuttings:
        marks.extend(_parts(cutting, canvas, plane))
        marks.extend(cut_lines(cutting, canvas, plane))
    covered = [free.covered(near) for near in nears]
    owned = owned_counts(covered)
    targets = []
    for k, cutting in enumerate(graded.cuttings):
        # A leader runs over its own foliage, not over what is marked on the stem.
        own = covered[k] & ~np.logical_or.reduce([free.covered(line) for line in kept[k]])
        ends = on_canvas(canvas, plane, leader_ends(cutting))
        near = nears[k]
        targets.append(Target(cutting, near, ends, own, owned[k], free.away_from(near)))
    marks.extend(placed_labels(targets, free))
    for cutting, near in zip(graded.cuttings, nears, strict=True):
        marks.extend(cut_labels(cutting, near, canvas, plane, free))
    for thing, outline in zip(graded.set_aside, others, strict=True):
        marks.append(_word(thing, outline, free))
    return marks


def _outline(cutting: Cutting, outline_px: Points) -> Line:
    style = STYLES[cutting.grade.grade]
    colour, rim = LINE_COLOURS[cutting.grade.grade], LINE_RIMS[cutting.grade.grade]
    return Line(outline_px, colour, style.width_px, style.dashes_px, is_closed=True, rim=rim)


def _set_aside_line(outline_px: Points) -> Line:
    return Line(outline_px, REDDISH_PURPLE, 6, SET_ASIDE_DASHES_PX, is_closed=True, rim=BLACK)


def _parts(cutting: Cutting, canvas: Canvas, plane: PlaneMap) -> list[Mark]:
    """Return base line, axis, stripped end, tip, crook and strays."""
    shape = cutting.shape
    marks: list[Mark] = [Line(on_canvas(canvas, plane, shape.axis_mm), BLUE, 3, (14.0, 8.0))]
    marks.append(Line(on_canvas(canvas, plane, across(shape, 0.0, BASE_LINE_MM)), BLACK, 7))
    ticks = [across(shape, at_mm, WIDTH_TICK_MM) for at_mm in base_stretch_mm(shape)]
    marks.extend(Line(on_canvas(canvas, plane, tick), BLACK, 3) for tick in ticks)
    if np.isfinite(shape.foliage_from_mm):
        line_mm = across(shape, shape.foliage_from_mm, STRIP_LINE_MM)
        marks.append(Line(on_canvas(canvas, plane, line_mm), BLUE, 5))
    marks.append(_ring(at(shape, float(shape.arc_mm[-1])), TIP_RING_MM, canvas, plane, 4))
    crook_at_mm = cutting.traits["crook_at_mm"].value if "crook_at_mm" in cutting.traits else np.nan
    if np.isfinite(crook_at_mm) and _is_flagged(cutting, CROOK_TRAIT):
        marks.append(_ring(at(shape, crook_at_mm), CROOK_RING_MM, canvas, plane, 6))
    marks.extend(_ring(stray, TIP_RING_MM, canvas, plane, 4) for stray in shape.strays_mm)
    return marks


def base_stretch_mm(shape: CuttingShape) -> tuple[float, ...]:
    """Return from where to where along the axis the base diameter is taken, mm; empty if nowhere."""
    heel_mm = shape.heel.length_mm if shape.heel else 0.0
    low, high = (heel_mm + edge for edge in BASE_STRETCH_MM)
    if np.isfinite(shape.foliage_from_mm):
        high = min(high, shape.foliage_from_mm)
    return (low, high) if low < high <= float(shape.arc_mm[-1]) else ()


def _ring(at_mm: Points, radius_mm: float, canvas: Canvas, plane: PlaneMap, width_px: int) -> Ring:
    centre = on_canvas(canvas, plane, at_mm[None])[0]
    scale = float(plane.px_per_mm_at(at_mm[None])[0]) * canvas.scale
    return Ring((float(centre[0]), float(centre[1])), radius_mm * scale, BLACK, width_px)


def _is_flagged(cutting: Cutting, trait: str) -> bool:
    return any(o.trait == trait and o.outcome is not Outcome.PASS for o in cutting.grade.outcomes)


def _stem_mm(cutting: Cutting) -> Points:
    """Return the axis along the stripped stem."""
    shape = cutting.shape
    end_mm = max(LEAST_STEM_MM, float(np.nan_to_num(shape.foliage_from_mm)))
    return np.asarray(shape.axis_mm[shape.arc_mm <= end_mm])


def _kept_free(cutting: Cutting, canvas: Canvas, plane: PlaneMap) -> list[Points]:
    """Return the lines that no label touches: the bare stem, the cut end's bar, cuts and strips."""
    base = on_canvas(canvas, plane, across(cutting.shape, 0.0, BASE_LINE_MM))
    return [on_canvas(canvas, plane, _stem_mm(cutting)), base, *bars(cutting, canvas, plane)]


def _word(thing: SetAside, outline_px: Points, free: Free) -> Words:
    lines = _WORD[thing.kind]
    width, height = block_size(lines, WORD_PX)
    place = free.place(stepped(outline_px, STEP_PX), width, height)
    if place is None:
        place = (float(outline_px[0, 0]), float(outline_px[0, 1]))
    free.take_box(*place, width, height)
    return Words(*place, WORD_PX, lines, WHITE, BLACK)
