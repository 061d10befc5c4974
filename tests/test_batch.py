"""Many photos: in order, none lost, none twice; one bad photo stops nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from grader import batch
from grader.batch import grade_all, photos_in, picture_names
from grader.pipeline import Kit
from grader.records import SkippedPhoto
from grader.verdict import load_targets


def touch(folder: Path, *names: str) -> list[Path]:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"not a picture")
    return [folder / name for name in names]


def test_folders_give_photos_by_name_and_nothing_else(tmp_path: Path) -> None:
    touch(tmp_path, "b.JPG", "a.heic", "notes.txt", "a.graded.jpg", ".hidden.jpg", "sub/c.png")
    assert photos_in([tmp_path]) == [tmp_path / name for name in ("a.heic", "b.JPG", "sub/c.png")]


def test_a_file_is_taken_whatever_its_name_and_once(tmp_path: Path) -> None:
    (photo,) = touch(tmp_path, "b.jpg")
    (odd,) = touch(tmp_path, "picture.dat")
    assert photos_in([odd, photo, tmp_path, photo]) == [odd, photo]


def test_pictures_never_overwrite_each_other() -> None:
    photos = [Path("a/Tray.jpg"), Path("b/tray.jpg"), Path("b/tray.png"), Path("b/tray-2.jpg")]
    names = picture_names(photos)
    assert len({name.lower() for name in names.values()}) == len(photos)


def run(photos: list[Path], out: Path) -> tuple[list[object], list[tuple[int, int, str]]]:
    told: list[tuple[int, int, str]] = []
    results = grade_all(
        photos,
        Kit(load_targets()),
        {},
        out,
        draw=lambda *_: pytest.fail("nothing to draw"),
        tell=lambda index, n, path: told.append((index, n, path.name)),
    )
    return list(results), told


def test_every_photo_has_its_result_in_order(tmp_path: Path) -> None:
    photos = touch(tmp_path, "c.jpg", "a.jpg", "b.jpg")
    results, told = run(photos, tmp_path)
    assert [result.path for result in results] == photos  # type: ignore[attr-defined]
    assert all(isinstance(r, SkippedPhoto) and r.reason == "not a picture" for r in results)
    assert told == [(1, 3, "c.jpg"), (2, 3, "a.jpg"), (3, 3, "b.jpg")]


def test_a_slip_of_the_program_costs_one_photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = batch.grade_photo_and_picture

    def slips(path: Path, *rest: object) -> object:
        if path.name == "a.jpg":
            raise ZeroDivisionError("division by zero")
        return real(path, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(batch, "grade_photo_and_picture", slips)
    results, _ = run(touch(tmp_path, "a.jpg", "b.jpg"), tmp_path)
    assert [result.reason for result in results] == ["program error", "not a picture"]  # type: ignore[attr-defined]
    assert "ZeroDivisionError" in results[0].message  # type: ignore[attr-defined]
