"""What the server leaves is what ``grader grade`` leaves, however it ended."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from grader.bench.folder import LOCK_NAME
from tests.batch.program import grade, written
from tests.batch.test_bad_photos import jpeg, picture
from tests.batch.trays import save_board, save_tray
from tests.bench.phone import Phone, Server, other_bytes, serving, start, wait_for

WORDS = ("bench", "in", "--out", "graded", "--mat", "board.json", "--port", "0", "--workers", "1")
COMMAND = ["-m", "grader", *WORDS]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    save_board(tmp_path / "board.json")
    return tmp_path


def compare_with_grading(folder: Path, *words: str) -> None:
    """Grade the same photos anew and in the same results folder: all three folders are alike."""
    left = written(folder, "graded")
    code, _, err = grade(folder, *words, out="anew")
    assert code in (0, 1), err
    anew = written(folder, "anew")
    assert {name: anew[name] for name in anew if name != "report.html"} == {
        name: left[name] for name in left if name != "report.html"
    }
    assert "report.html" in left
    code, _, err = grade(folder, *words, out="graded")
    assert "done before and not measured again" in err and "photo 1 of" not in err
    assert written(folder, "graded") == left


def test_the_command_leaves_what_grading_leaves_and_goes_on_after_a_kill(folder: Path) -> None:
    (folder / "in").mkdir()
    save_tray(folder / "in" / "by cable.jpg", seed=1)
    server = start(folder, COMMAND)
    phone = Phone(server)
    assert phone.finished(phone.sent(jpeg(), cutter="Ann", donor="bed 7"))["state"] == "done"
    wait_for(lambda: len(phone.get("/api/trays")["trays"]) == 2)
    half = phone.half_sent(jpeg())
    wait_for(server.halves)
    under_way = phone.sent(other_bytes(jpeg()), cutter="Bea", targets="rosemary")
    unusable = phone.sent(picture("black", (400, 300), "JPEG"))
    wait_for(lambda: phone.get(f"/api/trays/{under_way}")["state"] != "waiting")
    server.process.send_signal(signal.SIGKILL)
    server.stop()
    half.close()
    assert server.halves()
    assert unusable

    server = start(folder, COMMAND)
    try:
        phone = Phone(server)
        assert not server.halves()
        wait_for(lambda: len(t := phone.get("/api/trays")["trays"]) == 4 and all_done(t))
        trays = phone.get("/api/trays")["trays"]
        assert sorted(tray["state"] for tray in trays) == ["done", "done", "done", "unusable"]
        (found,) = (tray for tray in trays if tray["cutter"] == "Bea")
        assert found["targets"] == "rosemary"
        assert phone.ask("GET", f"/api/trays/{found['id']}/picture").status == 200
    finally:
        assert server.stop() == 0, server.log()
    assert "Traceback" not in server.log()
    left = {path.suffix for path in (folder / "in").iterdir() if path.name != LOCK_NAME}
    assert left == {".jpg", ".csv"}
    compare_with_grading(folder)
    results = json.loads((folder / "graded" / "results.json").read_text(encoding="utf-8"))["photos"]
    assert {photo.get("batch", {}).get("cutter") for photo in results} == {None, "Ann", "Bea"}


def all_done(trays: list[dict[str, str]]) -> bool:
    return all(tray["state"] not in ("waiting", "measuring") for tray in trays)


@pytest.mark.slow
def test_killed_at_many_moments_no_photo_is_lost(folder: Path) -> None:
    n_sent = 0
    for k in range(6):
        server = start(folder, COMMAND)
        phone = Phone(server)
        for _ in range(2):
            phone.sent(other_bytes(jpeg()), cutter=f"cutter {k}")
            n_sent += 1
        wait_for(lambda n=k % 3, told=server.lines: sum(" graded, " in line for line in told) >= n)  # type: ignore[misc]
        os.kill(server.process.pid, signal.SIGKILL)
        server.stop()
    server = start(folder, COMMAND)
    phone = Phone(server)
    wait_for(lambda: len(t := phone.get("/api/trays")["trays"]) == n_sent and all_done(t))
    assert {tray["state"] for tray in phone.get("/api/trays")["trays"]} == {"done"}
    assert server.stop(signal.SIGTERM) == 0
    compare_with_grading(folder)


def test_two_servers_never_share_a_folder(folder: Path) -> None:
    with serving(folder) as server:
        save_tray(folder / "in" / "a.jpg")
        code, _, err = grade(folder, out="graded")
        assert code == 2 and "Another run of this program writes in graded" in err
        with pytest.raises(AssertionError, match=r"takes photos into trays|writes in graded"):
            start(folder, ["-m", "tests.bench.serve", "{}"])
        assert Phone(server).get("/api/setup")["chosen"]["cutter"] == "Ann"


@pytest.mark.slow
def test_a_photo_in_hand_comes_to_its_end_when_the_person_ends_the_program(folder: Path) -> None:
    with serving(folder) as server:
        phone = Phone(server)
        tray_id = phone.sent(jpeg())
        wait_for(lambda: phone.get(f"/api/trays/{tray_id}")["state"] == "measuring")
        assert server.stop() == 0
    (photo,) = results_of(server)
    assert photo["status"] == "graded", (photo, server.log())
    wait_for(lambda: not workers_of(server))


@pytest.mark.slow
def test_a_photo_that_takes_too_long_does_not_hold_up_the_end(folder: Path) -> None:
    with serving(folder, stop_s=0.0) as server:
        phone = Phone(server)
        tray_id = phone.sent(jpeg())
        wait_for(lambda: phone.get(f"/api/trays/{tray_id}")["state"] == "measuring")
        assert server.stop() == 0
    wait_for(lambda: not workers_of(server))
    assert not server.halves() and list(server.trays.glob("tray-*.jpg"))
    with serving(folder) as server:
        wait_for(lambda: any("graded, 1 cutting" in line for line in server.lines))


def results_of(server: Server) -> list[dict[str, str]]:
    told = json.loads((server.out / "results.json").read_text(encoding="utf-8"))
    photos: list[dict[str, str]] = told["photos"]
    return photos


def workers_of(server: Server) -> list[int]:
    """Processes of the server's group that run."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, group = stat.read_text().rpartition(")")[2].split()[:3]
        except OSError:
            continue
        if int(group) == server.process.pid and state not in ("Z", "X"):
            found.append(int(stat.parent.name))
    return found


