"""The folder of photos: each upload becomes a file with a name made here, whole or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import filelock

from grader.batch.origin import BatchDataProblem
from grader.bench.batch_table import add_line, put_table, table_text
from grader.bench.log import Log
from grader.bench.refused import DISK, TABLE, Refused, refused
from grader.bench.told import said_of

# Here and not where it is used: OpenCV changes sys.path for a moment while it is imported, and a process
# that another thread starts in that moment would inherit the change and find wrong modules.
from grader.capture import format_of
from grader.errors import OutputProblem, PhotoProblem
from grader.write.files import TEMPORARY_PREFIX, sync_folder, umask

LOCK_NAME = ".grader-bench.lock"
OWN_PREFIX = "tray-"
SUFFIX_OF = {
    "JPEG": ".jpg",
    "MPO": ".jpg",
    "PNG": ".png",
    "TIFF": ".tif",
    "WEBP": ".webp",
    "HEIF": ".heic",
    "AVIF": ".avif",
}
"""Formats that a folder is searched for later, and their suffix."""
STATUS_OF = {"empty": 422, "not a picture": 415, "too large": 413, "too small": 422}
"""Reason why a file is no photo -> status of HTTP."""


@dataclass(slots=True)
class Arriving:
    """An upload while it comes: a hidden file in the folder, gone unless it is published."""

    path: Path
    file: BinaryIO
    n_bytes: int = 0
    _hash: hashlib._Hash = field(default_factory=hashlib.sha256)

    def write(self, data: bytes) -> None:
        """Take the next bytes."""
        self.file.write(data)
        self._hash.update(data)
        self.n_bytes += len(data)

    @property
    def sha256(self) -> str:
        """Return the hash of all bytes taken."""
        return self._hash.hexdigest()


class PhotoFolder:
    """Takes uploads in; one is published at a time."""

    def __init__(self, path: Path, log: Log) -> None:
        self.path = path
        self._log = log
        self._number = 0

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Keep the folder for this server alone, and take away what a killed one left half received.

        Raises
        ------
        OutputProblem
            If another server has it, or nothing can be written there.
        """
        lock = filelock.FileLock(self.path / LOCK_NAME, blocking=False)
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            lock.acquire()
        except filelock.Timeout:
            raise OutputProblem(
                f"Another grader bench takes photos into {self.path} just now.",
                "End it, or give another folder.",
            ) from None
        except NotImplementedError:
            pass  # A file system without locks: two servers there are for the person to keep apart.
        except OSError as problem:
            raise OutputProblem(
                f"Nothing can be written in {self.path} ({problem.strerror}).", "Give another folder."
            ) from problem
        for left in self.path.glob(f"{TEMPORARY_PREFIX}*"):
            with contextlib.suppress(OSError):
                left.unlink()
        try:
            yield
        finally:
            lock.release()

    @contextlib.contextmanager
    def arriving(self) -> Iterator[Arriving]:
        """Open a hidden file for an upload; whatever happens, it is gone in the end."""
        try:
            handle, name = tempfile.mkstemp(dir=self.path, prefix=TEMPORARY_PREFIX)
        except OSError as problem:
            raise self._disk(problem) from problem
        path = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                yield Arriving(path, file)
        except OSError as problem:
            raise self._disk(problem) from problem
        finally:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)

    def publish(self, upload: Arriving, values: Mapping[str, str], at: datetime) -> Path:
        """Give an upload its name and write its batch data; return the photo.

        The table is written first: a photo that is there without its line would lose its cutter.

        Raises
        ------
        Refused
            If it is no photo, or cannot be kept.
        """
        try:
            upload.file.flush()
        except OSError as problem:
            raise self._disk(problem) from problem
        suffix = _suffix_of(upload.path)
        photo = self._free_name(at, suffix)
        try:
            before = table_text(self.path)
            os.fsync(upload.file.fileno())
            os.chmod(upload.path, 0o666 & ~umask())
            add_line(self.path, photo.name, values)
            try:
                upload.path.rename(photo)
            except OSError:
                put_table(self.path, before)
                raise
            sync_folder(self.path)
        except BatchDataProblem as problem:
            self._log.say(f"{problem.message} {problem.advice}")
            raise refused(503, TABLE) from problem
        except (OutputProblem, OSError) as problem:
            raise self._disk(problem) from problem
        return photo

    def _free_name(self, at: datetime, suffix: str) -> Path:
        """Return a name whose stem no file here has: its picture takes the stem."""
        taken = {name.partition(".")[0] for name in os.listdir(self.path)}
        while True:
            self._number += 1
            stem = f"{OWN_PREFIX}{at:%Y%m%d-%H%M%S}-{self._number:03d}"
            if stem not in taken:
                return self.path / (stem + suffix)

    def _disk(self, problem: Exception) -> Refused:
        self._log.say(f"the photo could not be kept: {problem}")
        return refused(503, DISK)


def is_own_name(path: Path) -> bool:
    """Return whether a photo came in by a server."""
    return path.name.startswith(OWN_PREFIX)


def _suffix_of(path: Path) -> str:
    """Return the suffix by what the file holds, not by what the client calls it.

    Raises
    ------
    Refused
        If it is no photo.
    """
    try:
        kind = format_of(path)
        if kind not in SUFFIX_OF:
            raise PhotoProblem(
                "not a picture",
                f"this photo is a {kind} file",
                "send a JPEG, PNG, TIFF, WebP or HEIC file, as the phone makes it",
            )
    except PhotoProblem as problem:
        status = STATUS_OF.get(problem.reason, 400)
        raise Refused(
            status, said_of(problem.message, path), said_of(problem.advice, path), problem.reason
        ) from problem
    return SUFFIX_OF[kind]
