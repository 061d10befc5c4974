"""Write files whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from grader.errors import OutputProblem


def write_atomic(path: Path, data: bytes) -> None:
    """Write a file so that nobody ever finds half of it; folders are made.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        # Temporary files are private; results are for everybody who may read the folder.
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as problem:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        raise OutputProblem(
            f"{path} cannot be written ({problem.strerror})",
            "give another folder with --out, or free some space",
        ) from problem


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
