"""What is kept comes back as it was, or not at all."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.batch.codec import from_plain, to_plain
from grader.batch.keep import Keep, Kept, KeptResults, Line, held, key_of, scale_told, still_holds, sweep
from grader.errors import OutputProblem
from grader.pipeline import Kit
from grader.records import GradedPhoto, SkippedPhoto
from grader.verdict import load_targets
from grader.write import csv_text, results_of, to_json
from grader.write.files import TEMPORARY_PREFIX
from tests.synthetic_records import graded_photo

SKIPPED = SkippedPhoto(Path("b\udcff.jpg"), "no mat", "no mat was found", "photograph the whole mat")
KEPT = Kept(graded_photo(batch={"cutter": "Ann"}), "f" * 64, "[]")


def test_a_graded_photo_comes_back_without_loss(tmp_path: Path) -> None:
    Keep(tmp_path).store("k", KEPT)
    back = Keep(tmp_path).load("k")
    assert back is not None and isinstance(back.result, GradedPhoto)
    assert (back.picture_sha256, back.scale_told) == (KEPT.picture_sha256, KEPT.scale_told)
    assert to_plain(back.result) == to_plain(KEPT.result)
    assert to_json(results_of([back.result], {})) == to_json(results_of([KEPT.result], {}))
    assert csv_text([back.result]) == csv_text([KEPT.result])
    assert back.result.cuttings[0].shape.axis_mm.dtype == np.float64
    assert not back.result.cuttings[0].shape.axis_mm.flags.writeable


def test_a_skipped_photo_comes_back(tmp_path: Path) -> None:
    Keep(tmp_path).store("k", Kept(SKIPPED, "", "[]"))
    assert Keep(tmp_path).load("k") == Kept(SKIPPED, "", "[]")


@dataclass(frozen=True)
class Numbers:
    values: tuple[float, ...]
    nothing: float | None
    name: str
    pair: tuple[int, bool]


@settings(deadline=None)
@given(st.lists(st.floats()), st.none() | st.floats(allow_nan=False), st.text(), st.integers(), st.booleans())
def test_every_number_comes_back_exactly(
    values: list[float], nothing: float | None, name: str, count: int, flag: bool
) -> None:
    numbers = Numbers(tuple(values), nothing, name, (count, flag))
    back = from_plain(Numbers, to_plain(numbers))
    assert np.array_equal(back.values, numbers.values, equal_nan=True)
    assert (back.nothing, back.name, back.pair) == (nothing, name, (count, flag))


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=10,
)


@settings(deadline=None)
@given(anything)
def test_what_is_no_record_is_a_value_error(plain: object) -> None:
    for kind in (GradedPhoto, SkippedPhoto, Numbers, np.ndarray, Path):
        try:
            from_plain(kind, plain)
        except ValueError:
            continue
        assert kind is Path and isinstance(plain, str)


@settings(deadline=None)
@given(data=st.data())
def test_a_damaged_file_is_nothing(data: st.DataObject, tmp_path_factory: pytest.TempPathFactory) -> None:
    keep = Keep(tmp_path_factory.mktemp("keep"))
    keep.store("k", Kept(SKIPPED, "", "[]"))
    (path,) = keep.folder.glob("k*")
    content = bytearray(path.read_bytes())
    at = data.draw(st.integers(0, len(content) - 1))
    how = data.draw(st.sampled_from(["cut", "change", "longer"]))
    if how == "cut":
        del content[at:]
    elif how == "change":
        content[at] ^= data.draw(st.integers(1, 255))
    else:
        content += b"x"
    path.write_bytes(content)
    assert keep.load("k") is None


def test_any_bytes_are_nothing(tmp_path: Path) -> None:
    keep = Keep(tmp_path)
    keep.folder.mkdir()
    for content in (b"", b"\x00" * 32, b"x" * 100):
        (keep.folder / "k.kept").write_bytes(content)
        assert keep.load("k") is None
    assert keep.load("none") is None


def test_results_are_read_when_asked_for_and_carry_what_the_photo_carries_now(tmp_path: Path) -> None:
    keep = Keep(tmp_path)
    keep.store("k", KEPT)
    lines = [Line(Path("now.jpg"), (("cutter", "Bea"),), "k"), Line(SKIPPED.path, skipped=SKIPPED)]
    results = KeptResults(lines, keep)
    assert len(results) == 2 and results[1] == SKIPPED and results[1:][0] == SKIPPED
    first = results[0]
    assert isinstance(first, GradedPhoto)
    assert (first.path, first.batch) == (Path("now.jpg"), {"cutter": "Bea"})
    (keep.folder / "k.kept").unlink()
    with pytest.raises(OutputProblem, match="gone") as caught:
        list(results)
    assert "same command again" in caught.value.advice


def test_the_key_depends_on_photo_targets_and_board(tmp_path: Path) -> None:
    targets = load_targets()
    other = [
        key_of("x", targets, "c"),
        key_of("a", targets, "x"),
        key_of("a", load_targets("rosemary"), "c"),
        key_of("a", replace(targets, doubtful="keep"), "c"),
        key_of("a", replace(targets, guard_factor=1.0), "c"),
    ]
    assert len({key_of("a", targets, "c"), *other}) == 1 + len(other)
    assert key_of("a", replace(targets, path=tmp_path / "copied.toml"), "c") == key_of("a", targets, "c")


def test_the_key_depends_on_the_program(monkeypatch: pytest.MonkeyPatch) -> None:
    before = key_of("a", load_targets(), "b")
    monkeypatch.setattr("grader.batch.keep.program_hash", lambda: "another")
    assert key_of("a", load_targets(), "b") != before


def test_a_graded_photo_holds_for_the_print_scale_of_its_own_mat() -> None:
    kit, mat = Kit(load_targets()), KEPT.result.pose.mat_id  # type: ignore[union-attr]
    assert still_holds(KEPT, Path("other name.jpg"), kit)
    assert still_holds(KEPT, Path("x"), replace(kit, known_scales={"A3-1": 1.01}))
    assert not still_holds(KEPT, Path("x"), replace(kit, known_scales={mat: 1.0}))
    assert not still_holds(KEPT, Path("x"), replace(kit, print_scale=1.0))
    pose = replace(KEPT.result.pose, print_scale=0.99, print_scale_source="check bar typed")  # type: ignore[union-attr]
    typed = replace(KEPT, result=replace(KEPT.result, pose=pose))  # type: ignore[type-var]
    for same in (replace(kit, print_scale=0.99), replace(kit, known_scales={mat: 0.99})):
        assert still_holds(typed, Path("x"), same)
    assert not still_holds(typed, Path("x"), replace(kit, print_scale=0.98))
    assert not still_holds(typed, Path("x"), kit)
    by_card = replace(typed.result.pose, print_scale_source="card")  # type: ignore[union-attr]
    carded = replace(typed, result=replace(typed.result, pose=by_card), scale_told=scale_told(kit))  # type: ignore[type-var]
    assert still_holds(carded, Path("x"), kit)
    assert not still_holds(carded, Path("x"), replace(kit, print_scale=0.99))


def test_one_run_at_a_time(tmp_path: Path) -> None:
    with held(tmp_path), pytest.raises(OutputProblem, match="Another run") as caught, held(tmp_path):
        pass
    assert "--out" in caught.value.advice
    with held(tmp_path):
        pass


def test_halves_of_a_killed_run_are_swept_away(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    for path in (tmp_path / "sub" / f"{TEMPORARY_PREFIX}x", tmp_path / "whole.jpg"):
        path.write_bytes(b"half")
    sweep(tmp_path)
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["whole.jpg"]
