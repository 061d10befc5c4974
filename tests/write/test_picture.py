"""The picture: what is drawn, where, and that nobody needs colour to read it."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.path import Path as Outline
from PIL import Image, ImageDraw

from grader.records import GradedPhoto, Photo
from grader.verdict import load_targets
from grader.write import annotate, write_picture
from grader.write.annotate import dashed
from grader.write.canvas import WIDTH_PX, canvas_of
from grader.write.compose import BASE_STRETCH_MM, base_stretch_mm, marks_of
from grader.write.label import (
    BARE,
    LARGE,
    SMALL,
    label_of,
    leader_ends,
    reason_words,
    size_of,
    today_px,
    today_words,
)
from grader.write.letters import block_size, draw_line
from grader.write.listing import list_marks
from grader.write.marks import LINE_COLOURS, STYLES, VERMILLION, Badge, Label, Line, Mark, Ring, Words
from tests.synthetic_records import graded_cutting, graded_photo, outline_of, straight_shape

PAPER = 235
ARM_S_LENGTH_SHARE = 1 / 25
"""A label of this share of a phone's width is found at arm's length."""
LEAST_LETTER_PX = WIDTH_PX / 60
"""Of a sheet of A4 as wide as the picture: 4.6 mm, read at arm's length."""


def photo_of(graded: GradedPhoto) -> Photo:
    width, height = graded.image_size_px
    rgb = np.full((height, width, 3), PAPER, dtype=np.uint8)
    return Photo(graded.path, graded.sha256, rgb, "", float("nan"), None)


def marks() -> list[Mark]:
    graded = graded_photo()
    return marks_of(graded, canvas_of(graded))


def boxes_of(found: list[Mark]) -> list[tuple[float, float, float, float]]:
    boxes = []
    for mark in found:
        if isinstance(mark, Label):
            boxes.append((mark.left_px, mark.top_px, *size_of(mark)))
        elif isinstance(mark, Words):
            boxes.append((mark.left_px, mark.top_px, *block_size(mark.lines, mark.size_px)))
    return boxes


def test_each_cutting_has_a_label_large_enough_to_read() -> None:
    labels = [mark for mark in marks() if isinstance(mark, Label)]
    assert [(b.number, b.grade) for b in labels] == [("1", "1"), ("2", "2"), ("3", "cull"), ("4", "unsure")]
    for label in labels:
        # What to do is the largest; the grade of today comes below.
        assert size_of(label)[1] >= WIDTH_PX * ARM_S_LENGTH_SHARE
        assert label.size_px >= LEAST_LETTER_PX and label.today
        assert today_px(label.size_px) < label.size_px


def test_what_to_do_comes_first_and_what_it_lifts_the_grade_to_is_said() -> None:
    short = graded_cutting(7, straight_shape(stripped_mm=9.0))
    label = label_of(short, LARGE[0])
    assert " ".join(label.steps) == "Strip 18 mm more, to 27 mm bare, stick: grade 1"
    assert label.grade == "cull"
    assert today_words(short) == ["today: cull (short bare stem: 9.0 mm)", "after stripping: grade 1"]
    assert label.today[0].startswith("today: cull") and label.after[-1].endswith("grade 1")
    # Each sentence has its own sign: X beside that of today, 1 beside what comes of it.
    assert label.after_grades == ("1",)
    assert label_of(short, SMALL[0]).today and label_of(short, SMALL[0]).after_grades == ("1",)
    # Where there is no room for the second sentence: no bare X beside "stick".
    assert label_of(short, BARE).grade == ""
    assert label_of(graded_cutting(8, straight_shape(length_mm=40.0)), BARE).grade == "cull"


def test_a_doubt_says_what_is_doubtful_and_what_comes_of_it() -> None:
    doubtful = graded_cutting(1, straight_shape(stripped_mm=24.6))
    assert today_words(doubtful) == [
        "today: unsure (may be short bare stem: 24.6 ± 0.6 mm, limit 25.0 mm)",
        "after stripping: grade 1",
    ]


def test_shape_and_line_tell_the_grade_without_colour() -> None:
    assert len({style.shape for style in STYLES.values()}) == len(STYLES)
    assert len({style.letter for style in STYLES.values()}) == len(STYLES)
    assert len({style.dashes_px for style in STYLES.values()}) == len(STYLES)


