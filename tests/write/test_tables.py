"""Both tables, photo by photo: the same bytes as at once, and nothing to be found before they are whole."""

from __future__ import annotations

from pathlib import Path

from grader.records import PhotoResult, SkippedPhoto
from grader.write import write_csv, write_results
from grader.write.results import photo_json
from grader.write.table_csv import csv_rows
from grader.write.tables import CSV_NAME, RESULTS_NAME, Tables, write_tables
from tests.synthetic_records import graded_photo

RESULTS: tuple[PhotoResult, ...] = (
    graded_photo(Path("a.jpg")),
    SkippedPhoto(Path("b.jpg"), "too dark", "it is too dark", "switch the lamp on"),
    graded_photo(Path("c.jpg"), {"cutter": "Ann"}),
)
SETTINGS = {"targets": "x"}


def test_the_same_as_each_table_by_itself(tmp_path: Path) -> None:
    for n in range(len(RESULTS) + 1):
        write_tables(tmp_path / "both", RESULTS[:n], SETTINGS)
        write_results(tmp_path / RESULTS_NAME, RESULTS[:n], SETTINGS)
        write_csv(tmp_path / CSV_NAME, RESULTS[:n])
        for name in (RESULTS_NAME, CSV_NAME):
            assert (tmp_path / "both" / name).read_bytes() == (tmp_path / name).read_bytes()


def test_nothing_is_there_before_the_end_nor_left_after_a_stop(tmp_path: Path) -> None:
    with Tables(tmp_path, SETTINGS) as tables:
        tables.add(photo_json(RESULTS[0]), csv_rows(RESULTS[0]))
        assert not {RESULTS_NAME, CSV_NAME} & {path.name for path in tmp_path.iterdir()}
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_table_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    write_tables(tmp_path, RESULTS[:1], SETTINGS)
    before = (tmp_path / RESULTS_NAME).read_bytes()
    with Tables(tmp_path, SETTINGS) as tables:
        for result in RESULTS:
            tables.add(photo_json(result), csv_rows(result))
        assert (tmp_path / RESULTS_NAME).read_bytes() == before
        tables.finish()
    assert (tmp_path / RESULTS_NAME).read_bytes() != before
