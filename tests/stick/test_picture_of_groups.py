"""The picture of groups: every cutting tagged, on the photo or on a plain sheet, readable without colour."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from grader.records import Piece
from grader.results_file import read_results
from grader.stick import picture as module
from grader.stick.marks import PATTERNS, Tag
from grader.stick.picture import original, picture
from grader.stick.plan import StickPlan, make_plan
from grader.verdict import load_targets
from tests.stick.invented_results import Invented, changed, invented_photo, plan_of, results_at
from tests.synthetic_records import graded_cutting, outline_of, straight_shape

MIXED = [
    *(Invented(70.0 + k / 10) for k in range(6)),
    *(Invented(98.0 + k / 10) for k in range(6)),
    Invented(grade="cull"),
    Invented(grade="unsure"),
    Invented(104.0, grade="2", advice="cut again 7 mm above the base (to shorten it), stick"),
    Invented(math.nan),
]
LEAST_PX = 50
"""A fiftieth of the width: read when zoomed in."""


def tags_of(plan: StickPlan) -> list[Tag]:
    photo = plan.photos[0]
    plane, size_px, page_mm = module._frame(photo, False)
    _, tags = module._marks(plan, photo, plane, module.canvas_of_page(page_mm, plane, size_px))
    return tags


def opened(data: bytes) -> Image.Image:
    return Image.open(io.BytesIO(data))


def test_every_cutting_has_a_tag_with_its_group(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, MIXED)
    letters = {p.cutting.number: item.group.letter for item in plan.groups for p in item.group.members}
    signs = {int(tag.number): tag.sign for tag in tags_of(plan)}
    assert {number: sign for number, sign in signs.items() if number <= 12} == letters
    assert [signs[number] for number in (13, 14, 15, 16)] == ["X", "?", "cut", "?"]
    assert {tag.sign for tag in tags_of(plan) if tag.is_group} == {"A", "B"}


def test_tags_are_large_enough_and_do_not_cover_each_other(tmp_path: Path) -> None:
    tags = tags_of(plan_of(tmp_path, MIXED))
    assert all(tag.size_px >= LEAST_PX for tag in tags)
    for a, b in combinations(tags, 2):
        apart_x = a.left_px + a.width_px <= b.left_px + 1 or b.left_px + b.width_px <= a.left_px + 1
        apart_y = a.top_px + a.size_px <= b.top_px + 1 or b.top_px + b.size_px <= a.top_px + 1
        assert apart_x or apart_y, (a, b)


def test_tags_cover_no_cutting_on_a_crowded_tray(tmp_path: Path) -> None:
    made = []
    for k in range(30):
        base = (48.0 + 40.0 * (k % 6), 50.0 + 38.0 * (k // 6))
        shape = straight_shape(length_mm=34.0, stripped_mm=12.0, base_mm=base, angle_deg=-90.0)
        cutting = graded_cutting(k + 1, shape, load_targets("miniature-conifer"))
        made.append(replace(cutting, outline_mm=outline_of(shape, 14.0)))
    crowded = replace(invented_photo("tray.jpg", []), cuttings=tuple(made))
    plan = plan_of(tmp_path, [])
    plan = make_plan([results_at(tmp_path / "r.json", crowded)], plan.choices, plan.values)
    photo = plan.photos[0]
    assert len(tags_of(plan)) == 30
    plane, size_px, page_mm = module._frame(photo, False)
    canvas = module.canvas_of_page(page_mm, plane, size_px)
    for tag in tags_of(plan):
        for cutting in photo.cuttings:
            x, y = canvas.from_photo(plane.px_from_mm(cutting.outline_mm)).T
            is_in = (x > tag.left_px) & (x < tag.left_px + tag.width_px)
            assert not (is_in & (y > tag.top_px) & (y < tag.top_px + tag.size_px)).any(), tag


def test_a_cull_to_be_stripped_is_tagged_with_its_group(tmp_path: Path) -> None:
    strip = "strip 10 mm more, so that 27 mm (1.06 in) are bare, then stick: grade 1"
    piece = Piece(0.0, 98.0, 27.0, "1", {})
    plan = plan_of(tmp_path, [*MIXED, Invented(98.0, 17.0, "cull", strip, pieces=(piece,))])
    signs = {int(tag.number): tag.sign for tag in tags_of(plan)}
    assert signs[17] == "strip: B"
    entries = module._list(plan, plan.photos[0], False, 2400)
    assert any(sign == "strip: B" and lines[-1].endswith("17") for sign, _, lines in entries)


def test_groups_differ_without_colour() -> None:
    assert len({dashes for _, dashes in PATTERNS}) == len(PATTERNS)


def test_on_the_photo_the_outline_lies_on_the_cutting(tmp_path: Path) -> None:
    """An even photo: it shows where nothing lies, and the line is drawn where the outline is."""
    plan = plan_of(tmp_path, [Invented()])
    photo = plan.photos[0]
    width, height = photo.image_size_px
    rgb = np.full((height, width, 3), (200, 180, 160), dtype=np.uint8)
    seen = np.asarray(opened(picture(plan, photo, rgb)).convert("RGB"), dtype=int)
    assert np.abs(seen[20, 20] - (200, 180, 160)).max() < 12
    assert photo.plane is not None
    canvas = module.canvas_of_page(photo.page_mm, photo.plane, photo.image_size_px)
    at = canvas.from_photo(photo.plane.px_from_mm(photo.cuttings[0].outline_mm))
    along = np.linspace(0.1, 0.9, 9)[:, None, None]  # of each straight piece; dashes leave gaps
    places = np.round(at + along * (np.roll(at, -1, axis=0) - at)).astype(int)
    drawn = np.abs(seen[places[..., 1], places[..., 0]] - (200, 180, 160)).max(axis=2) > 60
    assert drawn.any(axis=0).mean() > 0.9


def test_where_the_photo_is_gone_the_outlines_are_drawn(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, MIXED)
    photo = plan.photos[0]
    assert original(photo, tmp_path / "results.json") is None
    sheet = opened(picture(plan, photo, None))
    assert sheet.width == pytest.approx(297 * 8, rel=0.02)
    entries = module._list(plan, photo, False, sheet.width)
    assert "Drawn from the outlines" in " ".join(entries[-1][2])


def test_files_without_map_or_page_are_drawn_too(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, MIXED)

    def strip(whole: dict) -> None:  # type: ignore[type-arg]
        for key in ("plane", "page_mm"):
            del whole["photos"][0]["mat"][key]

    read = read_results(changed(tmp_path / "results.json", strip))
    again = make_plan([read], plan.choices, plan.values)
    assert original(again.photos[0], read.path) is None
    assert opened(picture(again, again.photos[0], None)).width > 1000


def test_an_empty_tray_is_drawn(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, [])
    assert opened(picture(plan, plan.photos[0], None)).height > 500


def test_a_photo_is_found_beside_the_results_and_a_changed_one_is_not_used(tmp_path: Path) -> None:
    path = tmp_path / "tray.png"
    Image.new("RGB", (640, 480), (120, 130, 140)).save(path)
    import hashlib

    photo = replace(
        invented_photo("far/away/tray.png", [Invented()]),
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
    )
    read = results_at(tmp_path / "results.json", photo)
    rgb = original(read.photos[0], read.path)
    assert rgb is not None and rgb.shape == (480, 640, 3)
    Image.new("RGB", (640, 480), (0, 0, 0)).save(path)
    assert original(read.photos[0], read.path) is None
    path.write_bytes(b"no picture")
    assert original(read.photos[0], read.path) is None