def test_badges_differ_in_greyscale() -> None:
    graded = graded_photo()
    grey = np.asarray(Image.fromarray(annotate(graded, photo_of(graded))).convert("L"), dtype=float)
    looks = []
    # All of one size, so that the same pixels are compared.
    for badge in (mark for mark in list_marks(graded, WIDTH_PX, 0.0) if isinstance(mark, Badge)):
        if badge.number == "n":
            continue
        top = round(badge.top_px) + canvas_of(graded).size_px[1]
        left, size = round(badge.left_px + 1.15 * badge.size_px), round(badge.size_px)
        looks.append(grey[top : top + size, left : left + size])
    assert len(looks) == 4
    differences = [np.abs(a - b).mean() for k, a in enumerate(looks) for b in looks[:k]]
    assert min(differences) > 30.0  # of 255: clearly other pictures


def test_labels_cover_no_cutting_and_no_other_label() -> None:
    graded = graded_photo()
    canvas = canvas_of(graded)
    boxes = boxes_of(marks_of(graded, canvas))
    things = [*(c.outline_mm for c in graded.cuttings), *(t.outline_mm for t in graded.set_aside)]
    for left, top, width, height in boxes:
        for thing in things:
            x, y = canvas.from_photo(graded.pose.plane.px_from_mm(thing)).T
            assert not ((x > left) & (x < left + width) & (y > top) & (y < top + height)).any()
    for k, (left, top, width, height) in enumerate(boxes):
        for other_left, other_top, other_width, other_height in boxes[:k]:
            is_beside = left >= other_left + other_width or other_left >= left + width
            assert is_beside or top >= other_top + other_height or other_top >= top + height


def test_outline_is_painted_where_the_cutting_lies() -> None:
    graded = graded_photo()
    canvas = canvas_of(graded)
    picture = annotate(graded, photo_of(graded)).astype(int)
    assert picture.shape[1] == pytest.approx(WIDTH_PX, abs=1)
    first = canvas.from_photo(graded.pose.plane.px_from_mm(graded.cuttings[0].outline_mm))
    x, y = np.rint(first).astype(int).T
    green = np.array(STYLES["1"].fill)
    is_green = np.abs(picture[y, x] - green).max(axis=1) < 30
    assert is_green.mean() > 0.8  # the rest lies below base line, tip ring and axis
    assert (picture[5, 5] == PAPER).all()


def test_reasons_are_short_and_say_what_and_how_much() -> None:
    graded = graded_photo()
    assert reason_words(graded.cuttings[0]) == []
    assert "too short: 66.0 mm" in reason_words(graded.cuttings[1])
    assert "may be too short: 74.8 ± 0.4 mm, limit 75.0 mm" in reason_words(graded.cuttings[3])


def test_base_diameter_is_shown_where_it_is_taken() -> None:
    assert base_stretch_mm(straight_shape()) == BASE_STRETCH_MM
    assert base_stretch_mm(straight_shape(stripped_mm=8.0)) == (3.0, 8.0)
    assert base_stretch_mm(straight_shape(stripped_mm=2.0)) == ()


def test_things_set_aside_have_a_dashed_line_and_a_word() -> None:
    assert any(isinstance(m, Words) and m.lines == ("not a cutting",) for m in marks())
    closed = [mark for mark in marks() if isinstance(mark, Line) and mark.is_closed]
    assert len(closed) == 5
    assert closed[0].dashes_px


