"""``grader stick`` as a person calls it: files written, words said, exit codes."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from grader import cli
from grader.batch import photos_in
from grader.errors import ExitCode
from tests.stick.invented_results import Invented, invented_photo, results_at

Run = Callable[..., tuple[int, str, str]]
GOOD = [Invented(70.0 + k) for k in range(5)] + [Invented(98.0 + k / 2) for k in range(5)]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["grader", "stick", *words])
        with pytest.raises(SystemExit) as exit_:
            cli.main()
        printed = capsys.readouterr()
        assert "Traceback" not in printed.out + printed.err
        return int(exit_.value.code or 0), printed.out, printed.err

    return call


@pytest.fixture
def graded(tmp_path: Path) -> Path:
    results_at(
        tmp_path / "graded" / "results.json",
        invented_photo("x/tray.jpg", GOOD),
        invented_photo("y/tray.jpg", [Invented(grade="cull")]),
    )
    return tmp_path / "graded"


def test_all_is_written_and_said(run: Run, graded: Path, tmp_path: Path) -> None:
    code, out, err = run("graded", "--date", "2026-03-02", "--cells", "4")
    assert code == ExitCode.ALL_GRADED
    told = json.loads((tmp_path / "sticking" / "sticking.json").read_text(encoding="utf-8"))
    assert (told["n_cuttings"], told["n_containers"], told["stuck_on"]) == (10, 4, "2026-03-02")
    assert (tmp_path / "sticking" / "sticking.pdf").read_bytes().startswith(b"%PDF")
    # Beside tray.graded.jpg and tray-2.graded.jpg, as the grader names them.
    assert sorted(p.name for p in graded.glob("*.jpg")) == ["tray-2.groups.jpg", "tray.groups.jpg"]
    assert "10 cuttings to stick in 2 size groups, 4 containers" in out
    assert "1 culled, not stuck: tray.jpg: 1" in out and "residual" not in err
    assert "sticking.pdf" in err and "Take care" in out


def test_our_pictures_are_not_taken_for_photos(run: Run, graded: Path) -> None:
    run("graded")
    assert photos_in([graded]) == []


def test_a_damaged_file_stops_no_other(run: Run, graded: Path, tmp_path: Path) -> None:
    (tmp_path / "broken.json").write_text("{")
    code, out, err = run("broken.json", "graded")
    assert code == ExitCode.SOME_SKIPPED
    assert "broken.json" in err and "10 cuttings" in out
    code, _, err = run("broken.json", "nowhere")
    assert code == ExitCode.NOTHING_GRADED
    assert "broken.json" in err and "nowhere" in err and "What to do" in err


@pytest.mark.parametrize(
    "cuttings", [[], [Invented(grade="cull")] * 3, [Invented(grade="unsure")], [Invented(float("nan"))]]
)
def test_nothing_to_stick_is_said(run: Run, tmp_path: Path, cuttings: list[Invented]) -> None:
    results_at(tmp_path / "results.json", invented_photo("tray.jpg", cuttings))
    code, out, err = run("results.json")
    assert code == ExitCode.NOTHING_GRADED
    assert "no cutting to stick" in err and "0 cuttings to stick" in out
    assert json.loads((tmp_path / "sticking" / "sticking.json").read_text())["groups"] == []


def test_one_cutting_is_one_group_and_one_container(run: Run, tmp_path: Path) -> None:
    results_at(tmp_path / "results.json", invented_photo("tray.jpg", [Invented(88.0)]))
    code, out, _ = run("results.json")
    assert code == ExitCode.ALL_GRADED
    assert "1 cutting to stick in 1 size group, 1 container;" in out and "all sizes: 88 mm" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "RESULTS"),
        (("graded", "--spacing", "-40"), "spacing of -40 mm makes no sense"),
        (("graded", "--spacing", "400"), "No cutting fits"),
        (("graded", "--spacing", "nan"), "makes no sense"),
        (("graded", "--container", "540"), "540x280"),
        (("graded", "--container", "-540x280"), "makes no sense"),
        (("graded", "--cells", "0"), "makes no sense"),
        (("graded", "--cells", "72", "--spacing", "40"), "either"),
        (("graded", "--cell-ml", "50"), "--cells"),
        (("graded", "--mix", "gravel"), "gravel"),
        (("graded", "--values", "none.toml"), "none.toml"),
        (("graded", "--date", "tomorrow"), "tomorrow"),
        (("graded", "--wood", "bamboo"), "bamboo"),
    ],
)
def test_wrong_use_is_two_and_writes_nothing(
    run: Run, graded: Path, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    code, _, err = run(*words)
    assert code == ExitCode.USAGE
    assert said in " ".join(err.replace("│", " ").split())
    assert not (tmp_path / "sticking").exists()


def test_a_folder_that_is_a_file_is_named(run: Run, graded: Path, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x")
    code, _, err = run("graded", "--out", "taken")
    assert code == ExitCode.USAGE and "taken" in err


def test_the_values_printed_can_be_given_back(run: Run, graded: Path, tmp_path: Path) -> None:
    code, out, _ = run("--show-values")
    assert code == ExitCode.ALL_GRADED
    (tmp_path / "mine.toml").write_text(out.replace("most        = 4", "most        = 1"), encoding="utf-8")
    code, out, _ = run("graded", "--values", "mine.toml")
    assert code == ExitCode.ALL_GRADED and "in 1 size group," in out


def test_odd_names_reach_neither_terminal_nor_pages(run: Run, tmp_path: Path) -> None:
    batch = {"species": "juniper\n\x1b[31m盆" + "long " * 300, "donor": "\t<b>", "cutter": "\u202e"}
    results_at(tmp_path / "results.json", invented_photo("a\x1b[31m\nb.jpg", [Invented()] * 6, batch))
    code, out, err = run("results.json")
    assert code == ExitCode.ALL_GRADED
    assert "\x1b" not in out + err
