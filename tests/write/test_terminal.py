"""The terminal: grade, sizes with units, why and what to do; no name steers the terminal."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from grader.records import PhotoResult, SkippedPhoto
from grader.write import clean, show, summary
from tests.synthetic_records import graded_cutting, graded_photo, straight_shape

SKIPPED = SkippedPhoto(Path("b.jpg"), "no mat", "no mat was found", "photograph the whole mat")


def shown(*results: PhotoResult, width: int = 120, colour: bool = False) -> str:
    out = io.StringIO()
    show(Console(file=out, width=width, force_terminal=colour, legacy_windows=False), results)
    return out.getvalue()


def test_every_cutting_has_its_row() -> None:
    text = shown(graded_photo())
    rows = [line.split("│")[1:] for line in text.splitlines() if line.startswith("│")]
    firsts = [[cell.strip() for cell in row[:3]] for row in rows if row[0].strip().isdigit()]
    assert [row[:2] for row in firsts] == [["1", "1"], ["2", "2"], ["3", "X cull"], ["4", "? unsure"]]
    assert firsts[1][2] == "66.0 mm"
    assert "2.60 in" in text


def test_set_aside_and_warnings_and_skips_are_told() -> None:
    text = shown(graded_photo(), SKIPPED)
    assert "Set aside 125 mm from the left, 154 mm from the top: This is not a cutting" in text
    assert "b.jpg: skipped (no mat): no mat was found." in text
    assert "What to do: photograph the whole mat." in text
    assert (
        "1 photo graded, 1 skipped; 4 cuttings: 1 grade 1, 1 grade 2, 1 cull, 1 unsure, 1 set aside" in text
    )


@pytest.mark.parametrize(
    "name", ["a\x1b[31mred.jpg", "a\x07b.jpg", "a\nb.jpg", "a\u202egpj.exe", "a\x9bm.jpg"]
)
def test_names_cannot_steer_the_terminal(name: str) -> None:
    lost = SkippedPhoto(Path(name), "no mat", f"{name} shows no mat", "again")
    text = shown(graded_photo(Path(name)), lost)
    assert all(ch.isprintable() or ch == "\n" for ch in text)
    assert clean(name) in text.replace("\n", "")


def test_names_are_not_read_as_markup() -> None:
    assert "[bold]x[/bold].jpg" in shown(graded_photo(Path("[bold]x[/bold].jpg")))


def test_grades_are_told_without_colour() -> None:
    assert "\x1b[" not in shown(graded_photo())
    assert "\x1b[" in shown(graded_photo(), colour=True)


def test_narrow_terminal_keeps_the_numbers() -> None:
    text = shown(graded_photo(), width=80)
    assert max(len(line) for line in text.splitlines()) <= 80
    for size in ("90.0 mm", "66.0 mm", "70.0 mm", "74.8 mm"):
        assert size in text
    flat = re.sub(r"[^\S\n]*\n", "\n", text)  # lines are padded to their width
    assert "  no. 2 > Stick: grade 2\n    Today grade 2: too short: total length 66.0" in flat


def test_summary_of_nothing_graded() -> None:
    assert summary((SKIPPED,)) == "0 photos graded, 1 skipped; 0 cuttings"


@pytest.mark.parametrize("width", [80, 120])
def test_what_to_do_comes_before_the_grade_of_today(width: int) -> None:
    graded = replace(graded_photo(), cuttings=(graded_cutting(1, straight_shape(stripped_mm=9.0)),))
    lines = re.sub(r"[│\s]+", " ", shown(graded, width=width))
    places = [lines.index(words) for words in ("Strip 18 mm more", "Today cull", "After stripping: grade 1")]
    assert places == sorted(places)
