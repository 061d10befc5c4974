"""Where to cut and how far to strip, drawn on the picture with the distance from the base."""

from __future__ import annotations

import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import Cutting
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
LABEL_REACH_PX = 70.0
"""Further off a label is read as belonging to a neighbour; the list below has every distance too."""


def places_of(cutting: Cutting) -> tuple[tuple[str, float], ...]:
    """Return what to do where: ("cut" or "strip", distance from the present base in mm), base first."""
    total_mm = float(cutting.shape.arc_mm[-1])
    found: dict[tuple[str, float], None] = {}
    for piece in cutting.grade.pieces:
        if piece.from_mm > 0.0:
            found["cut", piece.from_mm] = None
        if piece.to_mm < total_mm:
            found["cut", piece.to_mm] = None
        if piece.strip_to_mm > 0.0:
            found["strip", piece.strip_to_mm] = None
    return tuple(sorted(found, key=lambda place: place[1]))


def cut_lines(cutting: Cutting, canvas: Canvas, plane: PlaneMap) -> list[Mark]:
    """Return a solid red bar at each cut, a dashed blue bar where stripping ends."""
    marks: list[Mark] = []
    for what, at_mm in places_of(cutting):
        is_cut = what == "cut"
        length_mm = CUT_LINE_MM if is_cut else STRIP_LINE_MM
        line = on_canvas(canvas, plane, across(cutting.shape, at_mm, length_mm))
        if is_cut:
            marks.append(Line(line, VERMILLION, CUT_WIDTH_PX, rim=WHITE))
        else:
            marks.append(Line(line, BLUE, STRIP_WIDTH_PX, STRIP_DASHES_PX, rim=WHITE))
    return marks


def cut_labels(
    cutting: Cutting, outline_px: Points, canvas: Canvas, plane: PlaneMap, free: Free
) -> list[Mark]:
    """Return the distance from the base beside each bar, where room is left; if need be on the foliage."""
    marks: list[Mark] = []
    for what, at_mm in places_of(cutting):
        lines = (f"{what} {at_mm:.0f} mm",)
        length_mm = CUT_LINE_MM if what == "cut" else STRIP_LINE_MM
        ends = on_canvas(canvas, plane, across(cutting.shape, at_mm, length_mm))
        width, height = block_size(lines, LABEL_PX)
        place = free.place(ends, width, height, LABEL_REACH_PX) or free.place(
            ends, width, height, LABEL_REACH_PX, over_px=outline_px
        )
        if place is None:
            continue
        free.take_box(*place, width, height)
        middle = np.array(place) + np.array([width, height]) / 2
        nearest = ends[int(np.argmin(np.hypot(*(ends - middle).T)))]
        marks.append(Line(np.stack([middle, nearest]), BLACK, 2))
        marks.append(Words(*place, LABEL_PX, lines))
    return marks
