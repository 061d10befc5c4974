"""Whatever bytes stand in a photo, a target file or a board: an answer or a sentence, never a crash."""

from __future__ import annotations

import functools
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.design import load_layout
from grader.capture import read_photo
from grader.errors import PhotoProblem, TargetsProblem
from grader.verdict import load_targets
from tests.batch.trays import save_board, save_tray

SETTINGS = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
STARTS = [
    b"", b"\xff\xd8\xff\xe0\x00\x10JFIF\x00", b"\xff\xd8\xff\xe1\x00\x10Exif\x00\x00II*\x00",
    b"\x89PNG\r\n\x1a\n",
    b"II*\x00\x08\x00\x00\x00", b"MM\x00*", b"RIFF\x40\x00\x00\x00WEBPVP8X", b"GIF89a", b"BM",
    b"\x00\x00\x00\x18ftypheic", b"\x00\x00\x00\x18ftypavif", b"%!PS-Adobe", b"P6 9999 9999 255\n",
]  # fmt: skip
"""First bytes of the formats that are read, and of some that are not."""


@functools.cache
def one_jpeg(folder: Path) -> bytes:
    return save_tray(folder / "tray.jpg", quality=60).read_bytes()


@SETTINGS
@given(start=st.sampled_from(STARTS), rest=st.binary(max_size=400))
def test_random_bytes_are_no_photo(
    tmp_path_factory: pytest.TempPathFactory, start: bytes, rest: bytes
) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "p.jpg"
    path.write_bytes(start + rest)
    with pytest.raises(PhotoProblem) as caught:
        read_photo(path)
    assert caught.value.message and caught.value.advice and caught.value.reason


@SETTINGS
@given(data=st.data())
def test_a_changed_jpeg_is_a_photo_or_a_sentence(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp()
    content = bytearray(one_jpeg(folder))
    for _ in range(data.draw(st.integers(1, 6))):
        at = min(data.draw(st.integers(0, 60_000) | st.integers(0, 700)), len(content) - 1)
        how = data.draw(st.sampled_from(["change", "cut", "double", "drop"]))
        if how == "change":
            content[at] = data.draw(st.integers(0, 255))
        elif how == "cut":
            content = content[: max(at, 1)]
        elif how == "double":
            content[at:at] = content[at : at + 50]
        else:
            content[at : at + 20] = b""
        if not content:
            return
    path = folder / "changed.jpg"
    path.write_bytes(content)
    try:
        photo = read_photo(path)
    except PhotoProblem as problem:
        assert problem.message and problem.advice
    else:
        assert photo.rgb.ndim == 3 and photo.rgb.shape[2] == 3


TARGET_TEXT = Path(load_targets().path).read_text(encoding="utf-8")


@SETTINGS
@given(data=st.data())
def test_a_changed_target_file_is_read_or_names_itself(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    lines = TARGET_TEXT.splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        k = data.draw(st.integers(0, len(lines) - 1))
        lines[k] = data.draw(
            st.sampled_from(["", "[[", "x = 1", lines[k] * 2, lines[k] + "9", lines[k][:-1]])
            | st.text(max_size=20)
        )
    assert_targets(tmp_path_factory, "\n".join(lines).encode("utf-8", "surrogatepass"))


@SETTINGS
@given(data=st.binary(max_size=300))
def test_random_bytes_are_no_targets(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    assert_targets(tmp_path_factory, data)


def assert_targets(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.mktemp("t") / "mine.toml"
    path.write_bytes(data)
    try:
        targets = load_targets(str(path))
    except TargetsProblem as problem:
        assert "mine.toml" in problem.message
    else:
        assert targets.limits is not None and targets.sha256


@SETTINGS
@given(data=st.data())
def test_a_changed_board_is_read_or_a_value_error(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = save_board(tmp_path_factory.mktemp("board") / "board.json")
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content)
    try:
        layout = load_layout(path)
    except ValueError as problem:
        assert "board.json" in str(problem)
    else:
        assert layout.markers