def crowded_tray(stripped_mm: float) -> GradedPhoto:
    graded = graded_photo()
    many = []
    for k in range(30):
        base = (48.0 + 40.0 * (k % 6), 50.0 + 38.0 * (k // 6))
        shape = straight_shape(length_mm=34.0, stripped_mm=stripped_mm, base_mm=base, angle_deg=-90.0)
        made = graded_cutting(k + 1, shape, load_targets("miniature-conifer"))
        many.append(replace(made, outline_mm=outline_of(shape, 14.0)))
    return replace(graded, cuttings=tuple(many), set_aside=())


@pytest.mark.parametrize("stripped_mm", [12.0, 7.0])
def test_labels_on_crowded_trays_are_inside_the_picture_and_cover_no_cutting(stripped_mm: float) -> None:
    crowded = crowded_tray(stripped_mm)
    canvas = canvas_of(crowded)
    labels = [mark for mark in marks_of(crowded, canvas) if isinstance(mark, Label)]
    width, height = canvas.size_px
    assert [label.number for label in labels] == [str(k + 1) for k in range(30)]
    plane = crowded.pose.plane
    for label in labels:
        across, down = size_of(label)
        assert 0 <= label.left_px <= width - across
        assert 0 <= label.top_px <= height - down
        for cutting in crowded.cuttings:
            x, y = canvas.from_photo(plane.px_from_mm(cutting.outline_mm)).T
            is_beside = (x < label.left_px) | (x > label.left_px + across)
            assert (is_beside | (y < label.top_px) | (y > label.top_px + down)).all()


@pytest.mark.parametrize("stripped_mm", [12.0, 7.0])
def test_a_leader_ends_on_its_own_cutting_and_crosses_no_other(stripped_mm: float) -> None:
    crowded = crowded_tray(stripped_mm)
    canvas = canvas_of(crowded)
    found = marks_of(crowded, canvas)
    outlines = [
        Outline(canvas.from_photo(crowded.pose.plane.px_from_mm(cutting.outline_mm)))
        for cutting in crowded.cuttings
    ]
    for k, label in enumerate(found):
        if not isinstance(label, Label):
            continue
        line, dot = found[k - 2 : k]
        assert isinstance(line, Line) and isinstance(dot, Ring)
        way = line.points_px[0] + np.linspace(0, 1, 200)[:, None] * (line.points_px[1] - line.points_px[0])
        for number, outline in enumerate(outlines, start=1):
            is_own = str(number) == label.number
            assert outline.contains_point(dot.centre_px) == is_own
            assert is_own or not outline.contains_points(way).any()


def test_dashes_cover_the_line_once() -> None:
    line = np.array([[0.0, 0.0], [100.0, 0.0]])
    drawn = sum(float(piece[-1, 0] - piece[0, 0]) for piece in dashed(line, (30.0, 10.0, 8.0, 10.0)))
    # Drawn from 0 to 30, 40 to 48, 58 to 88 and 98 to 100.
    assert drawn == pytest.approx(30 + 8 + 30 + 2)


def test_no_cutting_is_an_answer(tmp_path: Path) -> None:
    empty = replace(graded_photo(), cuttings=(), set_aside=())
    write_picture(tmp_path / "a.jpg", empty, photo_of(empty))
    picture = Image.open(io.BytesIO((tmp_path / "a.jpg").read_bytes()))
    assert picture.format == "JPEG"
    assert picture.width == pytest.approx(WIDTH_PX, abs=1)


def test_a_raised_2_is_drawn_higher_and_smaller() -> None:
    def ink(text: str) -> np.ndarray:
        picture = Image.new("RGB", (400, 80), (255, 255, 255))
        draw_line(ImageDraw.Draw(picture), (10, 10), text, 48.0, (0, 0, 0))
        return np.asarray(picture.convert("L")) < 128

    plain, raised = ink("43 mm"), ink("43 mm\u00b2")
    added = raised & ~plain
    rows, columns = np.nonzero(added)
    letters = np.nonzero(plain)[0]
    assert len(rows) > 50
    assert columns.min() > np.nonzero(plain)[1].max()
    assert rows.max() < letters.max() - 0.25 * np.ptp(letters)  # well above the line on which letters stand
    assert np.ptp(rows) < 0.75 * np.ptp(letters)


def test_a_divided_shoot_has_the_sign_of_each_grade_that_comes_of_it() -> None:
    shape = replace(straight_shape(190.0, 30.0), foliage_area_mm2=3000.0)
    label = label_of(graded_cutting(1, shape), LARGE[0])
    assert label.grade == "cull" and label.after_grades == ("1",)
    assert " ".join(label.steps).endswith("stick: both grade 1")


def test_a_leader_ends_in_the_foliage_and_stays_off_the_stem() -> None:
    shape = straight_shape(length_mm=110.0, stripped_mm=38.0)
    along_mm = leader_ends(graded_cutting(1, shape))[:, 0] - 100.0
    assert along_mm.min() > 38.0 and along_mm.max() < 104.0


def test_two_hyphens_are_drawn_apart() -> None:
    picture = Image.new("RGB", (200, 80), (255, 255, 255))
    draw_line(ImageDraw.Draw(picture), (10, 10), "--", 48.0, (0, 0, 0))
    dark = (np.asarray(picture.convert("L")) < 128).any(axis=0)
    assert np.count_nonzero(np.diff(dark.astype(int)) == 1) == 2


def test_the_outline_of_a_cull_is_no_bar_of_a_cut() -> None:
    red, green, blue = np.array([VERMILLION, LINE_COLOURS["cull"]]).T
    grey = 0.299 * red + 0.587 * green + 0.114 * blue
    assert abs(grey[0] - grey[1]) > 60
