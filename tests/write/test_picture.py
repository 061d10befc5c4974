"""The picture: what is drawn, where, and that nobody needs colour to read it."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from grader.records import GradedPhoto, Photo
from grader.write import annotate, write_picture
from grader.write.annotate import dashed
from grader.write.canvas import WIDTH_PX, canvas_of
from grader.write.compose import BASE_STRETCH_MM, base_stretch_mm, marks_of, reason_words
from grader.write.letters import block_size
from grader.write.marks import STYLES, Badge, Line, Mark, Words
from tests.synthetic_records import graded_photo, outline_of, straight_shape

PAPER = 235
ARM_S_LENGTH_SHARE = 1 / 25
"""A badge of this share of a phone's width is read at arm's length."""


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
        if isinstance(mark, Badge):
            boxes.append((mark.left_px, mark.top_px, 2.15 * mark.size_px, mark.size_px))
        elif isinstance(mark, Words):
            boxes.append((mark.left_px, mark.top_px, *block_size(mark.lines, mark.size_px)))
    return boxes


def test_each_cutting_has_a_badge_large_enough_to_read() -> None:
    badges = [mark for mark in marks() if isinstance(mark, Badge)]
    assert [(b.number, b.grade) for b in badges] == [("1", "1"), ("2", "2"), ("3", "cull"), ("4", "unsure")]
    assert all(badge.size_px >= WIDTH_PX * ARM_S_LENGTH_SHARE for badge in badges)


def test_shape_and_line_tell_the_grade_without_colour() -> None:
    assert len({style.shape for style in STYLES.values()}) == len(STYLES)
    assert len({style.letter for style in STYLES.values()}) == len(STYLES)
    assert len({style.dashes_px for style in STYLES.values()}) == len(STYLES)


def test_badges_differ_in_greyscale() -> None:
    graded = graded_photo()
    grey = np.asarray(Image.fromarray(annotate(graded, photo_of(graded))).convert("L"), dtype=float)
    looks = []
    for badge in (mark for mark in marks() if isinstance(mark, Badge)):
        left, top = round(badge.left_px + 1.15 * badge.size_px), round(badge.top_px)
        looks.append(grey[top : top + round(badge.size_px), left : left + round(badge.size_px)])
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
    assert "too short 66.0 mm" in reason_words(graded.cuttings[1])
    assert "too short? 74.8 mm" in reason_words(graded.cuttings[3])


def test_base_diameter_is_shown_where_it_is_taken() -> None:
    assert base_stretch_mm(straight_shape()) == BASE_STRETCH_MM
    assert base_stretch_mm(straight_shape(stripped_mm=8.0)) == (3.0, 8.0)
    assert base_stretch_mm(straight_shape(stripped_mm=2.0)) == ()


def test_things_set_aside_have_a_dashed_line_and_a_word() -> None:
    assert any(isinstance(m, Words) and m.lines == ("not a cutting",) for m in marks())
    closed = [mark for mark in marks() if isinstance(mark, Line) and mark.is_closed]
    assert len(closed) == 5
    assert closed[0].dashes_px


def test_crowded_trays_keep_every_badge_inside_the_picture() -> None:
    graded = graded_photo()
    one = graded.cuttings[0]
    many = []
    for k in range(30):
        base = (48.0 + 40.0 * (k % 6), 50.0 + 38.0 * (k // 6))
        shape = straight_shape(length_mm=34.0, stripped_mm=10.0, base_mm=base, angle_deg=-90.0)
        many.append(replace(one, number=k + 1, shape=shape, outline_mm=outline_of(shape, 14.0)))
    crowded = replace(graded, cuttings=tuple(many), set_aside=())
    canvas = canvas_of(crowded)
    badges = [mark for mark in marks_of(crowded, canvas) if isinstance(mark, Badge)]
    width, height = canvas.size_px
    assert [badge.number for badge in badges] == [str(k + 1) for k in range(30)]
    for badge in badges:
        assert 0 <= badge.left_px <= width - 2.15 * badge.size_px
        assert 0 <= badge.top_px <= height - badge.size_px
    plane = crowded.pose.plane
    for badge, own in zip(badges, crowded.cuttings, strict=True):
        stems = [c.shape.axis_mm[c.shape.arc_mm <= 10.0] for c in crowded.cuttings]
        others = [c.outline_mm for c in crowded.cuttings if c.number != own.number]
        for hidden_mm in (*stems, *others):
            x, y = canvas.from_photo(plane.px_from_mm(hidden_mm)).T
            is_beside = (x < badge.left_px) | (x > badge.left_px + 2.15 * badge.size_px)
            assert (is_beside | (y < badge.top_px) | (y > badge.top_px + badge.size_px)).all()


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
