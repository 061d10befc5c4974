"""Write files whole or not at all, also when the power fails the next moment."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO, Self

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

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    with GrowingFile(path) as file:
        for piece in pieces:
            file.add(piece)
        file.finish()


class GrowingFile:
    """A file that grows over some time and that nobody finds before it is finished; use it with ``with``."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._temporary: str | None = None
        self._file: BinaryIO | None = None

    def __enter__(self) -> Self:
        """Make the folder and begin the file.

        Raises
        ------
        OutputProblem
            If it cannot be written.
        """
        with self._told():
            self._path.parent.mkdir(parents=True, exist_ok=True)
            handle, self._temporary = tempfile.mkstemp(dir=self._path.parent, prefix=TEMPORARY_PREFIX)
            self._file = os.fdopen(handle, "wb")
        return self

    def add(self, piece: bytes) -> None:
        """Write some more of it.

        Raises
        ------
        OutputProblem
            If it cannot be written.
        """
        assert self._file is not None
        with self._told():
            self._file.write(piece)

    def finish(self) -> None:
        """Give it its name: the bytes are on the disk before that, and the name is before this returns.

        Raises
        ------
        OutputProblem
            If it cannot be written.
        """
        assert self._file is not None and self._temporary is not None
        with self._told():
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            # Temporary files are private; results are for everybody who may read the folder.
            os.chmod(self._temporary, 0o666 & ~umask())
            os.replace(self._temporary, self._path)
            self._temporary = None
            sync_folder(self._path.parent)

    def __exit__(self, *_: object) -> None:
        """Take away what was not finished."""
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.close()
        if self._temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(self._temporary)

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as problem:
            raise OutputProblem(
                f"{self._path} cannot be written ({problem.strerror or problem})",
                "give another folder with --out, or free some space",
            ) from problem


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
