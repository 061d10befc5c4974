"""What other programs build on: the Python interface of the README, and the table as a program reads it."""

from __future__ import annotations

import codecs
import csv
import re
import shutil
from pathlib import Path

import pytest

import grader
from grader.batch.codec import to_plain
from grader.pipeline import Kit
from grader.traits.catalogue import TRAITS
from grader.verdict import load_targets
from grader.write import write_csv
from tests.synthetic_records import graded_photo

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_images" / "bench_soft_light.jpg"


def test_every_public_name_is_there() -> None:
    for name in grader.__all__:
        assert getattr(grader, name).__doc__
    with pytest.raises(AttributeError):
        _ = grader.grade_foto


@pytest.mark.slow
def test_the_simple_call_goes_by_the_default_targets() -> None:
    simple = grader.grade_photo(DEMO)
    full = grader.grade_photo(str(DEMO), Kit(load_targets()))
    assert isinstance(simple, grader.GradedPhoto) and isinstance(full, grader.GradedPhoto)
    # As plain values: what could not be measured is nan, which equals nothing, itself included.
    assert [to_plain(c.grade) for c in simple.cuttings] == [to_plain(c.grade) for c in full.cuttings]
    assert simple.cuttings[0].grade.targets_id == load_targets("landscape-juniper").id
    assert simple.pose.print_scale_source == "assumed"


def readme_example() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^  ```python\n(.*?)^  ```", text, re.MULTILINE | re.DOTALL)
    return re.sub("^  ", "", block, flags=re.MULTILINE)


@pytest.mark.slow
def test_the_example_of_the_readme_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(DEMO, tmp_path / "tray.jpg")
    monkeypatch.chdir(tmp_path)
    exec(compile(readme_example(), "README.md", "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 8 and all(" ± " in line and " mm " in line for line in lines)
    assert [file.name for file in tmp_path.iterdir()] == ["tray.jpg"]


def test_the_example_tells_why_a_photo_cannot_be_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    exec(compile(readme_example(), "README.md", "exec"), {})
    assert "there is no file tray.jpg" in capsys.readouterr().out


def test_a_program_reads_the_table_without_hints(tmp_path: Path) -> None:
    file = tmp_path / "cuttings.csv"
    write_csv(file, [graded_photo(Path("Beet grün, 7.jpg"), {"cutter": 'O"Neil; Zoë'}), graded_photo()])
    assert file.read_bytes().startswith(codecs.BOM_UTF8)
    with file.open(encoding="utf-8-sig", newline="") as lines:
        dialect = csv.Sniffer().sniff(lines.readline(), delimiters=",;\t")
        lines.seek(0)
        rows = list(csv.DictReader(lines))
    assert dialect.delimiter == ","
    assert len(rows) == 8
    assert rows[0]["photo"] == "Beet grün, 7.jpg" and rows[0]["cutter"] == 'O"Neil; Zoë'
    for row in rows:
        assert None not in row and None not in row.values()
        for trait in TRAITS.values():
            cell = row[trait.words + (f" ({trait.unit})" if trait.unit else "")]
            assert cell in ("", "none") or re.fullmatch(r"-?\d+(\.\d+)?", cell), (trait.words, cell)
