"""GradedPhoto -> the list of marks on its picture."""

from __future__ import annotations

import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import Cutting, CuttingShape, GradedPhoto, Outcome, SetAside, SilhouetteKind
from grader.traits.catalogue import TRAITS, metric_text
from grader.write.along import across, at, on_canvas
from grader.write.canvas import Canvas
from grader.write.cut_marks import cut_labels, cut_lines
from grader.write.letters import block_size, wrapped
from grader.write.marks import (
    BLACK,
    BLUE,
    LINE_COLOURS,
    REDDISH_PURPLE,
    SET_ASIDE_DASHES_PX,
    STYLES,
    WHITE,
    Badge,
    Line,
    Mark,
    Ring,
    Words,
)
from grader.write.place import FARTHEST_PX, GAP_PX, Free

BADGE_PX = 96.0
"""A 25th of the width, 2.6 mm on a screen 65 mm wide: read at arm's length."""
BADGE_OVER_FOLIAGE_PX = (96.0, 76.0, 60.0)
"""Sizes tried on a crowded tray, where the badge lies on its own cutting; the last is read by zooming in."""
BADGE_NEAR_PX = 110.0
"""Further off, on a crowded tray, a badge is taken for a neighbour's."""
LEAST_STEM_MM = 12.0
"""Kept free of badges where the stripped stem is shorter or unknown: what is measured must be seen."""
BADGE_WIDTH_RATIO = 2.15
"""Width of number and grade together over the height."""
REASON_PX = 34.0
REASON_WIDTH_PX = 300.0
MOST_REASON_LINES = 3
REASON_REACH = 1.3
"""Farthest from the middle of its badge, over the badge's size: further off it is read as a neighbour's."""
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
    SilhouetteKind.CUTTING: "not measured",
    SilhouetteKind.OBJECT: "not a cutting",
    SilhouetteKind.OVERLAP: "overlap",
    SilhouetteKind.OUTSIDE: "outside",
}


def marks_of(graded: GradedPhoto, canvas: Canvas) -> list[Mark]:
    """Return everything that is drawn, bottom first: outlines, then parts, then labels."""
    plane = graded.pose.plane
    outlines = [on_canvas(canvas, plane, cutting.outline_mm) for cutting in graded.cuttings]
    others = [on_canvas(canvas, plane, thing.outline_mm) for thing in graded.set_aside]
    free = Free(*canvas.size_px)
    for outline in (*outlines, *others):
        free.take_polygon(outline)
    for cutting in graded.cuttings:
        free.take_polygon(on_canvas(canvas, plane, _stem_mm(cutting)))
    marks: list[Mark] = [_set_aside_line(outline) for outline in others]
    for cutting, outline in zip(graded.cuttings, outlines, strict=True):
        marks.append(_outline(cutting, outline))
    for cutting in graded.cuttings:
        marks.extend(_parts(cutting, canvas, plane))
        marks.extend(cut_lines(cutting, canvas, plane))
    marks.extend(_labels(graded, outlines, free))
    for cutting, outline in zip(graded.cuttings, outlines, strict=True):
        marks.extend(cut_labels(cutting, outline, canvas, plane, free))
    for thing, outline in zip(graded.set_aside, others, strict=True):
        marks.append(_word(thing, outline, free))
    return marks


def _outline(cutting: Cutting, outline_px: Points) -> Line:
    style = STYLES[cutting.grade.grade]
    colour = LINE_COLOURS[cutting.grade.grade]
    return Line(outline_px, colour, style.width_px, style.dashes_px, is_closed=True, rim=BLACK)


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


def _labels(graded: GradedPhoto, outlines: list[Points], free: Free) -> list[Mark]:
    """Badges first, all of them; then the reasons where room is left: the list below has them all."""
    marks: list[Mark] = []
    badges: list[Badge] = []
    for cutting, outline in zip(graded.cuttings, outlines, strict=True):
        badge = _badge(cutting, outline, free)
        badges.append(badge)
        marks.extend(_pointer(badge, outline))
    for cutting, badge in zip(graded.cuttings, badges, strict=True):
        marks.append(badge)
        marks.extend(_reason(cutting, badge, free))
    return marks


