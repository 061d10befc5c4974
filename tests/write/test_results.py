"""results.json: every value with unit, uncertainty and origin, and nothing that a reader chokes on."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from grader.errors import OutputProblem
from grader.records import SkippedPhoto
from grader.write import results_of, to_json, write_atomic, write_results
from grader.write.results import results_pieces
from tests.synthetic_records import graded_cutting, graded_photo, straight_shape

MADE_AT = datetime(2026, 3, 2, 8, 15)
SKIPPED = SkippedPhoto(Path("b.jpg"), "no mat", "no mat was found", "photograph the whole mat")


def refuse(constant: str) -> float:
    raise AssertionError(f"{constant} is no JSON")


def read_back() -> dict[str, Any]:
    text = to_json(results_of((graded_photo(), SKIPPED), {"targets": "x 1"}, MADE_AT))
    parsed: dict[str, Any] = json.loads(text, parse_constant=refuse)
    return parsed


def test_says_what_it_is_and_where_it_comes_from() -> None:
    parsed = read_back()
    assert parsed["schema"] == "cutting-grader/results-1"
    assert parsed["program"]["name"] == "cutting-grader"
    assert parsed["settings"] == {"targets": "x 1"}
    assert parsed["made_at"] == "2026-03-02T08:15:00"
    assert parsed["photos"][0]["sha256"] == "0" * 64
    assert parsed["photos"][0]["mat"]["print_scale_source"] == "assumed"


def test_every_cutting_carries_value_and_uncertainty() -> None:
    cuttings = read_back()["photos"][0]["cuttings"]
    assert [c["grade"] for c in cuttings] == ["1", "2", "cull", "unsure"]
    assert [c["number"] for c in cuttings] == [1, 2, 3, 4]
    second = cuttings[1]
    assert second["traits"]["total_length_mm"]["value"] == pytest.approx(66.0)
    assert second["traits"]["total_length_mm"]["sigma"] == pytest.approx(0.4)
    assert second["axis_mm"][0] == [250.0, 60.0]
    assert {r["outcome"] for r in second["rules"]} >= {"pass", "fail"}


def test_what_is_not_a_number_is_null_with_its_note() -> None:
    heel = read_back()["photos"][0]["cuttings"][0]["traits"]["heel_width_mm"]
    assert heel == {"value": None, "sigma": 0.0, "note": "there is no heel"}
    assert read_back()["photos"][0]["cuttings"][0]["width_mm"][-1] is None


def test_skipped_photos_and_things_set_aside_are_not_lost() -> None:
    graded, skipped = read_back()["photos"]
    assert graded["set_aside"][0]["kind"] == "not a cutting"
    assert skipped == {
        "file": "b.jpg",
        "status": "skipped",
        "reason": "no mat",
        "message": "no mat was found",
        "advice": "photograph the whole mat",
    }


def test_file_is_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    write_results(tmp_path / "new" / "results.json", (graded_photo(),), {}, MADE_AT)
    assert [file.name for file in (tmp_path / "new").iterdir()] == ["results.json"]
    json.loads((tmp_path / "new" / "results.json").read_text(encoding="utf-8"))


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputProblem, match="cannot be written") as caught:
        write_atomic(tmp_path / "file" / "results.json", b"{}")
    assert "--out" in caught.value.advice


def test_an_old_file_stays_when_the_new_one_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_atomic(tmp_path / "a.json", b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(OutputProblem, match="No space"):
        write_atomic(tmp_path / "a.json", b"new")
    assert [(f.name, f.read_bytes()) for f in tmp_path.iterdir()] == [("a.json", b"old")]


@pytest.mark.parametrize("n", [0, 1, 3])
def test_written_photo_by_photo_it_is_the_same_text(n: int) -> None:
    results = (graded_photo(), graded_photo(Path("b.jpg")), SKIPPED)[:n]
    pieces = "".join(results_pieces(results, {"targets": "x"}, MADE_AT))
    assert pieces == to_json(results_of(results, {"targets": "x"}, MADE_AT))


def test_no_control_code_leaves_and_every_name_comes_back(tmp_path: Path) -> None:
    odd = Path("a\x1b[31m\x9b31m\u202e\n\udcff.jpg")
    write_results(tmp_path / "results.json", (graded_photo(odd, {"cutter": "\x9b"}),), {})
    text = (tmp_path / "results.json").read_text(encoding="utf-8")
    assert all(ch.isprintable() or ch == "\n" for ch in text)
    photo = json.loads(text)["photos"][0]
    assert (photo["file"], photo["batch"]) == (str(odd), {"cutter": "\x9b"})


def test_without_a_time_the_bytes_depend_on_the_photos_only() -> None:
    assert json.loads("".join(results_pieces((graded_photo(),), {})))["made_at"] is None


def test_the_deciding_rule_and_what_the_advice_makes_are_told() -> None:
    cut = replace(graded_photo(), cuttings=(graded_cutting(1, straight_shape(110.0, 38.0)),))
    parsed = json.loads(to_json(results_of((cut,), {}, MADE_AT)), parse_constant=refuse)
    (cutting,) = parsed["photos"][0]["cuttings"]
    assert cutting["decided_by"] == "L02" and cutting["doubt"] == ""
    (piece,) = cutting["pieces"]
    assert (piece["from_mm"], piece["to_mm"], piece["strip_to_mm"]) == (12.0, 110.0, 40.0)
    assert piece["grade"] == "1"
    assert piece["traits"]["total_length_mm"]["value"] == 98.0
    assert [c["decided_by"] for c in read_back()["photos"][0]["cuttings"]] == ["", "L01", "D02", "L01"]
