"""Where to cut and how far to strip, drawn on the picture with the distance from the base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import Cutting
from grader.traits.catalogue import MM_PER_INCH
from grader.write.along import across, on_canvas
from grader.write.canvas import Canvas
from grader.write.letters import block_size
from grader.write.marks import BLACK, BLUE, VERMILLION, WHITE, Line, Mark, Words
from grader.write.place import Free

CUT_LINE_MM = 15.0
"""Longer than the line at the cut face: seen through foliage."""
STRIP_LINE_MM = 11.0
CUT_WIDTH_PX, STRIP_WIDTH_PX = 8, 6
STRIP_DASHES_PX = (10.0, 7.0)
"""Dashed: told from a cut without colour."""
LABEL_PX = 30.0
SMALL_LABEL_PX = 24.0
LABEL_REACH_PX, FAR_REACH_PX = 70.0, 200.0
"""Near, a label is read as its bar's at once; further off by the line between them."""
MOST_HIDDEN = 0.2
"""Share of a cutting that a label on its foliage may hide."""


@dataclass(frozen=True, slots=True)
class Place:
    """What to do at one place of the stem."""

    what: str
    """"cut", "divide" or "strip": what is cut off is thrown away, what is divided is kept."""
    at_mm: float
    """Along the stem from the present base."""
    told_mm: float
    """The number that stands beside it: of a cut the same; of stripping how much of the stem is bare then,
    from the cut end that the cutting then has."""


def places_of(cutting: Cutting) -> tuple[Place, ...]:
    """Return what to do where, base first."""
    total_mm = float(cutting.shape.arc_mm[-1])
    found: dict[Place, None] = {}
    pieces = cutting.grade.pieces
    lower_ends = {piece.from_mm for piece in pieces}
    for piece in pieces:
        if piece.from_mm > 0.0 and piece is pieces[0]:
            found[Place("cut", piece.from_mm, piece.from_mm)] = None
        elif piece.from_mm > 0.0:
            found[Place("divide", piece.from_mm, piece.from_mm)] = None
        if piece.to_mm < total_mm and piece.to_mm not in lower_ends:
            what = "cut" if piece is pieces[-1] else "divide"
            found[Place(what, piece.to_mm, piece.to_mm)] = None
        if piece.strip_to_mm > 0.0:
            found[Place("strip", piece.strip_to_mm, piece.strip_to_mm - piece.from_mm)] = None
    return tuple(sorted(found, key=lambda place: place.at_mm))


def label_lines(place: Place) -> tuple[tuple[str, ...], ...]:
    """Return the words beside a bar, the fullest first: in the same words as the advice."""
    metric, inches = f"{place.told_mm:.0f} mm", f"({place.told_mm / MM_PER_INCH:.2f} in)"
    if place.what != "strip":
        return ((f"{place.what} at {metric}", inches), (f"{place.what} at {metric}",))
    return (
        ("strip to here:", f"{metric} bare", inches),
        ("strip to here:", f"{metric} bare"),
        (f"{metric} bare",),
    )


def bars(cutting: Cutting, canvas: Canvas, plane: PlaneMap) -> list[Points]:
    """Return the line (2, 2) px across the stem at each of the places."""
    lines = []
    for place in places_of(cutting):
        length_mm = STRIP_LINE_MM if place.what == "strip" else CUT_LINE_MM
        lines.append(on_canvas(canvas, plane, across(cutting.shape, place.at_mm, length_mm)))
    return lines


def cut_lines(cutting: Cutting, canvas: Canvas, plane: PlaneMap) -> list[Mark]:
    """Return a solid orange bar at each cut, a dashed blue bar where stripping ends."""
    marks: list[Mark] = []
    for place, line in zip(places_of(cutting), bars(cutting, canvas, plane), strict=True):
        if place.what != "strip":
            marks.append(Line(line, VERMILLION, CUT_WIDTH_PX, rim=WHITE))
        else:
            marks.append(Line(line, BLUE, STRIP_WIDTH_PX, STRIP_DASHES_PX, rim=WHITE))
    return marks


def cut_labels(
    cutting: Cutting, outline_px: Points, canvas: Canvas, plane: PlaneMap, free: Free
) -> list[Mark]:
    """Return the distance from the base beside each bar, where room is left; if need be on the foliage."""
    marks: list[Mark] = []
    own = free.covered(outline_px)
    for place, ends in zip(places_of(cutting), bars(cutting, canvas, plane), strict=True):
        told = label_lines(place)
        near = [(lines, LABEL_PX, LABEL_REACH_PX) for lines in told]
        small = [(lines, SMALL_LABEL_PX, LABEL_REACH_PX) for lines in told[1:]]
        far = [(told[-1], size_px, FAR_REACH_PX) for size_px in (LABEL_PX, SMALL_LABEL_PX)]
        tries: list[tuple[tuple[str, ...], float, float, Points | None]]
        tries = [(*one, None) for one in (*near, *small)]
        tries += [(*one, outline_px) for one in (*near, *small)] + [(*one, None) for one in far]
        for lines, size_px, reach_px, over_px in tries:
            width, height = block_size(lines, size_px)
            if over_px is not None and width * height > MOST_HIDDEN * _area(outline_px):
                continue
            way = (ends, own) if reach_px > LABEL_REACH_PX else None
            corner = free.place(ends, width, height, reach_px, over_px, way)
            if corner is None:
                continue
            free.take_box(*corner, width, height)
            middle = np.array(corner) + np.array([width, height]) / 2
            nearest = ends[int(np.argmin(np.hypot(*(ends - middle).T)))]
            marks.append(Line(np.stack([middle, nearest]), BLACK, 2))
            marks.append(Words(*corner, size_px, lines))
            break
    return marks


def _area(outline_px: Points) -> float:
    """Return the area of a polygon (shoelace formula)."""
    x, y = outline_px.T
    return abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))) / 2
