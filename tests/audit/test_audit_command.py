"""``grader audit`` and ``grader sample`` as a person calls them: what is said of good and of bad input."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from grader import cli
from grader.errors import ExitCode
from tests.audit.crews import CREW, Habit, World, crew, simulate
from tests.audit.written import write_results_file

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["grader", *words])
        with pytest.raises(SystemExit) as exit_:
            cli.main()
        printed = capsys.readouterr()
        assert "Traceback" not in printed.out + printed.err
        return int(exit_.value.code or 0), printed.out, printed.err

    return call


@pytest.fixture
def graded(tmp_path: Path) -> Path:
    read = simulate(crew(Habit(stripped_mm=21.0)), World(n_trays=4), np.random.default_rng(2))
    write_results_file(tmp_path / "graded" / "results.json", read)
    return tmp_path / "graded"


def test_pages_json_and_words(run: Run, graded: Path, tmp_path: Path) -> None:
    code, out, err = run("audit", "graded", "--cutter", "D", "--cutter", "A")
    assert code == ExitCode.ALL_GRADED
    assert "D (32 cuttings, 4 trays)" in out
    assert "Strip about" in out and "were short of 25 mm" in out
    names = {path.name for path in (tmp_path / "audit").iterdir()}
    assert names == {"audit.html", "audit.json", "cutter-a.html", "cutter-d.html"}
    assert "audit.html" in err


def test_coded_names_are_told_in_the_terminal_only(run: Run, graded: Path, tmp_path: Path) -> None:
    code, out, err = run("audit", "graded", "--coded", "--cutter", "D")
    assert code == ExitCode.ALL_GRADED
    assert sorted(line.split(": ")[1] for line in err.splitlines() if line.startswith("  cutter")) == list(
        CREW
    )
    assert "D (" not in out
    told = json.loads((tmp_path / "audit" / "audit.json").read_text(encoding="utf-8"))
    assert {person["cutter"] for person in told["cutters"]} == {f"cutter {c}" for c in "ABCD"}


@pytest.mark.parametrize("name", ["木村", "Ⅎ$x^", "<i>&amp;", "../up", "\x1b[31mred", "=1+1", "x" * 300])
def test_any_name_can_be_audited(run: Run, tmp_path: Path, name: str) -> None:
    read = simulate({name: Habit(), "B": Habit()}, World(n_trays=2), np.random.default_rng(1))
    write_results_file(tmp_path / "results.json", read)
    code, out, _ = run("audit", "results.json")
    assert code == ExitCode.ALL_GRADED
    assert "\x1b" not in out
    assert len(list((tmp_path / "audit").glob("cutter-*.html"))) == 2
    assert not (tmp_path / "up.html").exists()


def test_a_table_says_more_than_the_results(run: Run, graded: Path, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(
        "photo;cutter;day\nA-0.jpg;Zoe;2026-04-01\nA-1.jpg;Zoe;\n", encoding="utf-8"
    )
    code, out, _ = run("audit", "graded", "--table", "t.csv", "--cutter", "Zoe", "--cutter", "A")
    assert code == ExitCode.ALL_GRADED
    assert "Zoe (16 cuttings, 2 trays)" in out
    assert "A (16 cuttings, 2 trays)" in out


@pytest.mark.parametrize(
    "table, said",
    [
        ("photo,cuter\nA-0.jpg,Zoe\n", 'Did you mean "cutter"?'),
        ("photo,cutter\nA-9.jpg,Zoe\n", "hold no photo"),
        ("photo,cutter\nA-0.jpg,Zoe\nA-0.jpg,Zoe\n", "named twice"),
        ("cutter\nZoe\n", "photo is missing"),
        ("photo,cutter\nA-0.jpg,Zoe,3\n", "3 values for 2 columns"),
        ("", "is empty"),
        ('photo,cutter\n"A-0.jpg,Zoe\n', "t.csv"),
    ],
)
def test_a_wrong_table_is_named(run: Run, graded: Path, tmp_path: Path, table: str, said: str) -> None:
    (tmp_path / "t.csv").write_text(table, encoding="utf-8")
    code, _, err = run("audit", "graded", "--table", "t.csv")
    assert code == ExitCode.USAGE
    assert said in err
    assert not (tmp_path / "audit").exists()


def test_a_table_that_is_no_text(run: Run, graded: Path, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_bytes(b"\xff\xfe\x00photo")
    assert run("audit", "graded", "--table", "t.csv")[0] == ExitCode.USAGE
    assert "cannot be read" in run("audit", "graded", "--repeats", "none.csv")[2]


def test_names_that_are_not_there(run: Run, graded: Path) -> None:
    code, _, err = run("audit", "graded", "--reference", "d")
    assert code == ExitCode.USAGE
    assert 'no cuttings of "d"' in err and "Cutters: A, B, C, D" in err


def test_damaged_files_stop_no_other(run: Run, graded: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.json").write_text('{"schema": "cutting-grader/results-1"', encoding="utf-8")
    code, out, err = run("audit", "graded", "bad.json", "gone", "--cutter", "A")
    assert code == ExitCode.SOME_SKIPPED
    assert "A (32 cuttings" in out
    assert err.count("left out:") == 2
    assert run("audit", "bad.json")[0] == ExitCode.NOTHING_GRADED


def test_no_cutting_at_all(run: Run, tmp_path: Path) -> None:
    read = simulate({"A": Habit()}, World(n_trays=1, per_tray=0), np.random.default_rng(1))
    write_results_file(tmp_path / "results.json", read)
    code, _, err = run("audit", "results.json")
    assert code == ExitCode.NOTHING_GRADED
    assert "no cutting" in err


@pytest.mark.parametrize("n_trays, per_tray", [(1, 1), (2, 1), (1, 2)])
def test_very_few_cuttings_are_too_few_to_tell(run: Run, tmp_path: Path, n_trays: int, per_tray: int) -> None:
    read = simulate({"A": Habit()}, World(n_trays=n_trays, per_tray=per_tray), np.random.default_rng(1))
    write_results_file(tmp_path / "results.json", read)
    code, out, _ = run("audit", "results.json")
    assert code == ExitCode.ALL_GRADED
    assert "Too few to tell" in out


def test_targets_that_changed_are_asked_for(run: Run, tmp_path: Path) -> None:
    read = simulate({"A": Habit()}, World(n_trays=2), np.random.default_rng(1))
    write_results_file(tmp_path / "results.json", read, targets_sha256="0" * 64)
    code, _, err = run("audit", "results.json")
    assert code == ExitCode.USAGE
    assert "--targets" in err
    assert run("audit", "results.json", "--targets", "thuja-small")[0] == ExitCode.ALL_GRADED


def test_sample_plan_and_decision(run: Run, graded: Path, tmp_path: Path) -> None:
    code, out, _ = run("sample", "1000", "--aql", "1.0", "--out", "plan")
    assert code == 0
    assert "Take 80 of 1000" in out and "with 2 bad or fewer" in out and "3 or more" in out
    assert "ISO 2859-1" in (tmp_path / "plan" / "sample.html").read_text(encoding="utf-8")
    code, out, _ = run("sample", "1000", "graded", "graded")
    assert code == 0
    # The same file twice is counted once; all invented cuttings are graded 1.
    assert "Seen: 128 cuttings, 0 bad, 0 unsure." in out and "Accept the crate." in out
    assert run("sample", "1000", "gone")[0] == ExitCode.NOTHING_GRADED


@pytest.mark.parametrize("words", [("sample", "1"), ("sample", "1000", "--aql", "3"), ("sample", "many")])
def test_sample_refuses_what_the_table_lacks(run: Run, words: tuple[str, ...]) -> None:
    code, _, err = run(*words)
    assert code == ExitCode.USAGE
    assert err
