"""Cuts and strips are drawn where the words say, told apart without colour, with the distance beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grader.records import Cutting
from grader.write.canvas import canvas_of
from grader.write.compose import marks_of
from grader.write.cut_marks import CUT_LINE_MM, Place, cut_lines, places_of
from grader.write.marks import Line, Words
from tests.synthetic_records import PX_PER_MM, graded_cutting, graded_photo, straight_shape


def long_cutting() -> Cutting:
    """Return a 110 mm cutting lying to the right from (100, 100) mm: cut 12 mm, strip to 40 mm."""
    return graded_cutting(1, straight_shape(110.0, 38.0))


def test_places_are_those_of_the_advice() -> None:
    cutting = long_cutting()
    # 40 mm from the present cut end are 28 mm from the new one: that is what a hand can measure.
    assert places_of(cutting) == (Place("cut", 12.0, 12.0), Place("strip", 40.0, 28.0))
    assert "cut again 12 mm" in cutting.grade.advice
    assert "so that 28 mm (1.10 in) are bare" in cutting.grade.advice
    assert places_of(graded_cutting(1, straight_shape())) == ()


def test_a_divided_shoot_has_one_line_where_two_pieces_meet() -> None:
    shape = replace(straight_shape(190.0, 30.0), foliage_area_mm2=3000.0)
    assert places_of(graded_cutting(1, shape)) == (
        Place("divide", 95.0, 95.0),
        Place("strip", 123.0, 28.0),
    )


def test_lines_lie_across_the_stem_at_their_distance_from_the_base() -> None:
    graded = replace(graded_photo(), cuttings=(long_cutting(),))
    canvas = canvas_of(graded)
    cut, strip = cut_lines(graded.cuttings[0], canvas, graded.pose.plane)
    assert isinstance(cut, Line) and isinstance(strip, Line)
    base_px = canvas.from_photo(graded.pose.plane.px_from_mm(np.array([[100.0, 100.0]])))[0]
    scale = PX_PER_MM * canvas.scale
    assert cut.points_px[:, 0] == pytest.approx(base_px[0] + 12.0 * scale, abs=0.5)
    assert np.ptp(cut.points_px[:, 1]) == pytest.approx(CUT_LINE_MM * scale, rel=0.01)
    assert strip.points_px[:, 0] == pytest.approx(base_px[0] + 40.0 * scale, abs=0.5)
    assert strip.dashes_px and not cut.dashes_px


def test_each_line_says_its_distance() -> None:
    graded = replace(graded_photo(), cuttings=(long_cutting(),))
    marks = marks_of(graded, canvas_of(graded))
    words = {line for mark in marks if isinstance(mark, Words) for line in mark.lines}
    assert {"cut at 12 mm", "strip to here:", "28 mm bare"} <= words
