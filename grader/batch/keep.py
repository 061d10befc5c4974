"""What is done, kept as it is done: one file a photo in a hidden folder of the results.

A file is named by what its result depends on: the bytes of the photo and of the targets, the board, and the
program itself.  So a second run finds what is done already, and nothing old is ever taken for new.  The
results are always made from these files; there is no other way to them.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import overload

import filelock

from grader.batch.codec import from_plain, to_plain
from grader.errors import OutputProblem
from grader.pipeline import Kit
from grader.records import GradedPhoto, PhotoResult, SkippedPhoto
from grader.verdict.targets import Targets
from grader.write.files import TEMPORARY_PREFIX, write_atomic
from grader.write.told import PhotoText

FOLDER = ".done"
SUFFIX = ".kept"
FORMAT = 1
"""Changes when the files do."""
PACKING = 1
"""Of zlib: a third smaller at once; more would cost time and gain nothing, measured values look random."""
_DIGEST_BYTES = 32
_KEY_DIGITS = 40
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Kept:
    """One finished photo."""

    result: PhotoResult
    picture_sha256: str
    """Of the picture that was drawn; empty without one."""
    scale_told: str
    """Print scales that were known then."""


@dataclass(frozen=True, slots=True)
class Line:
    """One photo of a run: where its result is."""

    path: Path
    batch: tuple[tuple[str, str], ...] = ()
    key: str = ""
    """Of the kept file; empty if there is none."""
    skipped: SkippedPhoto | None = None
    """The result itself, where nothing is kept: the file could not be read, or is there twice."""
    is_old: bool = False
    """Done by an earlier run."""
    text: PhotoText | None = None
    """The result in words, where it was worked on just now; the same can be made of what is kept."""


class Keep:
    """The hidden folder with the kept results."""

    def __init__(self, out: Path) -> None:
        self.folder = out / FOLDER

    def load(self, key: str) -> Kept | None:
        """Return what is kept under a key; None if there is nothing, or nothing whole."""
        try:
            data = self._path(key).read_bytes()
            packed = data[_DIGEST_BYTES:]
            if hashlib.sha256(packed).digest() != data[:_DIGEST_BYTES]:
                return None
            plain = json.loads(zlib.decompress(packed))
            kind = {"graded": GradedPhoto, "skipped": SkippedPhoto}[plain["status"]]
            result = from_plain(kind, plain["result"])
            return Kept(result, str(plain["picture_sha256"]), str(plain["scale_told"]))
        except (OSError, ValueError, KeyError, TypeError, zlib.error):
            return None

    def store(self, key: str, kept: Kept) -> None:
        """Keep a finished photo.

        Raises
        ------
        OutputProblem
            If it cannot be written.
        """
        plain = {
            "status": "graded" if isinstance(kept.result, GradedPhoto) else "skipped",
            "picture_sha256": kept.picture_sha256,
            "scale_told": kept.scale_told,
            "result": to_plain(kept.result),
        }
        packed = zlib.compress(json.dumps(plain, separators=(",", ":")).encode("ascii"), PACKING)
        write_atomic(self._path(key), hashlib.sha256(packed).digest() + packed)

    def _path(self, key: str) -> Path:
        return self.folder / (key + SUFFIX)


class KeptResults(Sequence[PhotoResult]):
    """The results of a run, each read when asked for: thousands of photos take no more memory than one."""

    def __init__(self, lines: Sequence[Line], keep: Keep) -> None:
        self._lines = lines
        self._keep = keep

    def __len__(self) -> int:
        return len(self._lines)

    @overload
    def __getitem__(self, index: int) -> PhotoResult: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[PhotoResult]: ...
    def __getitem__(self, index: int | slice) -> PhotoResult | Sequence[PhotoResult]:
        """Return one result, or a part of them.

        Raises
        ------
        OutputProblem
            If what was kept is gone.
        """
        if isinstance(index, slice):
            return KeptResults(self._lines[index], self._keep)
        return result_of(self._lines[index], self._keep)


def result_of(line: Line, keep: Keep) -> PhotoResult:
    """Return the result of one photo, under its present name and with what it carries now.

    Raises
    ------
    OutputProblem
        If what was kept is gone.
    """
    if line.skipped is not None:
        return line.skipped
    kept = keep.load(line.key)
    if kept is None:
        raise OutputProblem(
            f"The result kept for {line.path} in {keep.folder} is gone or damaged.",
            "Give the same command again: it measures that photo once more.",
        )
    if isinstance(kept.result, GradedPhoto):
        return replace(kept.result, path=line.path, batch=dict(line.batch))
    return kept.result


def judged_by(targets: Targets) -> str:
    """Return a hash of all that grades depend on in the targets: the file, and what the run made of it."""
    plain = {name: value for name, value in to_plain(targets).items() if name != "path"}
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode("ascii")).hexdigest()


def key_of(photo_sha256: str, targets: Targets, board_sha256: str) -> str:
    """Return the name under which a result is kept."""
    parts = (str(FORMAT), photo_sha256, judged_by(targets), board_sha256, program_hash())
    return hashlib.sha256("\n".join(parts).encode("ascii")).hexdigest()[:_KEY_DIGITS]


@functools.cache
def program_hash() -> str:
    """Return a hash of everything that a result depends on in the program: its version is not enough.

    Somebody who changes a line and grades again must not be shown yesterday's answer.
    """
    import calib
    import grader

    whole = hashlib.sha256()
    for package in (calib, grader):
        root = Path(str(package.__file__)).parent
        for path in sorted(root.rglob("*")):
            # Python's own folders hold files that come and go while another process starts.
            if "__pycache__" not in path.parts and path.is_file():
                whole.update(f"{path.relative_to(root.parent).as_posix()}\n".encode())
                whole.update(hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()


def file_hash(path: Path) -> str:
    """Return the hash of a file's bytes.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    whole = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            whole.update(chunk)
    return whole.hexdigest()


