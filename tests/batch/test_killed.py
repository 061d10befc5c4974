"""Whatever ends a run, a later one goes on from there and writes the same bytes as an undisturbed one."""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest

from tests.batch.program import N_PHOTOS, finished, grade, kept, morning, start, wait_for, written


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with photos, and the results of a run that nothing disturbed."""
    folder = tmp_path_factory.mktemp("undisturbed")
    morning(folder)
    code, _, err = grade(folder, "--workers", "1")
    assert code == 0, err
    return folder


@pytest.fixture
def folder(undisturbed: Path, tmp_path: Path) -> Path:
    """The same photos, nothing done yet."""
    shutil.copytree(undisturbed / "in", tmp_path / "in")
    shutil.copy(undisturbed / "board.json", tmp_path)
    return tmp_path


def kill(process: subprocess.Popen[str]) -> None:
    """End the main process as kill -9 or a flat battery do; its workers are left to end by themselves."""
    process.send_signal(signal.SIGKILL)
    process.communicate()


def test_killed_at_every_step_it_goes_on(folder: Path, undisturbed: Path) -> None:
    process = start(folder)
    wait_for((folder / "out" / ".done").exists)
    kill(process)
    done: dict[str, int] = {}
    for n in range(1, N_PHOTOS + 1):
        process = start(folder)
        wait_for(lambda n=n: len(kept(folder)) >= n)  # type: ignore[misc]
        kill(process)
        assert done.items() <= kept(folder).items()  # what was done is not done again
        done = kept(folder)
    code, out, _ = grade(folder)
    assert code == 0
    assert f"{N_PHOTOS} photos graded" in out
    assert done == kept(folder)
    assert written(folder) == written(undisturbed)


def test_workers_end_when_the_main_process_is_killed(folder: Path) -> None:
    process = start(folder, "--workers", "2")
    wait_for(lambda: len(kept(folder)) >= 1)
    kill(process)
    wait_for(lambda: not _group_lives(process.pid))


def _group_lives(group: int) -> bool:
    """Return whether a process of the group runs; those that wait to be collected do not count."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, its_group = stat.read_text().rpartition(")")[2].split()[:3]
        except OSError:
            continue
        if int(its_group) == group and state not in ("Z", "X"):
            return True
    return False


@pytest.mark.slow
def test_killed_at_twenty_random_moments(folder: Path, undisturbed: Path) -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        process = start(folder, "--workers", "2")
        time.sleep(float(rng.uniform(0.0, 4.0)))
        kill(process)
        for path in (folder / "out").glob("[!.]*"):  # whatever is there is whole
            assert path.read_bytes() == (undisturbed / "out" / path.name).read_bytes()
        if len(kept(folder)) == N_PHOTOS:
            wait_for(lambda process=process: not _group_lives(process.pid))  # type: ignore[misc]
            shutil.rmtree(folder / "out")
    assert grade(folder)[0] == 0
    assert written(folder) == written(undisturbed)


@pytest.mark.parametrize("which", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.slow)])
def test_ctrl_c_keeps_what_is_done(folder: Path, undisturbed: Path, which: signal.Signals) -> None:
    process = start(folder)
    wait_for(lambda: len(kept(folder)) >= 1)
    os.killpg(process.pid, which)  # as a terminal does: every process of the group
    code, out, err = finished(process)
    assert code in (0, 1, 3)
    if code:  # on a quick computer all were done
        assert "stopped: " in err and f"of {N_PHOTOS} photos are done and kept" in err
    n_told = len(json.loads((folder / "out" / "results.json").read_text(encoding="utf-8"))["photos"])
    assert n_told - out.count("(mat small)") in (0, 1)  # one may be kept and not yet shown
    assert grade(folder)[0] == 0
    assert written(folder) == written(undisturbed)


def test_any_number_of_workers_gives_the_same(folder: Path, undisturbed: Path) -> None:
    code, out, _ = grade(folder, "--workers", "3")
    assert code == 0
    assert written(folder) == written(undisturbed)
    assert [line for line in out.splitlines() if "(mat small)" in line] == [
        f"in/tray {k}.jpg  (mat small)" for k in range(N_PHOTOS)
    ]


def test_a_second_run_measures_nothing_and_fresh_measures_all(folder: Path, undisturbed: Path) -> None:
    shutil.copytree(undisturbed / "out", folder / "out")
    before = kept(folder)
    code, out, err = grade(folder)
    assert code == 0 and out.count("(mat small)") == N_PHOTOS
    assert f"{N_PHOTOS} photos were done before" in err and "photo 1 of" not in err
    assert kept(folder) == before
    code, _, err = grade(folder, "--fresh")
    assert code == 0 and "photo 1 of" in err
    assert all(kept(folder)[name] > at for name, at in before.items())
    assert written(folder) == written(undisturbed)


def test_a_full_disk_is_said_and_costs_nothing_that_is_done(folder: Path, undisturbed: Path) -> None:
    disk = folder / "out"
    disk.mkdir()
    size = 1_200_000  # room for one photo's results, not for three
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("only the superuser can mount a small disk: see the test with a limit on file sizes")
    try:
        code, _, err = grade(folder)
        assert code == 2
        assert "No space left on device" in err and "free some space" in err
        assert "the same command goes on from there" in err
        n_done = len(kept(folder))
        assert 1 <= n_done < N_PHOTOS
        assert not list(disk.rglob(".grader-part-*"))  # halves would keep the disk full
        done = kept(folder)
        subprocess.run(["mount", "-o", "remount,size=50m", str(disk)], check=True)
        code, _, err = grade(folder)
        assert code == 0
        assert done.items() <= kept(folder).items()
        assert written(folder) == written(undisturbed)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_files_that_cannot_grow_are_said(folder: Path, undisturbed: Path) -> None:
    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, resource.RLIM_INFINITY))

    code, _, err = grade(folder, preexec_fn=small_files)
    assert code == 2
    assert "cannot be written (File too large)" in err
    assert "0 of 3 photos are done and kept" in err
    assert grade(folder)[0] == 0
    assert written(folder) == written(undisturbed)


@pytest.mark.slow
def test_a_results_folder_that_is_lost_is_said(folder: Path, undisturbed: Path) -> None:
    process = start(folder)
    wait_for(lambda: len(kept(folder)) >= 1)
    os.rename(folder / "out", folder / "lost")
    code, _, err = finished(process)
    assert code == 2, err
    assert "gone or damaged" in err or "cannot be written" in err
    assert "same command" in err
    assert grade(folder)[0] == 0
    assert written(folder) == written(undisturbed)


def test_a_results_folder_of_a_disk_that_is_read_only_is_said(folder: Path) -> None:
    (folder / "out").mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(folder / "out")], capture_output=True, check=False
    )
    if mounted.returncode:
        (folder / "out").chmod(0o500)
    try:
        code, _, err = grade(folder)
    finally:
        if not mounted.returncode:
            subprocess.run(["umount", str(folder / "out")], check=True)
        (folder / "out").chmod(0o700)
    assert code == 2
    assert "Nothing can be written in out" in err or "cannot be written" in err
    assert "--out" in err
