"""Pictures that Debian's packages carry, fetched by the name of the package.

The package is downloaded once with apt-get (no root needed) and unpacked with dpkg-deb into the user's
cache folder.  Where that is impossible - no apt, no network - the test is skipped and says why.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

DOWNLOAD_LIMIT_S = 300
"""opencv-doc has 96 MB."""


def cache_folder() -> Path:
    """Return where fetched packages are kept between test runs."""
    base = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    return base / "cutting-grader-tests"


def package_folder(package: str) -> Path:
    """Return the folder with the unpacked files of a Debian package; skip the test where impossible."""
    folder = cache_folder() / package
    done = folder / ".complete"
    if done.is_file():
        return folder
    for program in ("apt-get", "dpkg-deb"):
        if shutil.which(program) is None:
            pytest.skip(f"needs Debian's package {package}: no {program} on this machine")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    run_or_skip(["apt-get", "download", package], folder, f"cannot download Debian's package {package}")
    archives = sorted(folder.glob("*.deb"))
    if not archives:
        pytest.skip(f"apt-get fetched no archive of Debian's package {package}")
    run_or_skip(
        ["dpkg-deb", "-x", str(archives[0]), str(folder)], folder, f"cannot unpack {archives[0].name}"
    )
    archives[0].unlink()
    done.touch()
    return folder


def run_or_skip(command: list[str], folder: Path, problem: str) -> str:
    """Run a command in a folder and return what it prints; skip the test, saying why, if it fails."""
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, timeout=DOWNLOAD_LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired:
        pytest.skip(f"{problem}: no answer within {DOWNLOAD_LIMIT_S} s")
    if done.returncode != 0:
        last = (done.stderr.strip() or done.stdout.strip()).splitlines()
        pytest.skip(f"{problem}: {last[-1] if last else 'no message'}")
    return done.stdout


def opencv_sample(name: str) -> Path:
    """Return one of the sample pictures of Debian's package opencv-doc (Apache-2.0)."""
    folder = package_folder("opencv-doc")
    found = sorted(folder.glob(f"usr/share/doc/opencv-doc/**/{name}*"))
    if not found:
        pytest.skip(f"Debian's package opencv-doc has no {name} in this version")
    return found[0]
