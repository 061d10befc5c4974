"""Which files are photos, and what their pictures are called: none lost, none twice, no endless folders."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.batch.photos import MOST_NAME_BYTES, PICTURE_SUFFIX, photos_in, picture_names


def touch(folder: Path, *names: str) -> list[Path]:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"not a picture")
    return [folder / name for name in names]


def test_folders_give_photos_by_name_and_nothing_else(tmp_path: Path) -> None:
    touch(
        tmp_path,
        "b.JPG",
        "a.heic",
        "notes.txt",
        "a.graded.jpg",
        "a.groups.jpg",
        "a.1-capture.jpg",
        ".hidden.jpg",
        "sub/c.png",
        ".bin/d.jpg",
    )
    assert photos_in([tmp_path]) == [tmp_path / name for name in ("a.heic", "b.JPG", "sub/c.png")]


def test_a_file_is_taken_whatever_its_name_and_once(tmp_path: Path) -> None:
    (photo,) = touch(tmp_path, "b.jpg")
    (odd,) = touch(tmp_path, "picture.dat")
    assert photos_in([odd, photo, tmp_path, photo]) == [odd, photo]


def test_links_in_a_ring_come_to_an_end_and_each_folder_counts_once(tmp_path: Path) -> None:
    touch(tmp_path, "a/x.jpg", "elsewhere/y.jpg")
    (tmp_path / "a" / "again").symlink_to(tmp_path / "a")
    (tmp_path / "a" / "up").symlink_to(tmp_path)
    (tmp_path / "a" / "gone").symlink_to(tmp_path / "nowhere")
    (tmp_path / "a" / "gone.jpg").symlink_to(tmp_path / "nowhere.jpg")
    (tmp_path / "a" / "self.jpg").symlink_to(tmp_path / "a" / "self.jpg")
    found = photos_in([tmp_path / "a"])
    names = [path.relative_to(tmp_path).as_posix() for path in found]
    # The link up reaches the other folder; links that look like photos are told of, not passed over.
    assert names == ["a/gone.jpg", "a/self.jpg", "a/up/elsewhere/y.jpg", "a/x.jpg"]


def test_the_results_folder_inside_the_photos_is_not_searched(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "graded/seen.jpg", "graded/sub/b.jpg")
    assert photos_in([tmp_path], [tmp_path / "graded"]) == [tmp_path / "a.jpg"]
    assert photos_in([tmp_path / "graded"], [tmp_path / "graded"])  # asked for by name


def test_what_is_no_file_is_no_photo(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "folder.jpg").mkdir()
    assert photos_in([tmp_path]) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may list everything")
def test_a_folder_that_cannot_be_listed_is_told(tmp_path: Path) -> None:
    touch(tmp_path, "locked/a.jpg", "b.jpg")
    (tmp_path / "locked").chmod(0)
    told: list[Path] = []
    try:
        photos = photos_in([tmp_path], complain=lambda folder, _: told.append(folder))
    finally:
        (tmp_path / "locked").chmod(0o700)
    assert (photos, told) == ([tmp_path / "b.jpg"], [tmp_path / "locked"])


def test_a_folder_that_fails_while_it_is_listed_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    touch(tmp_path, "bad/a.jpg", "b.jpg")
    real = os.scandir

    def fails(folder: Path) -> object:
        if folder == tmp_path / "bad":
            raise PermissionError(13, "Permission denied")
        return real(folder)

    monkeypatch.setattr("os.scandir", fails)
    told: list[tuple[Path, str | None]] = []
    photos = photos_in([tmp_path], complain=lambda folder, problem: told.append((folder, problem.strerror)))
    assert (photos, told) == ([tmp_path / "b.jpg"], [(tmp_path / "bad", "Permission denied")])


def test_pictures_keep_the_folders_of_their_photos() -> None:
    photos = [Path("in/a/tray.jpg"), Path("in/b/tray.jpg"), Path("other/tray.jpg"), Path("in/tray.jpg")]
    assert list(picture_names(photos, [Path("in"), Path("other/tray.jpg")]).values()) == [
        "a/tray.graded.jpg",
        "b/tray.graded.jpg",
        "tray.graded.jpg",
        "tray-2.graded.jpg",
    ]


def test_pictures_never_overwrite_each_other() -> None:
    photos = [Path("a/Tray.jpg"), Path("b/tray.jpg"), Path("b/tray.png"), Path("b/tray-2.jpg")]
    names = picture_names(photos)
    assert len({name.lower() for name in names.values()}) == len(photos)


ODD = [
    "-rf",
    "...",
    'it\'s "it"',
    "line\nbreak",
    "🌲" * 60,
    "n" * 250,
    "ö" * 125,
    "a\x1b[31m",
    "\udcff",
    "=1",
]


@pytest.mark.parametrize("stem", ODD)
def test_a_picture_s_name_fits_every_disk(stem: str, tmp_path: Path) -> None:
    (name,) = picture_names([Path(f"{stem}.jpg")]).values()
    assert_fits(name)
    (tmp_path / name).write_bytes(b"")
    assert len(picture_names([Path(f"a/{stem}.jpg"), Path(f"b/{stem}.jpg")])) == 2


@settings(deadline=None)
@given(st.lists(st.text(min_size=1, max_size=90), min_size=1, max_size=6))
def test_names_are_different_whatever_they_are_made_of(stems: list[str]) -> None:
    photos = list(dict.fromkeys(Path(str(k % 2), stem.replace("/", "")) for k, stem in enumerate(stems)))
    names = list(picture_names(photos).values())
    assert len({name.casefold() for name in names}) == len(photos)
    for name in names:
        assert_fits(name)


def assert_fits(name: str) -> None:
    assert name.endswith(PICTURE_SUFFIX)
    assert len(name.encode("utf-8")) <= MOST_NAME_BYTES
    assert not name.startswith(("-", ".", "/"))
    assert not set(name) & set('<>:"\\|?*\n\r\t\x1b\x00')
