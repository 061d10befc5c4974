"""cuttings.csv: a spreadsheet opens it, sums it, and never runs a cell of it."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.traits.catalogue import TRAITS
from grader.write import csv_text, write_csv
from grader.write.table_csv import header, safe_cell
from tests.synthetic_records import graded_photo

PRINTED_DIGITS = 0.05
"""One decimal more than people see is written."""


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_one_row_a_cutting_with_every_measurement_and_its_unit() -> None:
    rows = rows_of(csv_text((graded_photo(),)))
    assert [row["number"] for row in rows] == ["1", "2", "3", "4"]
    assert [row["grade"] for row in rows] == ["1", "2", "cull", "unsure"]
    names = header()
    assert len(names) == len(set(names))
    for trait in TRAITS.values():
        assert trait.words + (f" ({trait.unit})" if trait.unit else "") in names
        if trait.mm_per_other:
            assert f"{trait.words} ({trait.other_unit})" in names


def test_millimetres_and_inches_say_the_same() -> None:
    row = rows_of(csv_text((graded_photo(),)))[1]
    assert float(row["total length (mm)"]) == pytest.approx(66.0, abs=PRINTED_DIGITS)
    # 66 / 25.4: the inch is 25.4 mm exactly, international yard and pound agreement, 1959.
    assert float(row["total length (in)"]) == pytest.approx(2.5984, abs=0.0001)
    # 600 mm² / 645.16 mm², the square of the same inch.
    assert float(row["foliage area (in²)"]) == pytest.approx(0.9300, abs=0.0001)
    assert float(row["browned share (%)"]) == pytest.approx(2.0)
    assert float(row["total length uncertainty (mm)"]) == pytest.approx(0.4)


def test_what_does_not_exist_is_none_and_not_zero() -> None:
    row = rows_of(csv_text((graded_photo(),)))[0]
    assert row["heel width (mm)"] == "none"
    assert row["heel width (in)"] == ""


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_names_that_a_spreadsheet_would_run_are_shown(start: str) -> None:
    danger = start + "cmd|' /C calc'!A0"
    text = csv_text((graded_photo(Path(f"{danger}.jpg"), {"cutter": danger, "donor": danger}),))
    row = rows_of(text)[0]
    for column in ("photo", "cutter", "donor"):
        assert row[column].startswith("'" + start)
        assert row[column][1:].startswith(danger)


def test_quotes_commas_and_other_scripts_survive() -> None:
    donor = 'row 3, "old" 刺柏 é'
    assert rows_of(csv_text((graded_photo(batch={"donor": donor}),)))[0]["donor"] == donor


@settings(deadline=None)
@given(st.text(alphabet=st.characters() | st.sampled_from("=+-@;'\t\r\n\x1b\x9b ")))
def test_no_text_is_left_that_begins_a_formula(text: str) -> None:
    safe = safe_cell(text)
    assert safe.isprintable()
    for cell in safe.split(";"):  # as a spreadsheet does where the comma is the decimal sign
        assert not cell.lstrip().startswith(("=", "+", "-", "@"))
    if text.isprintable() and ";" not in text:
        assert safe.removeprefix("'") == text.removeprefix("'")


def test_a_row_stays_a_line_and_a_name_that_is_no_text_is_written(tmp_path: Path) -> None:
    odd = Path("two\nlines \x1b[31m \udcff.jpg")
    write_csv(tmp_path / "cuttings.csv", (graded_photo(odd),))
    lines = (tmp_path / "cuttings.csv").read_text(encoding="utf-8-sig").splitlines()
    assert len(lines) == 5
    assert lines[1].startswith("two\\nlines \\x1b[31m \\udcff.jpg,")


def test_spreadsheets_are_told_that_it_is_utf_8(tmp_path: Path) -> None:
    write_csv(tmp_path / "cuttings.csv", (graded_photo(),))
    raw = (tmp_path / "cuttings.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    assert raw.count(b"\r\n") == 5
    assert rows_of(raw.decode("utf-8-sig"))[3]["number"] == "4"


def test_no_cuttings_still_give_a_header() -> None:
    assert list(csv.reader(io.StringIO(csv_text(())))) == [header()]
