"""Everything drawn on a mat: squares, markers, rulers, names, words.  Drawn millimetres."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.design import (
    CHECK_BAR_MM,
    DICTIONARY,
    INCH_MM,
    MARKER_SHARE,
    STRIP_MM,
    Mark,
    MatLayout,
    Rect,
    Text,
    Triangle,
)

MODULES = 8
"""Modules along a 36h10 marker: six of code, two of border."""
TEXT_MM = 2.6
"""Readable at arm's length; height of capitals about 1.9 mm."""
PHRASE_MM = 2.2
"""Half a cell is wide enough for fourteen letters of it."""
FIGURE_MM = 2.0
"""Figures of the rulers, read from near."""
LINE_MM = 0.2
"""Thinnest line that home printers draw evenly."""


def marks_of(
    layout: MatLayout,
    black_mm: list[tuple[float, float, float]],
    white_mm: list[tuple[float, float, float]],
    ids: list[int],
) -> tuple[Mark, ...]:
    """Return all marks of a mat in drawing order."""
    marks: list[Mark] = [Rect(x, y, s, s) for x, y, s in black_mm]
    for (x, y, square), marker_id in zip(white_mm, ids, strict=True):
        marks += _marker(x, y, square, marker_id)
    marks += _mm_ruler(layout) + _inch_ruler(layout) + _names(layout)
    return tuple(marks)


def _marker(x_mm: float, y_mm: float, square_mm: float, marker_id: int) -> list[Mark]:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{DICTIONARY}"))
    cells = cv2.aruco.generateImageMarker(dictionary, marker_id, MODULES) > 0
    side = square_mm * MARKER_SHARE
    left, top = x_mm + (square_mm - side) / 2, y_mm + (square_mm - side) / 2
    module = side / MODULES
    marks: list[Mark] = [Rect(left, top, side, side)]
    for line in range(MODULES):
        for start, length in _runs(cells[line]):
            x, y = left + start * module, top + line * module
            marks.append(Rect(x, y, length * module, module, is_ink=False))
        # Runs down the columns as well: two rectangles side by side leave a grey seam when drawn.
        for start, length in _runs(cells[:, line]):
            if length > 1:
                x, y = left + line * module, top + start * module
                marks.append(Rect(x, y, module, length * module, is_ink=False))
    return marks


def _runs(cells: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return start and length of every run of true cells."""
    steps = np.diff(np.concatenate([[0], cells.astype(np.int8), [0]]))
    starts, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    return [(int(start), int(end - start)) for start, end in zip(starts, ends, strict=True)]


def _strip_y(layout: MatLayout, is_top: bool) -> float:
    """Return the outer edge of the top or bottom strip."""
    gap = STRIP_MM + 0.5
    return layout.lay_area_mm[1] - gap if is_top else layout.lay_area_mm[3] + gap


def _mm_ruler(layout: MatLayout) -> list[Mark]:
    """Return the check bar with its millimetre ticks and what to do, in the bottom strip."""
    left, bottom = layout.lay_area_mm[0], _strip_y(layout, is_top=False)
    bar = min(CHECK_BAR_MM, layout.lay_area_mm[2] - left)
    bar_y = bottom - 1.0
    marks: list[Mark] = [Rect(left, bar_y, bar, 0.5)]
    for mm in range(int(bar) + 1):
        length = 2.2 if mm % 10 == 0 else 1.5 if mm % 5 == 0 else 0.9
        if mm in (0, int(CHECK_BAR_MM)):
            length = 3.2
        inset = LINE_MM if mm == int(bar) else 0.0 if mm == 0 else LINE_MM / 2
        marks.append(Rect(left + mm - inset, bar_y - length, LINE_MM, length))
        if mm % 10 == 0 and 0 < mm < bar:
            marks.append(Text(left + mm, bar_y - 2.4, FIGURE_MM, str(mm), "middle"))
    words = f"measure me: {CHECK_BAR_MM:.0f} mm"
    marks.append(Text(left + bar + 2, bottom - 0.9, TEXT_MM, words))
    arrow = left + bar + 2 + 27.0
    if layout.lay_area_mm[2] - arrow > 30:
        marks.append(
            Triangle(((arrow, bottom - 3.4), (arrow + 3.0, bottom - 3.4), (arrow + 1.5, bottom - 0.8)))
        )
        marks.append(Text(arrow + 4.5, bottom - 0.9, TEXT_MM, "cut ends this way"))
    return marks


def _inch_ruler(layout: MatLayout) -> list[Mark]:
    """Return the inch ruler, in the right strip."""
    right, top = layout.lay_area_mm[2] + STRIP_MM + 0.5, layout.lay_area_mm[1]
    inches = int((layout.lay_area_mm[3] - top) / INCH_MM)
    bar_x = right - 1.0
    marks: list[Mark] = [Rect(bar_x, top, 0.3, inches * INCH_MM)]
    for eighth in range(inches * 8 + 1):
        length = 2.2 if eighth % 8 == 0 else 1.5 if eighth % 4 == 0 else 0.9
        y = top + eighth * INCH_MM / 8
        marks.append(Rect(bar_x - length, y - LINE_MM / 2, length, LINE_MM))
        if eighth % 8 == 0 and eighth:
            marks.append(Text(bar_x - 2.4, y + 0.6, FIGURE_MM, f"{eighth // 8}", "end"))
    marks.append(Text(bar_x - 2.4, top + INCH_MM / 2 + 0.6, FIGURE_MM, "in", "end"))
    return marks


def _names(layout: MatLayout) -> list[Mark]:
    """Return column letters above, row numbers on the left, ticks between cells, printing advice."""
    marks: list[Mark] = []
    left, top, _, _ = layout.lay_area_mm
    phrases = ("print at 100 %", f"mat {layout.mat_id}", "none touching")
    for k in range(len(layout.columns_mm) - 1):
        x = (layout.columns_mm[k] + layout.columns_mm[k + 1]) / 2
        marks.append(Text(x, top - 1.4, TEXT_MM, chr(ord("A") + k), "middle"))
        if k < len(phrases):
            marks.append(Text(x + 2.5, top - 1.4, PHRASE_MM, phrases[k]))
        if k:
            marks.append(Rect(layout.columns_mm[k] - LINE_MM / 2, top - 2.0, LINE_MM, 1.5))
    for k in range(len(layout.rows_mm) - 1):
        y = (layout.rows_mm[k] + layout.rows_mm[k + 1]) / 2
        marks.append(Text(left - 3.2, y + 0.9, TEXT_MM, str(k + 1), "middle"))
        if k:
            marks.append(Rect(left - 2.0, layout.rows_mm[k] - LINE_MM / 2, 1.5, LINE_MM))
    return marks
