"""Large batches made of a few real results by repetition: for sizes and times, and labelled so everywhere."""

from __future__ import annotations

import copy
import hashlib
import io
import json
from pathlib import Path
from typing import Any

from PIL import Image

from grader.write.picture_note import NOTE_SCHEMA

LABEL = "demo results repeated, no real day"


def repeat_batch(source: Path, out: Path, n_photos: int) -> None:
    """Write a folder of results with many photos: those of a folder of results, again and again."""
    whole = json.loads((source / "results.json").read_text(encoding="utf-8"))
    graded = [photo for photo in whole["photos"] if photo["status"] == "graded"]
    out.mkdir(parents=True, exist_ok=True)
    photos: list[dict[str, Any]] = []
    for k in range(n_photos):
        photo = copy.deepcopy(graded[k % len(graded)])
        name = f"repeated_{k + 1:03d}_{Path(photo['file']).name}"
        sha256 = hashlib.sha256(name.encode()).hexdigest()
        # Two names for cutters, so that there is something to choose from.
        batch = {"cutter": f"invented {'AB'[k % 2]}", "note": LABEL}
        photos.append({**photo, "file": f"day/{name}", "sha256": sha256, "batch": batch})
        picture = source / f"{Path(photo['file']).stem}.graded.jpg"
        (out / f"{Path(name).stem}.graded.jpg").write_bytes(with_note(picture, {"photo_sha256": sha256}))
    whole["photos"] = photos
    (out / "results.json").write_text(json.dumps(whole), encoding="utf-8")


def repeat_cuttings(source: Path, out: Path, n_cuttings: int) -> None:
    """Write a folder of results with one tray: its cuttings again and again, with new numbers."""
    whole = json.loads((source / "results.json").read_text(encoding="utf-8"))
    photo = max((p for p in whole["photos"] if p["status"] == "graded"), key=lambda p: len(p["cuttings"]))
    few = photo["cuttings"]
    picture = source / f"{Path(photo['file']).stem}.graded.jpg"
    boxes = note_in(picture)["boxes_px"]
    n_few = len(few)
    photo["cuttings"] = [{**few[k % n_few], "number": k + 1} for k in range(n_cuttings)]
    photo["batch"] = {"note": LABEL}
    out.mkdir(parents=True, exist_ok=True)
    places = {str(k + 1): boxes[str(few[k % n_few]["number"])] for k in range(n_cuttings)}
    (out / "tray.graded.jpg").write_bytes(with_note(picture, {"boxes_px": places}))
    whole["photos"] = [photo]
    (out / "results.json").write_text(json.dumps(whole), encoding="utf-8")


def note_in(picture: Path) -> dict[str, Any]:
    with Image.open(picture) as image:
        note: dict[str, Any] = json.loads(image.info["comment"])
    assert note["schema"] == NOTE_SCHEMA
    return note


def with_note(picture: Path, changed: dict[str, Any]) -> bytes:
    """Return the same picture with another note, its pixels as they are."""
    note = json.dumps({**note_in(picture), **changed}).encode()
    data = picture.read_bytes()
    with Image.open(io.BytesIO(data)) as image:
        old = image.info["comment"]
    at = data.index(old)
    return data[: at - 4] + b"\xff\xfe" + (len(note) + 2).to_bytes(2, "big") + note + data[at + len(old) :]