def scale_told(kit: Kit) -> str:
    """Return the print scales of a run in one text."""
    return json.dumps([kit.print_scale, kit.print_scale_sigma, sorted(kit.known_scales.items())])


def still_holds(kept: Kept, path: Path, kit: Kit) -> bool:
    """Return whether a kept result is what this run would find for this file.

    A graded photo needs the same print scale of its own mat.  The sentences of a skipped one name the file.
    """
    if isinstance(kept.result, SkippedPhoto):
        return kept.result.path == path and kept.scale_told == scale_told(kit)
    pose = kept.result.pose
    if pose.print_scale_source == "card":
        # What is said of a check bar beside the card depends on that bar.
        return kept.scale_told == scale_told(kit)
    scale = kit.print_scale if kit.print_scale is not None else kit.known_scales.get(pose.mat_id)
    if scale is None:
        return pose.print_scale_source != kit.print_scale_source
    return (pose.print_scale, pose.print_scale_source) == (scale, kit.print_scale_source)


@contextlib.contextmanager
def held(out: Path) -> Iterator[None]:
    """Keep the results folder for this run alone; the system lets go of it however the run ends.

    Raises
    ------
    OutputProblem
        If another run writes there, or nobody may.
    """
    lock = filelock.FileLock(out / FOLDER / "lock", blocking=False)
    try:
        (out / FOLDER).mkdir(parents=True, exist_ok=True)
        # Found out before an hour of grading, not after it.
        write_atomic(out / FOLDER / "tried", b"")
        (out / FOLDER / "tried").unlink()
        lock.acquire()
    except filelock.Timeout:
        raise OutputProblem(
            f"Another run of this program writes in {out} just now.",
            "Wait until it is done, end it (a grader bench by Ctrl-C in its window), or give another folder "
            "with --out.",
        ) from None
    except NotImplementedError:
        pass  # A file system without locks: two runs there are for the person to keep apart.
    except OSError as problem:
        raise OutputProblem(
            f"Nothing can be written in {out} ({problem.strerror}).", "Give another folder with --out."
        ) from problem
    try:
        yield
    finally:
        lock.release()


def sweep(out: Path) -> None:
    """Take away half-written files that a killed run left behind; only for the run that holds the folder."""
    for path in out.rglob(f"{TEMPORARY_PREFIX}*"):
        with contextlib.suppress(OSError):
            path.unlink()
