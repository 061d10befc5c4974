"""What a marked picture says about itself, inside the JPEG: which photo it shows, where each cutting lies.

So a report finds the right picture whatever the file is called, and cuts the cuttings out of it without
measuring again.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from grader.records import GradedPhoto
from grader.write.along import outline_on_canvas
from grader.write.canvas import canvas_of

NOTE_SCHEMA = "cutting-grader/picture-1"
Box = tuple[int, int, int, int]
"""left, top, right, bottom in px of the marked picture; right and bottom not included."""


@dataclass(frozen=True, slots=True)
class PictureNote:
    """What is known of a marked picture."""

    photo_sha256: str
    tray_size_px: tuple[int, int]
    """Width, height of the upper part, which shows the tray; below it is the list."""
    boxes_px: dict[int, Box]
    """Number of the cutting -> the box round its outline."""

    def encoded(self) -> bytes:
        """Return what goes into the picture as its JPEG comment."""
        note = {
            "schema": NOTE_SCHEMA,
            "photo_sha256": self.photo_sha256,
            "tray_size_px": self.tray_size_px,
            "boxes_px": {str(number): box for number, box in self.boxes_px.items()},
        }
        return json.dumps(note, separators=(",", ":")).encode("ascii")


def note_of(graded: GradedPhoto) -> PictureNote:
    """Return the note of the marked picture of a photo."""
    canvas = canvas_of(graded)
    boxes: dict[int, Box] = {}
    for cutting in graded.cuttings:
        px = outline_on_canvas(canvas, graded.pose.plane, cutting.outline_mm)
        low = np.floor(np.clip(px.min(axis=0), 0, canvas.size_px)).astype(int)
        high = np.ceil(np.clip(px.max(axis=0) + 1.0, 0, canvas.size_px)).astype(int)
        boxes[cutting.number] = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    return PictureNote(graded.sha256, canvas.size_px, boxes)


def read_note(path: Path) -> PictureNote | None:
    """Return the note in a picture, None if it has none that can be read; only the file's head is read."""
    try:
        with Image.open(path) as picture:
            told = json.loads(picture.info.get("comment", b""))
        return _note(told)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, Image.DecompressionBombError):
        return None


def _note(told: Any) -> PictureNote | None:
    if told["schema"] != NOTE_SCHEMA:
        return None
    width, height = (int(size) for size in told["tray_size_px"])
    boxes: dict[int, Box] = {}
    for number, box in told["boxes_px"].items():
        left, top, right, bottom = (int(edge) for edge in box)
        if 0 <= left < right <= width and 0 <= top < bottom <= height:
            boxes[int(number)] = (left, top, right, bottom)
    return PictureNote(str(told["photo_sha256"]), (width, height), boxes)
