"""Make a process ready before the first photo: modules, network, the buffers for a picture."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path

WARM_DPI = 100.0
"""Of the empty mat that is graded once; its marks are found, and it takes a fraction of a photo's time."""
PAPER_LEVEL = 200
"""Of 255: well lit paper."""


def warm_up() -> None:
    """Grade an empty mat once.

    What goes wrong here is left for the first photo to meet: there it has a sentence for the person.
    """
    with contextlib.suppress(Exception), tempfile.TemporaryDirectory() as folder:
        _grade_empty_mat(Path(folder))


def _grade_empty_mat(folder: Path) -> None:
    import numpy as np
    from PIL import Image

    import grader.shape.trace
    import grader.traits.measure
    import grader.verdict.plan  # noqa: F401  (an empty mat never comes so far)
    from calib.design import mat_design
    from calib.draw import raster
    from grader.batch.keep import program_hash
    from grader.pipeline import Kit, grade_photo_and_picture
    from grader.records import GradedPhoto
    from grader.verdict import load_targets
    from grader.write.annotate import write_picture

    program_hash()
    page = np.round(raster(mat_design("A4"), WARM_DPI) * PAPER_LEVEL).astype(np.uint8)
    Image.fromarray(page).convert("RGB").save(folder / "mat.jpg", quality=95)
    result, photo = grade_photo_and_picture(folder / "mat.jpg", Kit(load_targets()))
    if isinstance(result, GradedPhoto) and photo is not None:
        write_picture(folder / "drawn.jpg", result, photo)
