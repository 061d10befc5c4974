"""A morning with everything that can be wrong: each bad file has its sentence, the good ones are graded."""

from __future__ import annotations

import csv
import io
import json
import os
import struct
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from grader.batch.request import Request
from grader.errors import ExitCode
from grader.run import run
from tests.batch.trays import save_board, save_tray, tray


def request_for(folder: Path, **changes: Any) -> Request:
    plain: dict[str, Any] = {
        "inputs": (folder / "in",),
        "out": folder / "out",
        "targets": "landscape-juniper",
        "mat": folder / "board.json",
        "measured_mm": None,
        "batch": {},
        "as_json": False,
        "n_workers": 0,
    }
    return Request(**(plain | changes))


def results(folder: Path) -> list[dict[str, Any]]:
    parsed = json.loads((folder / "out" / "results.json").read_text(encoding="utf-8"))
    photos: list[dict[str, Any]] = parsed["photos"]
    return photos


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "in").mkdir()
    save_board(tmp_path / "board.json")
    return tmp_path


def jpeg(quality: int = 95, **options: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(tray()).save(out, "JPEG", quality=quality, **options)
    return out.getvalue()


def bomb() -> bytes:
    """A PNG that says it has 60,000 x 60,000 pixels (PNG 1.2, section 11.2.2), in a few hundred bytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0" * 99)) + chunk(b"IEND", b"")


def picture(colour: Any, size: tuple[int, int], kind: str, mode: str = "RGB") -> bytes:
    out = io.BytesIO()
    Image.new(mode, size, colour).save(out, kind)
    return out.getvalue()


BAD: list[tuple[str, Callable[[], bytes], str, str]] = [
    ("empty.jpg", lambda: b"", "empty", "empty.jpg is empty"),
    ("text.jpg", lambda: b"dear diary", "not a picture", "is not a picture that can be read"),
    ("page.jpg", lambda: b"<html>=1+2</html>", "not a picture", "is not a picture that can be read"),
    ("film.jpg", lambda: b"\0\0\0\x18ftypmp42" + b"\0" * 500, "not a picture", "is not a picture"),
    ("cut.jpg", lambda: jpeg()[:9000], "damaged", "damaged or cut short"),
    ("dot.png", lambda: picture("white", (1, 1), "PNG"), "too small", "has only 1 x 1 pixels"),
    ("bomb.png", bomb, "too large", "3600 megapixels; up to 200 are read"),
    ("strip.png", lambda: picture("white", (100_000, 1), "PNG"), "too small", "100000 x 1 pixels"),
    (
        "floats.tif",
        lambda: picture(0.5, (300, 300), "TIFF", "F"),
        "not a picture",
        "measurements, not a photo",
    ),
    ("black.jpg", lambda: picture("black", (400, 300), "JPEG"), "too dark", "is nearly black"),
    ("white.jpg", lambda: picture("white", (400, 300), "JPEG"), "overexposed", "white everywhere"),
    ("grey.jpg", lambda: picture((120, 120, 120), (400, 300), "JPEG"), "blurred", "no mat was found"),
]


@pytest.mark.parametrize(("name", "make", "reason", "says"), BAD, ids=[case[0] for case in BAD])
def test_each_bad_file_has_its_sentence(
    folder: Path,
    name: str,
    make: Callable[[], bytes],
    reason: str,
    says: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (folder / "in" / name).write_bytes(make())
    assert run(request_for(folder), folder) is ExitCode.NOTHING_GRADED
    (photo,) = results(folder)
    assert (photo["status"], photo["reason"]) == ("skipped", reason)
    assert says in photo["message"] and photo["advice"]
    out = capsys.readouterr().out
    assert name in out and "What to do: " in out


def test_bad_files_cost_the_good_one_nothing(folder: Path) -> None:
    for name, make, _, _ in BAD:
        (folder / "in" / name).write_bytes(make())
    save_tray(folder / "in" / "good.jpg")
    assert run(request_for(folder), folder) is ExitCode.SOME_SKIPPED
    photos = results(folder)
    assert [Path(photo["file"]).name for photo in photos] == sorted([*(case[0] for case in BAD), "good.jpg"])
    (good,) = (photo for photo in photos if photo["status"] == "graded")
    assert len(good["cuttings"]) == 1


def deep(rgb: np.ndarray) -> Image.Image:
    return Image.fromarray(rgb[..., 1].astype(np.uint16) * 257)  # 65535 / 255 = 257


def odd_exif() -> bytes:
    exif = Image.Exif()
    exif[0x010F] = "=1+2\x1b[31m"
    detail = exif.get_ifd(0x8769)
    detail[0xA405], detail[0x9003] = 65535, "9999:99:99 99:99:99"
    return exif.tobytes()


READ: list[tuple[str, Callable[[Path], None], str]] = [
    ("grey.jpg", lambda p: Image.fromarray(tray()).convert("L").save(p, quality=95), "without colour"),
    ("cmyk.jpg", lambda p: Image.fromarray(tray()).convert("CMYK").save(p, quality=95), "CMYK"),
    ("deep.tif", lambda p: deep(tray()).save(p), "without colour"),
    ("alpha.png", lambda p: Image.fromarray(tray()).convert("RGBA").save(p), ""),
    (
        "moving.webp",
        lambda p: Image.fromarray(tray()).save(
            p, save_all=True, append_images=[Image.fromarray(tray(1))], lossless=True
        ),
        "several pictures",
    ),
    ("dates.jpg", lambda p: Image.fromarray(tray()).save(p, quality=95, exif=odd_exif()), ""),
    ("exif.jpg", lambda p: p.write_bytes(jpeg(exif=b"Exif\0\0II*\0\xff\xff\xff\xff")) and None, ""),
    ("tail.jpg", lambda p: p.write_bytes(jpeg() + b"\0" * 5000) and None, ""),
    ("photo.heic", lambda p: save_heic(p), ""),
]


def save_heic(path: Path) -> None:
    import pillow_heif

    pillow_heif.register_heif_opener()
    Image.fromarray(tray()).save(path, quality=95)


@pytest.fixture(scope="module")
def plain_length_mm(tmp_path_factory: pytest.TempPathFactory) -> float:
    """Length of the cutting in the plain photo."""
    folder = tmp_path_factory.mktemp("plain")
    save_board(folder / "board.json")
    save_tray(folder / "in" / "tray.jpg")
    assert run(request_for(folder), folder) is ExitCode.ALL_GRADED
    (photo,) = results(folder)
    return float(photo["cuttings"][0]["traits"]["total_length_mm"]["value"])


@pytest.mark.parametrize(("name", "save", "says"), READ, ids=[case[0] for case in READ])
def test_odd_photos_are_graded_and_what_is_odd_is_said(
    folder: Path,
    name: str,
    save: Callable[[Path], None],
    says: str,
    plain_length_mm: float,
    capsys: pytest.CaptureFixture[str],
) -> None:
    save(folder / "in" / name)
    assert run(request_for(folder), folder) is ExitCode.ALL_GRADED
    assert "\x1b" not in capsys.readouterr().out
    (photo,) = results(folder)
    assert any(says in warning for warning in photo["warnings"])
    assert photo["taken_at"] is None
    if "without colour" in says:  # plants are told from their shadows by colour
        return
    assert len(photo["cuttings"]) == 1
    # Another 8 bit rounding or lossy file moves an edge by far less than its uncertainty.
    length = photo["cuttings"][0]["traits"]["total_length_mm"]
    assert length["value"] == pytest.approx(plain_length_mm, abs=length["sigma"])


NAMES = [
    "a b.jpg", "it's \"so\".jpg", "two\nlines.jpg", "tab\t.jpg", "🌲🌱.jpg", "-rf.jpg", "--out.jpg", "=1.jpg",
    "@sum.jpg", "\x1b[31mred.jpg", "\x9b31m.jpg", "%s%n.jpg", "[bold]x[.jpg", "\u202egpj.exe.jpg", "~.jpg",
    "a;=1+2.jpg", "n" * 251 + ".jpg", "ö" * 125 + ".jpg", os.fsdecode(b"\xff\xfe.jpg"), "CON.jpg",
    " .jpg",
]  # fmt: skip


def test_names_of_every_kind(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for k, name in enumerate(NAMES):
        # Bytes after the end make each file another one; a tray that is graded takes longer than these do.
        (folder / "in" / name).write_bytes(picture((120, 120, k), (400, 300), "PNG") + bytes([k]))
    tray_name = "=tray\x1b[31m\n" + "n" * 230 + ".jpg"
    save_tray(folder / "in" / tray_name)
    assert (
        run(request_for(folder, batch={"cutter": "=1+2", "donor": "\x9b"}), folder) is ExitCode.SOME_SKIPPED
    )
    shown = capsys.readouterr()
    assert all(ch.isprintable() or ch == "\n" for ch in shown.out + shown.err)
    assert {Path(photo["file"]).name for photo in results(folder)} == {*NAMES, tray_name}
    text = (folder / "out" / "cuttings.csv").read_text(encoding="utf-8-sig")
    assert all(ch.isprintable() or ch == "\n" for ch in text)
    (row,) = csv.DictReader(io.StringIO(text))
    assert (row["cutter"], row["donor"]) == ("'=1+2", "\\x9b")
    assert not [cell for cell in row.values() if cell.startswith(("=", "+", "-", "@"))]
    (drawn,) = (folder / "out").glob("*.graded.jpg")
    assert drawn.name.startswith("=tray_[31m_nn") and len(drawn.name.encode()) <= 255


def test_the_same_name_in_two_folders_and_the_same_photo_twice(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    save_tray(folder / "in" / "cutter=Ann" / "tray.jpg", seed=0)
    save_tray(folder / "in" / "cutter=Bea" / "tray.jpg", seed=1)
    save_tray(folder / "in" / "cutter=Cem" / "copy.jpg", seed=0)
    assert run(request_for(folder), folder) is ExitCode.ALL_GRADED  # a copy is no failure
    first, second, copy = results(folder)
    assert [photo["batch"]["cutter"] for photo in (first, second)] == ["Ann", "Bea"]
    assert (copy["status"], copy["reason"]) == ("skipped", "same photo")
    assert first["file"] in copy["message"] and "cutter is Cem here, Ann there" in copy["advice"]
    assert "same photo" in capsys.readouterr().out
    drawn = sorted(path.relative_to(folder / "out").as_posix() for path in (folder / "out").rglob("*.jpg"))
    assert drawn == ["cutter=Ann/tray.graded.jpg", "cutter=Bea/tray.graded.jpg"]


def test_results_inside_the_photos_folder_are_never_graded(folder: Path) -> None:
    save_tray(folder / "in" / "tray.jpg")
    for out in (folder / "in", folder / "in" / "graded"):
        request = request_for(folder, out=out, debug_dir=folder / "in" / "seen")
        for again in (request, replace(request, debug_dir=None)):
            assert run(again, folder) is ExitCode.ALL_GRADED
            photos = json.loads((out / "results.json").read_text(encoding="utf-8"))["photos"]
            assert [Path(photo["file"]).name for photo in photos] == ["tray.jpg"]


def test_links_in_a_ring_and_to_nowhere(folder: Path) -> None:
    save_tray(folder / "in" / "tray.jpg")
    (folder / "in" / "ring").symlink_to(folder / "in")
    (folder / "in" / "nowhere.jpg").symlink_to(folder / "gone.jpg")
    assert run(request_for(folder), folder) is ExitCode.SOME_SKIPPED
    assert [photo.get("reason") for photo in results(folder)] == ["not found", None]


def test_a_pipe_is_not_waited_for(folder: Path) -> None:
    os.mkfifo(folder / "pipe.jpg")
    assert run(request_for(folder, inputs=(folder / "pipe.jpg",)), folder) is ExitCode.NOTHING_GRADED
    (photo,) = results(folder)
    assert photo["reason"] == "cannot be read" and "it is no plain file" in photo["message"]


def test_a_file_that_may_not_be_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The superuser, as whom tests often run, may read everything: so the refusal is made here.
    path = save_tray(folder / "in" / "locked.jpg")
    real = os.open

    def refuses(name: Any, *rest: Any, **more: Any) -> int:
        if str(name) == str(path):
            raise PermissionError(13, "Permission denied")
        return real(name, *rest, **more)

    monkeypatch.setattr("os.open", refuses)
    assert run(request_for(folder), folder) is ExitCode.NOTHING_GRADED
    (photo,) = results(folder)
    assert photo["reason"] == "cannot be read" and "Permission denied" in photo["message"]
