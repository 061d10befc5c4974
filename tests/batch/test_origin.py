"""Who, from which plant, by which targets: a table beats a folder's name, a folder's name beats an option."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.batch.origin import BatchDataProblem, Origins, from_folder_name, read_table


def table(folder: Path, text: str | bytes) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "photos.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_the_closer_to_the_photo_the_stronger(tmp_path: Path) -> None:
    folder = tmp_path / "cutter=Bea" / "cutter=Cem, donor=bed 7"
    table(folder, "photo,cutter,species\na.jpg,Dan,\nb.jpg,,rosemary\n")
    origins = Origins({"cutter": "Ann", "species": "thuja"})
    assert origins.of(tmp_path / "x.jpg").batch == {"cutter": "Ann", "species": "thuja"}
    assert origins.of(tmp_path / "cutter=Bea" / "x.jpg").batch == {"cutter": "Bea", "species": "thuja"}
    assert origins.of(folder / "a.jpg").batch == {"cutter": "Dan", "donor": "bed 7", "species": "thuja"}
    assert origins.of(folder / "b.jpg").batch == {"cutter": "Cem", "donor": "bed 7", "species": "rosemary"}


def test_a_table_speaks_for_sub_folders_and_an_inner_one_is_stronger(tmp_path: Path) -> None:
    table(tmp_path, "photo;donor;cutter\nsub/a.jpg;outer;Ann\n./b.jpg;here;\n")
    table(tmp_path / "sub", "photo,donor\na.jpg,inner\n")
    origins = Origins({})
    assert origins.of(tmp_path / "sub" / "a.jpg").batch == {"cutter": "Ann", "donor": "inner"}
    assert origins.of(tmp_path / "b.jpg").batch == {"donor": "here"}


def test_targets_of_a_table_lie_beside_it(tmp_path: Path) -> None:
    table(tmp_path, "photo,targets\na.jpg,mine.toml\nb.jpg,thuja-hedge\n")
    origins = Origins({})
    assert origins.of(tmp_path / "a.jpg").targets == str(tmp_path / "mine.toml")
    assert origins.of(tmp_path / "b.jpg").targets == "thuja-hedge"
    assert origins.of(tmp_path / "targets=rosemary" / "c.jpg").targets == "rosemary"
    inside = tmp_path / "targets=mine.toml"
    assert origins.of(inside / "c.jpg").targets == str(inside / "mine.toml")


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("cuter=Ann", "Did you mean cutter"),
        ("cutter=", "plainly"),
        ("cutter=Ann donor=bed 7", "plainly"),
        ("cutter=Ann, bed 7", "bed 7"),
    ],
)
def test_a_folder_s_name_that_is_not_understood_is_said(tmp_path: Path, name: str, hint: str) -> None:
    with pytest.raises(BatchDataProblem) as caught:
        from_folder_name(tmp_path / name)
    assert name in caught.value.message
    assert hint in caught.value.message and "key=value" in caught.value.advice


def test_other_names_with_an_equals_sign_are_left_alone() -> None:
    assert from_folder_name(Path("a=b")) == from_folder_name(Path("x")) == from_folder_name(Path("/")) == {}


@pytest.mark.parametrize(
    ("text", "line", "hint"),
    [
        ("photo,cuter\n", 1, "Did you mean cutter"),
        ("photo,colour\n", 1, "no column 'colour'"),
        ("cutter\nAnn\n", 1, "photo is missing"),
        ("photo,cutter,cutter\n", 1, "twice"),
        ("photo,cutter\n\na.jpg,Ann,7\n", 3, "3 values for 2"),
        ("photo,cutter\n,Ann\n", 2, "name of the photo"),
        ("photo,cutter\na.jpg,Ann\nb.jpg,x\na.jpg,Bea\n", 4, "stands in line 2"),
        ('photo,cutter\na.jpg,"Ann\n', 2, "no table"),
        (b"photo,cutter\na.jpg,Ren\xe9\n", 2, "UTF-8"),
        (b"photo,cutter\na.jpg,\x00\n", 2, "no table"),
    ],
)
def test_a_table_that_is_not_understood_names_file_and_line(
    tmp_path: Path, text: str | bytes, line: int, hint: str
) -> None:
    path = table(tmp_path, text)
    with pytest.raises(BatchDataProblem) as caught:
        read_table(path)
    assert caught.value.message.startswith(f"{path}, line {line}: ")
    assert hint in caught.value.message and caught.value.advice


def test_an_empty_table_and_a_huge_one_are_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BatchDataProblem, match="is empty"):
        read_table(table(tmp_path, "\n \n"))
    monkeypatch.setattr("grader.batch.origin.MOST_TABLE_BYTES", 20)
    with pytest.raises(BatchDataProblem, match="too large"):
        read_table(table(tmp_path, "photo,cutter\n" * 3))


def test_lines_for_photos_that_are_not_there_are_told(tmp_path: Path) -> None:
    path = table(tmp_path, "photo,cutter\na.jpg,Ann\nb.jpg,Bea\n")
    origins = Origins({})
    origins.of(tmp_path / "a.jpg")
    (told,) = origins.unmatched([tmp_path / "a.jpg"])
    assert told.startswith(f"{path}, line 3: ") and "b.jpg" in told


def test_accents_match_however_they_are_written(tmp_path: Path) -> None:
    table(tmp_path, "photo,cutter\nRe\u0301ne.jpg,Ann\n")  # e + accent in the table, one letter on the disk
    assert Origins({}).of(tmp_path / "R\u00e9ne.jpg").batch == {"cutter": "Ann"}


@settings(deadline=None)
@given(st.binary(max_size=300) | st.text(alphabet="photcuer,;\n\r\"'=ab ", max_size=80).map(str.encode))
def test_any_bytes_are_a_table_or_a_sentence(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = table(tmp_path_factory.mktemp("t"), data)
    try:
        lines = read_table(path)
    except BatchDataProblem as problem:
        assert str(path) in problem.message and problem.advice
    else:
        assert all("line" in line for line in lines.values())
