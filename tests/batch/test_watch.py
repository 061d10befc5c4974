"""Photos as they arrive: none before it is whole, each once, again when it changes; Ctrl-C ends cleanly."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import time
from pathlib import Path

import pytest

from grader.batch.watch import EMPTY_S, SETTLE_S, Arrivals
from tests.batch.program import finished, grade, start, wait_for
from tests.batch.trays import save_board, save_tray


def test_a_file_counts_once_it_has_stopped_growing(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    arrivals = Arrivals()
    now_s = 0.0
    for n in range(1, 4):  # grows, with pauses shorter than it takes to be believed whole
        path.write_bytes(b"x" * n)
        assert arrivals.whole([path], now_s) == []
        now_s += SETTLE_S - 0.1
        assert arrivals.whole([path], now_s) == []
    now_s += SETTLE_S
    assert arrivals.whole([path], now_s) == [path]
    assert arrivals.whole([path], now_s + 100.0) == []
    path.write_bytes(b"another photo under the old name")
    assert arrivals.whole([path], now_s + 101.0) == []
    assert arrivals.whole([path], now_s + 101.0 + SETTLE_S) == [path]


def test_a_wrong_clock_of_the_disk_fools_nobody(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"half")
    os.utime(path, (1.0, 1.0))
    assert Arrivals().whole([path], 5.0) == []


def test_an_empty_file_is_waited_for_longer(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.touch()
    arrivals = Arrivals()
    assert arrivals.whole([path], 0.0) == arrivals.whole([path], EMPTY_S - 1.0) == []
    assert arrivals.whole([path], EMPTY_S) == [path]


def test_a_file_that_is_gone_again_is_forgotten(tmp_path: Path) -> None:
    arrivals = Arrivals()
    assert arrivals.whole([tmp_path / "gone.jpg"], 0.0) == []


@pytest.mark.slow
def test_photos_are_graded_as_they_arrive_until_ctrl_c(tmp_path: Path) -> None:
    save_board(tmp_path / "board.json")
    whole = save_tray(tmp_path / "elsewhere" / "a.jpg", seed=0).read_bytes()
    (tmp_path / "in" / "cutter=Ann").mkdir(parents=True)
    process = start(tmp_path, "--watch")
    results = tmp_path / "out" / "results.json"
    photo = tmp_path / "in" / "cutter=Ann" / "a.jpg"
    with photo.open("wb") as file:  # slowly, as a phone sends it
        for at in range(0, len(whole), 1 + len(whole) // 6):
            file.write(whole[at : at + 1 + len(whole) // 6])
            file.flush()
            time.sleep(0.7)
            assert not results.exists()
    wait_for(results.exists)
    save_tray(tmp_path / "in" / "b.jpg", seed=1)
    shutil.copy(photo, tmp_path / "in" / "c.jpg")
    (tmp_path / "in" / "photos.csv").write_text("photo,cuter\nb.jpg,Bea\n")  # not yet finished by its writer
    time.sleep(SETTLE_S + 2.0)
    (tmp_path / "in" / "photos.csv").write_text("photo,cutter\nb.jpg,Bea\n")
    wait_for(lambda: len(json.loads(results.read_text())["photos"]) == 3)
    os.killpg(process.pid, signal.SIGINT)
    code, out, err = finished(process)
    assert code == 0, err
    assert "Did you mean cutter" in err and "watching has ended" in err
    assert out.count("(mat small)") == 2 and "same photo" in out
    with (tmp_path / "out" / "cuttings.csv").open(encoding="utf-8-sig", newline="") as file:
        assert [row["cutter"] for row in csv.DictReader(file)] == ["Bea", "Ann"]
    # Afterwards a plain run finds everything done; the first by name is now the one that counts.
    code, _, err = grade(tmp_path)
    assert code == 0 and "photo 1 of" not in err


def test_a_file_cannot_be_watched(tmp_path: Path) -> None:
    save_board(tmp_path / "board.json")
    (tmp_path / "in").write_bytes(b"a file")
    code, _, err = grade(tmp_path, "--watch")
    assert code == 2 and "needs folders" in err
