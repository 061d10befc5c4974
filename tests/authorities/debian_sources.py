"""Files that only Debian's source packages carry, fetched by the name of the package.

apt's own index of sources is kept in the user's cache folder, so that the machine's settings stay as they
are.  Where that is impossible - no apt, no network - the test is skipped and says why.
"""

from __future__ import annotations

import re
import shutil
import tarfile
from pathlib import Path

import pytest

from tests.authorities.debian_pictures import cache_folder, run_or_skip

SUITE = "bookworm"
"""The release whose files the expected values were taken from."""
KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
DOWNLOADER = Path("/usr/lib/apt/apt-helper")


def source_files(package: str, archive: str, wanted: str) -> Path:
    """Return the folder with the files of a source archive that match ``wanted``; skip where impossible.

    Parameters
    ----------
    package : name of the source package
    archive : str
        Part of the name of one of its archives, such as "orig-contrib".
    wanted : str
        Regular expression for the whole path inside the archive; files are stored by their bare names.
    """
    folder = cache_folder() / f"{package}-{archive}"
    done = folder / ".complete"
    if done.is_file():
        return folder
    if shutil.which("apt-get") is None or not DOWNLOADER.exists() or not KEYRING.exists():
        pytest.skip(f"needs Debian's source package {package}: no apt of Debian on this machine")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    address, name, digest = _archive_of(package, archive, folder)
    packed = folder / name
    problem = f"cannot download {name} of Debian's source package {package}"
    run_or_skip([str(DOWNLOADER), "download-file", address, str(packed), digest], folder, problem)
    with tarfile.open(packed) as contents:
        for member in contents:
            file = contents.extractfile(member) if re.fullmatch(wanted, member.name) else None
            if file is not None:
                (folder / Path(member.name).name).write_bytes(file.read())
    packed.unlink()
    done.touch()
    return folder


def _archive_of(package: str, archive: str, folder: Path) -> tuple[str, str, str]:
    """Return address, name and checksum of one archive, from apt's index of sources."""
    apt = folder / "apt"
    for name in ("lists/partial", "archives/partial"):
        (apt / name).mkdir(parents=True)
    sources = apt / "debian.sources"
    sources.write_text(
        f"Types: deb-src\nURIs: http://deb.debian.org/debian\nSuites: {SUITE}\nComponents: main\n"
        f"Signed-By: {KEYRING}\n"
    )
    options = {
        "Dir::Etc::sourcelist": sources,
        "Dir::Etc::sourceparts": "/dev/null",
        "Dir::State::lists": apt / "lists",
        "Dir::Cache": apt,
        "Debug::NoLocking": 1,
    }
    command = ["apt-get", *(part for key, value in options.items() for part in ("-o", f"{key}={value}"))]
    run_or_skip([*command, "update"], folder, "cannot fetch Debian's index of sources")
    problem = f"Debian's index has no source package {package}"
    listed = run_or_skip([*command, "source", "--download-only", "--print-uris", package], folder, problem)
    shutil.rmtree(apt)
    for address, name, digest in re.findall(r"^'(\S+)' (\S+) \d+ (\S+)$", listed, flags=re.MULTILINE):
        if archive in name:
            return address, name, digest
    pytest.skip(f"Debian's source package {package} has no archive {archive}")