@pytest.mark.slow
def test_a_worker_that_dies_costs_its_photo_only(folder: Path) -> None:
    with serving(folder) as server:
        phone = Phone(server)
        first = phone.sent(jpeg())
        wait_for(lambda: phone.get(f"/api/trays/{first}")["state"] == "measuring")
        for process in set(workers_of(server)) - {server.process.pid}:
            if b"spawn_main" in Path(f"/proc/{process}/cmdline").read_bytes():
                os.kill(process, signal.SIGKILL)
        tray = phone.finished(first)
        assert tray["state"] == "failed", server.log()
        assert tray["advice"] and "signal" not in tray["message"]
        wait_for(lambda: any("signal 9" in line for line in server.lines))
        assert phone.finished(phone.sent(other_bytes(jpeg())))["state"] == "done"
        assert phone.sent(jpeg()) == first  # sent again, it is tried again
        assert phone.finished(first)["state"] == "done"


@pytest.mark.slow
def test_a_full_disk_is_said_and_nothing_is_left(folder: Path) -> None:
    (folder / "trays").mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(folder / "trays")],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip("only the superuser can mount a small disk")
    try:
        with serving(folder) as server:
            phone = Phone(server)
            answer = phone.send(jpeg() + bytes(600_000))
            assert answer.status == 503 and "disk" in answer.json["advice"] and not server.halves()
            wait_for(lambda: any("No space left" in line for line in server.lines))
            assert phone.finished(phone.sent(jpeg()))["state"] == "done", server.log()
            assert server.stop() == 0
    finally:
        subprocess.run(["umount", str(folder / "trays")], check=True)
    shutil.rmtree(folder / "graded")
