"""Which photos some files and folders stand for, and what their pictures are called."""

from __future__ import annotations

import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path

PICTURE_SUFFIX = ".graded.jpg"
GROUPS_SUFFIX = ".groups.jpg"
"""The pictures of ``grader stick``."""
_STAGE_PICTURE = re.compile(r"\.[1-9]-(capture|locate|flat|outline|shape)\.jpg$", re.IGNORECASE)
"""The pictures of ``--debug-dir``."""
MOST_NAME_BYTES = 255
"""Of one name in a folder: ext4, XFS, NTFS (there in UTF-16 units), APFS."""
NOT_IN_NAMES = frozenset('<>:"/\\|?*')
"""Refused by FAT and NTFS, to which a stick or a shared folder may be formatted."""
_HASH_DIGITS = 8
_Identity = tuple[int, int]
"""Device and number of a folder: the same by whatever way it is reached."""
FolderProblem = Callable[[Path, OSError], None]


def photos_in(
    inputs: Sequence[Path],
    leave_out: Collection[Path] = (),
    complain: FolderProblem | None = None,
) -> list[Path]:
    """Return the photos that some files and folders stand for, each once; folders by name, with sub-folders.

    Files are taken whatever they are called.  In folders hidden files and folders, the pictures that this
    program made and the folders to leave out are passed over.  A link to a folder is followed, but no folder
    is entered twice, so that links in a ring come to an end.

    Parameters
    ----------
    inputs : sequence of Path
        Files and folders.
    leave_out : collection of Path, optional
        Folders that are not entered, such as the one for the results; an input itself is.
    complain : callable, optional
        Told of each folder that cannot be listed.
    """
    found: dict[Path, None] = {}
    barred = {key for folder in leave_out if (key := _identity(folder)) is not None}
    for path in inputs:
        if path.is_dir():
            key = _identity(path)
            seen = barred - {key} | ({key} if key else set())
            found.update(dict.fromkeys(_inside(path, seen, complain)))
        else:
            found[path] = None
    return list(found)


def _identity(folder: Path) -> _Identity | None:
    try:
        status = folder.stat()
    except OSError:
        return None
    return (status.st_dev, status.st_ino)


def _inside(folder: Path, seen: set[_Identity], complain: FolderProblem | None) -> Iterator[Path]:
    from grader.capture import SUFFIXES

    try:
        with os.scandir(folder) as listed:
            names = sorted(entry.name for entry in listed)
    except OSError as problem:
        if complain is not None:
            complain(folder, problem)
        return
    for name in names:
        path = folder / name
        if name.startswith("."):
            continue
        try:
            status = path.stat()
        except OSError:
            # A link to nowhere, or a photo just taken away; a link that looks like a photo is told of later.
            if path.suffix.lower() in SUFFIXES and path.is_symlink():
                yield path
            continue
        if stat.S_ISDIR(status.st_mode):
            key = (status.st_dev, status.st_ino)
            if key not in seen:
                seen.add(key)
                yield from _inside(path, seen, complain)
        elif stat.S_ISREG(status.st_mode) and _is_photo_name(path, SUFFIXES):
            yield path


def _is_photo_name(path: Path, suffixes: tuple[str, ...]) -> bool:
    name = path.name.lower()
    is_ours = name.endswith((PICTURE_SUFFIX, GROUPS_SUFFIX)) or _STAGE_PICTURE.search(name)
    return path.suffix.lower() in suffixes and not is_ours


def picture_names(photos: Sequence[Path], inputs: Sequence[Path] = ()) -> dict[Path, str]:
    """Return for each photo the name of its picture below the output folder, all different.

    Sub-folders of an input folder are kept.  Characters that some disks refuse become ``_``, and a name too
    long for a folder is cut and marked with a hash of the whole.

    Examples
    --------
    >>> list(picture_names([Path("a/tray.jpg"), Path("b/tray.jpg")]).values())
    ['tray.graded.jpg', 'tray-2.graded.jpg']
    >>> list(picture_names([Path("in/a/tray.jpg"), Path("in/b/tray.jpg")], [Path("in")]).values())
    ['a/tray.graded.jpg', 'b/tray.graded.jpg']
    """
    names: dict[Path, str] = {}
    taken: set[str] = set()
    roots = set(inputs)
    for path in photos:
        folder = "".join(f"{_fitting(part, '')}/" for part in _below(path, roots))
        name, n = folder + _fitting(path.stem, PICTURE_SUFFIX), 1
        while _folded(name) in taken:
            n += 1
            name = folder + _fitting(path.stem, f"-{n}{PICTURE_SUFFIX}")
        taken.add(_folded(name))
        names[path] = name
    return names


def _below(path: Path, roots: set[Path]) -> tuple[str, ...]:
    """Return the names of the folders between an input folder and the photo."""
    for folder in path.parents:
        if folder in roots:
            return path.parent.relative_to(folder).parts
    return ()


def _folded(name: str) -> str:
    """Return what two names share that some disks take for the same."""
    return unicodedata.normalize("NFC", name).casefold()


def _fitting(stem: str, suffix: str) -> str:
    safe = "".join(ch if _may_stand(ch) else "_" for ch in stem)
    if safe[:1] in ("-", "."):
        safe = "_" + safe[1:]  # neither an option of some command nor hidden
    safe = safe.rstrip(" .") or "_" if not suffix else safe
    room = MOST_NAME_BYTES - len(suffix.encode())
    whole = safe.encode("utf-8")
    if len(whole) > room:
        mark = "~" + hashlib.sha256(os.fsencode(stem)).hexdigest()[:_HASH_DIGITS]
        safe = whole[: room - len(mark)].decode("utf-8", errors="ignore") + mark
    return safe + suffix


def _may_stand(ch: str) -> bool:
    return ch not in NOT_IN_NAMES and unicodedata.category(ch) not in ("Cc", "Cs", "Zl", "Zp")
