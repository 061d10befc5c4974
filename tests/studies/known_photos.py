"""Photos with exact truth as the studies need them: flat view, pose and labels of plant and paper."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calib.design import load_layout
from grader.capture import read_photo
from grader.locate import find_mat, flatten
from grader.records import FlatView, MatPose

CELL_MM = 0.1
SURE_INSIDE_MM = (1.0, 2.5, 4.0)
"""A pixel is surely plant if it is inside the true silhouette for each of these heights above the paper."""
SURE_OUTSIDE_MM = (0.0, 1.5, 3.0, 4.5, 6.0, 8.0, 10.0)
"""... and surely not if it is outside for each of these."""
UNKNOWN = 255


@dataclass(frozen=True, slots=True, eq=False)
class KnownPhoto:
    """One photo with truth."""

    name: str
    truth: dict[str, Any]
    view: FlatView
    pose: MatPose


def known_photos(folders: list[Path]) -> Iterator[KnownPhoto]:
    """Yield all photos of folders of NAME.jpg + NAME.truth.json; a layout.json above is a foreign board."""
    for folder in folders:
        board = folder.parent / "layout.json"
        layouts = (load_layout(board),) if board.exists() else ()
        for path in sorted(folder.glob("*.jpg")):
            truth = json.loads(path.with_suffix("").with_suffix(".truth.json").read_text())
            photo = read_photo(path)
            pose = find_mat(photo, layouts, truth["print_scale"], 0.001, "check bar typed")
            yield KnownPhoto(f"{folder.name}/{path.stem}", truth, flatten(photo, pose), pose)


def labels(known: KnownPhoto) -> NDArray[np.uint8]:
    """Return 1 where surely plant, 0 where surely not, UNKNOWN between, on the flat view.

    The true silhouettes are from straight above; a camera sees what stands above the paper shifted
    away from its foot, by an amount that depends on the height, so several heights must agree.
    """
    page = known.pose.page_mm
    plant = np.zeros((int(page[1] / CELL_MM) + 1, int(page[0] / CELL_MM) + 1), np.uint8)
    scale = known.pose.print_scale
    for cutting in known.truth["cuttings"]:
        stored = cutting["mask"]
        mask = np.asarray(Image.open(io.BytesIO(base64.b64decode(stored["png_base64"]))), dtype=np.uint8)
        grow = stored["px_mm"] * scale / CELL_MM
        fine = cv2.resize(
            (mask > 0).astype(np.uint8), None, fx=grow, fy=grow, interpolation=cv2.INTER_NEAREST
        )
        x, y = (round(v * scale / CELL_MM) for v in stored["origin_mat"])
        target = plant[y : y + fine.shape[0], x : x + fine.shape[1]]
        target |= fine[: target.shape[0], : target.shape[1]]
    thin = cv2.erode(plant, np.ones((3, 3), np.uint8))
    wide = cv2.dilate(plant, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
    inside = np.min([_seen(known, thin, h) for h in SURE_INSIDE_MM], axis=0)
    outside = np.max([_seen(known, wide, h) for h in SURE_OUTSIDE_MM], axis=0)
    result = np.full(known.view.lay_mask.shape, UNKNOWN, np.uint8)
    result[inside > 0] = 1
    result[outside == 0] = 0
    return result


def _seen(known: KnownPhoto, plant: NDArray[np.uint8], height_mm: float) -> NDArray[np.uint8]:
    foot_x, foot_y, eye = known.pose.plane.eye_mm
    shrink = (eye - height_mm) / eye
    mm, (x0, y0) = known.view.mm_per_px, known.view.origin_mm
    matrix = np.array(
        [
            [shrink * mm / CELL_MM, 0, ((x0 - foot_x) * shrink + foot_x) / CELL_MM],
            [0, shrink * mm / CELL_MM, ((y0 - foot_y) * shrink + foot_y) / CELL_MM],
        ]
    )
    height, width = known.view.lay_mask.shape
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(plant, matrix, (width, height), flags=flags), dtype=np.uint8)
