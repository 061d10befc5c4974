"""Write files whole or not at all, also when the power fails the next moment."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from grader.errors import OutputProblem

TEMPORARY_PREFIX = ".grader-part-"
"""Begins the name of a file that is not whole yet; short, so that a name of any length has room."""


def write_atomic(path: Path, data: bytes) -> None:
    """Write a file so that nobody ever finds half of it; folders are made.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    write_pieces(path, (data,))


def write_pieces(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file piece by piece, whole or not at all; folders are made.

    The bytes are on the disk before the name points to them, and the name is before this returns.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=TEMPORARY_PREFIX)
        with os.fdopen(handle, "wb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        # Temporary files are private; results are for everybody who may read the folder.
        os.chmod(temporary, 0o666 & ~umask())
        os.replace(temporary, path)
        temporary = None
        sync_folder(path.parent)
    except OSError as problem:
        raise OutputProblem(
            f"{path} cannot be written ({problem.strerror or problem})",
            "give another folder with --out, or free some space",
        ) from problem
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system knows how: else a rename may be lost."""
    if not hasattr(os, "O_DIRECTORY"):
        return  # Windows keeps names in its journal and opens no folders.
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        # Some network and memory-card file systems refuse this; the file itself is safe by then.
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def umask() -> int:
    """Return what this process leaves out of the permissions of new files."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
