"""The pages: offline, escaped, coded where asked, with intervals instead of bare p values."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from grader.audit.aims import Zone
from grader.audit.pictures import choose
from grader.audit.run import write_pages
from grader.audit.samples import Sample
from grader.records import Measured
from grader.results_file import ReadCutting
from grader.verdict.rules import Side
from tests.audit.looks import INVENTED, invented


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("audit")
    write_pages(invented(6), out, list(INVENTED))
    return out


def texts(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.html")}


def test_one_page_a_cutter_and_one_that_compares(folder: Path) -> None:
    names = {
        "audit.html",
        "cutter-invented-ivy.html",
        "cutter-invented-hazel-b.html",
        "cutter-invented-rowan.html",
    }
    assert set(texts(folder)) == names
    index = texts(folder)["audit.html"]
    assert all(f'href="{name}"' in index for name in names - {"audit.html"})
    assert "smaller than the intervals is no difference" in index


def test_names_are_escaped_and_nothing_is_fetched(folder: Path) -> None:
    for text in texts(folder).values():
        assert "Hazel <b>" not in text
        assert not re.search(r"https?://", re.sub(r'src="data:[^"]*"', "", text))
        assert "<script" not in text
    assert "Hazel &lt;b&gt;" in texts(folder)["cutter-invented-hazel-b.html"]


def test_no_bare_p_value_and_every_page_says_what_it_is_based_on(folder: Path) -> None:
    for text in texts(folder).values():
        assert not re.search(r"\bp\s*[=<]", re.sub(r"<[^>]*>", "", text))
        assert "What this is based on" in text
        assert "Holm" in text
        assert "95 %" in text


def test_the_page_says_the_step_with_two_pictures(folder: Path) -> None:
    text = texts(folder)["cutter-invented-hazel-b.html"]
    assert "Strip about" in text
    says = text.split("<h2")[1]
    assert says.count("<li>") == 3
    assert says.count("<img") == 6


def test_json_holds_the_same_numbers(folder: Path) -> None:
    told = json.loads((folder / "audit.json").read_text(encoding="utf-8"))
    assert told["schema"] == "cutting-grader/audit-1"
    hazel = next(c for c in told["cutters"] if "Hazel" in c["cutter"])
    average = next(a for a in hazel["averages"] if a["trait"] == "stripped_length_mm")
    assert average["verdict"] == "off"
    assert average["low"] < average["mean"] < average["high"]
    page = texts(folder)["cutter-invented-hazel-b.html"]
    assert f"{average['low']:.1f} to {average['high']:.1f} mm" in page
    assert hazel["sentences"][0].split(":")[0] in page


def test_coded_pages_hold_no_name(tmp_path: Path) -> None:
    write_pages(invented(4, is_coded=True), tmp_path, list(INVENTED))
    for path in tmp_path.iterdir():
        assert "invented" not in path.name
        text = path.read_text(encoding="utf-8")
        assert not [name for name in ("Ivy", "Hazel", "Rowan") if name in text], path.name


def test_pages_of_people_who_are_gone_are_taken_away_and_others_kept(tmp_path: Path) -> None:
    (tmp_path / "cutter-notes.html").write_text("mine", encoding="utf-8")
    write_pages(invented(4), tmp_path, list(INVENTED))
    write_pages(invented(4, is_coded=True), tmp_path, ["Invented Ivy"])
    assert len(list(tmp_path.glob("cutter-*.html"))) == 2
    assert (tmp_path / "cutter-notes.html").read_text(encoding="utf-8") == "mine"


def test_a_print_in_doubt_is_named_on_the_pages(tmp_path: Path) -> None:
    whole = invented(14, mat_fault=True)
    assert whole.found.mats
    write_pages(whole, tmp_path, list(INVENTED))
    index = texts(tmp_path)["audit.html"]
    assert "a print at the wrong scale, not a person" in index
    assert "not judged" in texts(tmp_path)["cutter-invented-rowan.html"]


def sample(
    number: int, length_mm: float, stripped_mm: float, targets: str = "a 1", grade: str = "2"
) -> Sample:
    outline = np.array([[0.0, 0.0], [length_mm, 0.0], [length_mm, 5.0]])
    traits = {
        "total_length_mm": Measured(length_mm, 0.4),
        "stripped_length_mm": Measured(stripped_mm, 0.8),
    }
    read = ReadCutting(number, "", grade, "", "", (), targets, traits, outline, outline[:2])
    return Sample(None, read)  # type: ignore[arg-type]


@pytest.mark.parametrize("targets_of_small", ["a 1", "b 1"])
def test_the_two_cuttings_shown_are_of_one_size(targets_of_small: str) -> None:
    """Among eight cuttings of 90 mm lie four miniatures of 40 mm, whose stems are just the typical 14 mm."""
    long = [
        sample(k, 88.0 + k, stripped, grade="1")
        for k, stripped in enumerate([19, 20, 21, 22, 24, 26, 31, 33])
    ]
    small = [sample(20 + k, 40.0 + k, 14.0, targets_of_small) for k in range(4)]
    zone = Zone(27.0, 35.0, (25.0, 40.0))
    pair = choose([*small, *long], "stripped_length_mm", Side.MIN, zone, 25.0, 11.0)
    assert pair.typical is long[0] and pair.good is long[6]
    assert choose(small, "stripped_length_mm", Side.MIN, zone, 25.0, 11.0).typical is not None
