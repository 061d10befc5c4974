"""One photo of many: grade it, draw it, keep it. Runs in a worker process, or here."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from grader.batch.keep import FOLDER, Keep, Kept, Line, file_hash, key_of, result_of, scale_told
from grader.errors import OutputProblem
from grader.pipeline import Kit, grade_photo_and_picture
from grader.records import GradedPhoto, Photo, SkippedPhoto
from grader.write.told import Look, PhotoText, photo_text

NOT_KEPT = ("not found", "cannot be read", "empty", "program error", "out of memory")
"""Reasons that may be gone the next time, or that cost nothing to find again."""
_SEND = "keep the photo and send it to the makers with this message; the other photos are not affected"


@dataclass(frozen=True, slots=True)
class Task:
    """One photo to grade, with all that it takes."""

    path: Path
    batch: tuple[tuple[str, str], ...]
    kit: Kit
    board_sha256: str
    out: Path
    picture: str
    """Name of its picture below ``out``."""
    known: GradedPhoto | None = None
    """Measured already: only its picture is missing."""
    look: Look | None = None
    """With it the result comes back in words too."""


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a task: the name of the kept file, or the result itself, or why the run must stop."""

    key: str = ""
    skipped: SkippedPhoto | None = None
    output_problem: tuple[str, str] | None = None
    """Message and advice: the results cannot be written."""
    text: PhotoText | None = None


def work(task: Task) -> Done:
    """Grade, draw and keep one photo; never raises for what a photo or a disk can do."""
    try:
        return _work(task)
    except OutputProblem as problem:
        return Done(output_problem=(problem.message, problem.advice))
    except MemoryError:
        return Done(skipped=out_of_memory(task.path))
    except Exception as problem:
        # A slip of this program on one photo must not cost the other photos of a morning.
        return Done(skipped=slip(task.path, problem))


def _work(task: Task) -> Done:
    if task.known is None:
        result, photo = grade_photo_and_picture(task.path, task.kit, dict(task.batch))
    else:
        from grader.capture import read_photo

        result, photo = task.known, read_photo(task.path)
    if isinstance(result, SkippedPhoto) and (photo is None or result.reason in NOT_KEPT):
        sha256 = "" if result.reason in NOT_KEPT else _hash_of(task.path)
        if not sha256:
            return Done(skipped=result)
    else:
        assert photo is not None
        sha256 = photo.sha256
    picture_sha256 = ""
    if isinstance(result, GradedPhoto) and photo is not None:
        result, picture_sha256 = _drawn(result, photo, task)
    key = key_of(sha256, task.kit.targets, task.board_sha256)
    Keep(task.out).store(key, Kept(result, picture_sha256, scale_told(task.kit)))
    return Done(key=key, text=_text(task, key))


def _text(task: Task, key: str) -> PhotoText | None:
    """Return in words what was kept; None where that fails: whoever asked will try it again, and tell."""
    if task.look is None:
        return None
    try:
        return photo_text(result_of(Line(task.path, task.batch, key), Keep(task.out)), task.look)
    except Exception:
        return None


def _hash_of(path: Path) -> str:
    try:
        return file_hash(path)
    except OSError:
        return ""


def _drawn(result: GradedPhoto, photo: Photo, task: Task) -> tuple[GradedPhoto, str]:
    """Draw the picture and what the report shows of it; a slip costs the picture, not what was measured."""
    from grader.write.annotate import write_picture
    from grader.write.small import keep_images, small_images

    try:
        drawn = write_picture(task.out / task.picture, result, photo)
        keep_images(task.out / FOLDER, drawn.sha256, small_images(drawn.tray, drawn.note.boxes_px))
        return result, drawn.sha256
    except (OutputProblem, MemoryError):
        raise
    except Exception as problem:
        said = f"the picture could not be drawn ({type(problem).__name__}: {problem})"
        return replace(result, warnings=(*result.warnings, said)), ""


def slip(path: Path, problem: BaseException) -> SkippedPhoto:
    """Return the result of a photo on which the program itself failed."""
    said = f"the program failed on this photo ({type(problem).__name__}: {problem})"
    return SkippedPhoto(path, "program error", said, _SEND)


def out_of_memory(path: Path) -> SkippedPhoto:
    """Return the result of a photo for which the memory was too small."""
    return SkippedPhoto(
        path,
        "out of memory",
        f"there is not enough memory for {path.name}",
        "close other programs, use fewer --workers, or set the camera to 12 megapixels",
    )


def died(path: Path, how: str) -> SkippedPhoto:
    """Return the result of a photo on which a worker process came to an end."""
    return SkippedPhoto(
        path,
        "program error",
        f"the program was stopped while it worked on this photo ({how})",
        "if other programs took the memory, close them or use fewer --workers, and give the command again; "
        f"else {_SEND}",
    )