def _badge(cutting: Cutting, outline_px: Points, free: Free) -> Badge:
    near = outline_px[:: max(1, len(outline_px) // 40)]
    size, left, top = _badge_place(near, outline_px, free)
    width = size * BADGE_WIDTH_RATIO
    left = min(max(0.0, left + GAP_PX / 2), max(0.0, free.width_px - width))
    top = min(max(0.0, top + GAP_PX / 2), max(0.0, free.height_px - size))
    free.take_box(left, top, width, size)
    return Badge(left, top, size, str(cutting.number), cutting.grade.grade)


def _badge_place(near_px: Points, outline_px: Points, free: Free) -> tuple[float, float, float]:
    """Return size and corner: beside the cutting, else on its foliage, else further off with a pointer."""
    tries: list[tuple[float, float, Points | None]] = [(BADGE_PX, BADGE_NEAR_PX, None)]
    tries.extend((size, 0.0, outline_px) for size in BADGE_OVER_FOLIAGE_PX)
    tries.append((BADGE_PX, FARTHEST_PX, None))
    for size, farthest_px, over_px in tries:
        width, height = size * BADGE_WIDTH_RATIO + GAP_PX, size + GAP_PX
        place = free.place(near_px, width, height, farthest_px, over_px)
        if place is not None:
            return (size, *place)
    width = BADGE_PX * BADGE_WIDTH_RATIO
    return BADGE_PX, float(near_px[0, 0] - width / 2), float(near_px[0, 1] - BADGE_PX / 2)


def _stem_mm(cutting: Cutting) -> Points:
    """Return the axis along the stripped stem."""
    shape = cutting.shape
    end_mm = max(LEAST_STEM_MM, float(np.nan_to_num(shape.foliage_from_mm)))
    return np.asarray(shape.axis_mm[shape.arc_mm <= end_mm])


def _pointer(badge: Badge, outline_px: Points) -> list[Mark]:
    """Return a line from a badge to its cutting where they are apart."""
    low = np.array([badge.left_px, badge.top_px])
    high = low + np.array([BADGE_WIDTH_RATIO, 1.0]) * badge.size_px
    nearest = np.clip(outline_px, low, high)
    k = int(np.argmin(np.hypot(*(outline_px - nearest).T)))
    gap = float(np.hypot(*(outline_px[k] - nearest[k])))
    return [Line(np.stack([nearest[k], outline_px[k]]), BLACK, 4)] if gap > 2 * GAP_PX else []


def reason_words(cutting: Cutting) -> list[str]:
    """Return the flags that decided, shortest words: "too long 131.0 mm"."""
    words: list[str] = []
    for outcome in cutting.grade.outcomes:
        if outcome.outcome is Outcome.PASS or outcome.grade_if_failed == "":
            continue
        value = metric_text(TRAITS[outcome.trait], outcome.measured.value)
        doubt = "?" if outcome.outcome is Outcome.UNSURE else ""
        text = outcome.flag + doubt + ("" if np.isnan(outcome.measured.value) else f" {value}")
        if not any(word.startswith(outcome.flag) for word in words):
            words.append(text)
    return words


def _reason(cutting: Cutting, badge: Badge, free: Free) -> list[Mark]:
    words = reason_words(cutting)
    if words:
        # On a crowded tray the box may lie nearer to a neighbour: the number says whose it is.
        words[0] = f"{cutting.number}: {words[0]}"
    lines = tuple(line for text in words for line in wrapped(text, REASON_PX, REASON_WIDTH_PX))
    lines = lines[:MOST_REASON_LINES]
    corner = np.array([[badge.left_px + badge.size_px, badge.top_px + badge.size_px / 2]])
    for n in range(len(lines), 0, -1):
        width, height = block_size(lines[:n], REASON_PX)
        place = free.place(corner, width, height, farthest_px=REASON_REACH * badge.size_px)
        if place is not None:
            free.take_box(*place, width, height)
            return [Words(*place, REASON_PX, lines[:n])]
    return []


def _word(thing: SetAside, outline_px: Points, free: Free) -> Words:
    lines = (_WORD[thing.kind],)
    width, height = block_size(lines, REASON_PX)
    place = free.place(outline_px[:: max(1, len(outline_px) // 40)], width, height)
    if place is None:
        place = (float(outline_px[0, 0]), float(outline_px[0, 1]))
    free.take_box(*place, width, height)
    return Words(*place, REASON_PX, lines, WHITE, BLACK)
