"""Reading results.json again: what was written comes back; what is damaged is named with a remedy."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grader.records import SkippedPhoto
from grader.results_file import SCHEMA, ResultsProblem, read_results
from grader.write import results as writer
from tests.synthetic_records import graded_photo

WHEN = datetime(2026, 3, 2, 8, 0)
SKIPPED = SkippedPhoto(Path("dark.jpg"), "too dark", "It is too dark.", "Open the door.")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "results.json"
    photo = graded_photo(Path("a/tray 1.jpg"), {"cutter": "Ann", "donor": "bed 7"})
    writer.write_results(path, [SKIPPED, photo], {"targets": "landscape-juniper 1"}, WHEN)
    return path


def test_reader_and_writer_name_the_same_schema() -> None:
    assert writer.SCHEMA == SCHEMA


def test_what_was_written_comes_back(file: Path) -> None:
    written = graded_photo(Path("a/tray 1.jpg"), {"cutter": "Ann", "donor": "bed 7"})
    read = read_results(file)
    assert read_results(file.parent).sha256 == read.sha256
    assert read.made_at == "2026-03-02T08:00:00" and read.settings["targets"] == "landscape-juniper 1"
    assert read.files == ("dark.jpg", "a/tray 1.jpg")
    (skipped,) = read.skipped
    assert (skipped.file, skipped.advice) == ("dark.jpg", "Open the door.")
    (photo,) = read.photos
    assert photo.batch == {"cutter": "Ann", "donor": "bed 7"} and photo.page_mm == written.pose.page_mm
    assert [c.number for c in photo.cuttings] == [1, 2, 3, 4]
    assert [c.grade for c in photo.cuttings] == [c.grade.grade for c in written.cuttings]
    for got, wanted in zip(photo.cuttings, written.cuttings, strict=True):
        for name, measured in wanted.traits.items():
            assert got.measured(name).value == pytest.approx(measured.value, nan_ok=True)
            assert got.measured(name).sigma == pytest.approx(measured.sigma, nan_ok=True)
            assert got.measured(name).note == measured.note
    assert [thing.kind for thing in photo.set_aside] == ["not a cutting"]
    assert math.isnan(photo.cuttings[0].measured("no_such_trait").value)


def test_places_on_the_photo_come_back(file: Path) -> None:
    plane = read_results(file).photos[0].plane
    points = np.array([[10.0, 20.0], [250.0, 190.0]])
    assert plane is not None
    assert np.allclose(plane.px_from_mm(points), graded_photo().pose.plane.px_from_mm(points))


def test_files_without_a_map_and_with_new_fields_are_read(file: Path) -> None:
    whole = json.loads(file.read_text())
    del whole["photos"][1]["mat"]["plane"]
    whole["photos"][1]["cuttings"][0]["something_new"] = {"a": 1}
    file.write_text(json.dumps(whole))
    assert read_results(file).photos[0].plane is None


DAMAGE: dict[str, Callable[[dict[str, Any]], object]] = {
    "no photos": lambda whole: whole.pop("photos"),
    "photos no list": lambda whole: whole.update(photos=7),
    "no grade": lambda whole: whole["photos"][1]["cuttings"][0].pop("grade"),
    "unknown grade": lambda whole: whole["photos"][1]["cuttings"][0].update(grade="9"),
    "word for a number": lambda whole: whole["photos"][1]["cuttings"][0]["traits"]["tips_count"].update(
        value="many"
    ),
    "a number twice": lambda whole: whole["photos"][1]["cuttings"][0].update(number=2),
    "odd outline": lambda whole: whole["photos"][1]["cuttings"][0].update(outline_mm=[1, 2, 3]),
    "hole in outline": lambda whole: whole["photos"][1]["cuttings"][0].update(outline_mm=[[None, 2]]),
    "no hash": lambda whole: whole["photos"][1].update(sha256="../../x"),
    "half a map": lambda whole: whole["photos"][1]["mat"]["plane"].update(homography=[[1, 2], [3, 4]]),
    "traits a list": lambda whole: whole["photos"][1]["cuttings"][0].update(traits=[]),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_file_is_named(file: Path, damage: Callable[[dict[str, Any]], object]) -> None:
    whole = json.loads(file.read_text())
    damage(whole)
    file.write_text(json.dumps(whole))
    with pytest.raises(ResultsProblem, match="is damaged") as caught:
        read_results(file)
    assert str(file) in caught.value.message and "again" in caught.value.advice


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty"),
        (b"  \n", "is empty"),
        (b'{"schema": "cutting-grader/results-1", "pho', "cut short"),
        (b"\xff\xd8\xff\xe0 a photo", "cut short"),
        (b"[]", "not a file of results"),
        (b'"cutting-grader/results-1"', "not a file of results"),
        (b'{"schema": "somebody/else-1"}', "not a file of results"),
        (b'{"schema": "cutting-grader/results-9"}', "results-9"),
        (b"[" * 100_000, "cut short"),
    ],
)
def test_what_is_no_file_of_results_is_refused(tmp_path: Path, data: bytes, said: str) -> None:
    path = tmp_path / "results.json"
    path.write_bytes(data)
    with pytest.raises(ResultsProblem, match=said) as caught:
        read_results(path)
    assert str(path) in caught.value.message and caught.value.advice


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ResultsProblem, match="cannot be read") as caught:
        read_results(tmp_path)
    assert "results.json" in caught.value.message and "grader grade" in caught.value.advice
