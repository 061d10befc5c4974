"""The largest errors as pictures: the cutting from above, truth and result drawn over it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont, ImageOps
from scipy.ndimage import map_coordinates

from grader.records import Cutting, GradedPhoto, SetAside
from tests.accuracy.compare import Comparison
from tests.accuracy.goals import GOALS
from tests.accuracy.reading import Reading
from tests.accuracy.truth import CuttingTruth, PhotoTruth

PER_TRAIT = 10
MARGIN_MM = 8.0
PICTURE_WIDTH_PX = 1500
MAX_PX_PER_MM = 24.0
TRUE_COLOUR = (0, 90, 255)
FOUND_COLOUR = (230, 90, 0)
OUTLINE_COLOUR = (200, 0, 160)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One photo with its truth, its result, and the comparison of the two."""

    truth: PhotoTruth
    graded: GradedPhoto
    comparison: Comparison


def save_worst(cases: Mapping[str, Sequence[Case]], folder: Path, per_trait: int = PER_TRAIT) -> list[Path]:
    """Save the worst cases of every trait that has a goal, and every lost cutting; return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    wanted: dict[int, list[tuple[str, Reading]]] = {}
    for trait in GOALS:
        found = [
            (name, case, reading)
            for name, items in cases.items()
            for case in items
            for reading in case.comparison.readings
            if reading.trait == trait and not math.isnan(reading.found)
        ]
        found.sort(key=lambda entry: -abs(entry[2].error))
        for rank, (name, case, reading) in enumerate(found[:per_trait], start=1):
            file = f"{trait}_{rank:02d}_{name}_{reading.photo}_{reading.cutting_id}.png"
            wanted.setdefault(id(case), []).append((file, reading))
    saved = []
    for name, items in cases.items():
        for case in items:
            lost = lost_cuttings(case.comparison)
            if not lost and id(case) not in wanted:
                continue
            rgb = read_upright(case.truth.photo)  # once for all pictures of this photo
            for file, reading in wanted.get(id(case), []):
                draw_case(case, reading, rgb).save(folder / file)
                saved.append(folder / file)
            for cutting_id, why in lost:
                file = f"lost_{why.replace(' ', '_')}_{name}_{case.truth.name}_{cutting_id}.png"
                draw_lost(case, cutting_id, why, rgb).save(folder / file)
                saved.append(folder / file)
    return sorted(saved)


def lost_cuttings(comparison: Comparison) -> list[tuple[int, str]]:
    """Return the ids of cuttings that were not graded as one cutting the right way round, and why."""
    return [
        *((i, "missed") for i in comparison.missed),
        *((i, "set aside") for i in comparison.set_aside_wrongly),
        *((i, "wrong end") for i in comparison.wrong_end),
    ]


def read_upright(photo: Path) -> NDArray[np.uint8]:
    """Return a photo (H, W, 3) as a person holds it."""
    with Image.open(photo) as opened:
        return np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))


def draw_lost(case: Case, cutting_id: int, why: str, rgb: NDArray[np.uint8]) -> Image.Image:
    """Return the picture of a lost cutting: its true axis, and whatever outlines are near it."""
    true = next(item for item in case.truth.cuttings if item.id == cutting_id)
    axis = case.truth.seen_from_true(true.axis_mm, true.axis_height_mm)
    low, high = axis.min(axis=0) - 2 * MARGIN_MM, axis.max(axis=0) + 2 * MARGIN_MM
    px_per_mm = min(MAX_PX_PER_MM, PICTURE_WIDTH_PX / max(high - low))
    picture = Image.fromarray(view_from_above(rgb, case.graded, low, high, px_per_mm))
    draw = ImageDraw.Draw(picture)

    def line(points: NDArray[np.float64], colour: tuple[int, int, int]) -> None:
        draw.line([(float(x), float(y)) for x, y in (points - low) * px_per_mm], fill=colour, width=2)

    line(axis, TRUE_COLOUR)
    x, y = (axis[0] - low) * px_per_mm
    draw.ellipse([x - 6, y - 6, x + 6, y + 6], outline=TRUE_COLOUR, width=2)
    reasons = []
    for item in (*case.graded.cuttings, *case.graded.set_aside):
        outline = np.asarray(item.outline_mm)
        if (outline.max(axis=0) < low).any() or (outline.min(axis=0) > high).any():
            continue
        line(np.vstack([outline, outline[:1]]), OUTLINE_COLOUR)
        if isinstance(item, SetAside):
            reasons.append(f"{item.kind.value}: {item.reason}")
        else:
            line(_axis_as_seen(case, true, item), FOUND_COLOUR)
    words = f"{case.truth.name} cutting {cutting_id}: {why}; blue is the true axis, ring the true base"
    return _with_caption(picture, words + "\n" + " | ".join(reasons))


def draw_case(case: Case, reading: Reading, rgb: NDArray[np.uint8]) -> Image.Image:
    """Return the picture of one reading: blue is the truth (where it is seen), orange what was found."""
    true = next(item for item in case.truth.cuttings if item.id == reading.cutting_id)
    found = next(item for item in case.graded.cuttings if item.number == reading.number)
    axis_true = case.truth.seen_from_true(true.axis_mm, true.axis_height_mm)
    axis_found = _axis_as_seen(case, true, found)
    low = np.minimum(found.outline_mm.min(axis=0), axis_true.min(axis=0)) - MARGIN_MM
    high = np.maximum(found.outline_mm.max(axis=0), axis_true.max(axis=0)) + MARGIN_MM
    px_per_mm = min(MAX_PX_PER_MM, PICTURE_WIDTH_PX / max(high - low))
    picture = Image.fromarray(view_from_above(rgb, case.graded, low, high, px_per_mm))
    draw = ImageDraw.Draw(picture)

    def line(points: NDArray[np.float64], colour: tuple[int, int, int], closed: bool = False) -> None:
        at = [(float(x), float(y)) for x, y in (points - low) * px_per_mm]
        draw.line(at + at[:1] * closed, fill=colour, width=2)

    line(found.outline_mm, OUTLINE_COLOUR, closed=True)
    line(axis_true, TRUE_COLOUR)
    line(axis_found, FOUND_COLOUR)
    for stripped, axis, colour in (
        (true.values["stripped_length_mm"], axis_true, TRUE_COLOUR),
        (found.shape.foliage_from_mm, axis_found, FOUND_COLOUR),
    ):
        if math.isfinite(stripped):
            line(across_at(axis, stripped), colour)
    for point, colour in ((axis_true[0], TRUE_COLOUR), (axis_found[0], FOUND_COLOUR)):
        x, y = (point - low) * px_per_mm
        draw.ellipse([x - 6, y - 6, x + 6, y + 6], outline=colour, width=2)
    return _with_caption(picture, caption(reading, found))


def caption(reading: Reading, found: Cutting) -> str:
    """Return the words above the picture."""
    sigmas = reading.error / reading.error_sigma if reading.error_sigma > 0 else math.nan
    return (
        f"{reading.photo} cutting {reading.cutting_id} (number {reading.number}): {reading.trait}\n"
        f"true {reading.truth:.3f} (blue), found {reading.found:.3f} +- {reading.sigma:.3f} (orange), error "
        f"{reading.error:+.3f} = {sigmas:+.1f} sigma; grade {found.grade.grade}"
    )


def _axis_as_seen(case: Case, true: CuttingTruth, found: Cutting) -> NDArray[np.float64]:
    """Return the found axis, which lies straight below the stem, moved to where the stem is seen."""
    axis = np.asarray(found.shape.axis_mm)
    away = np.hypot(*(axis[:, None] - true.axis_mm[None]).transpose(2, 0, 1))
    return case.truth.seen_from_true(axis, true.axis_height_mm[away.argmin(axis=1)])


def across_at(axis: NDArray[np.float64], distance_mm: float, half_mm: float = 3.0) -> NDArray[np.float64]:
    """Return a short line (2, 2) across an axis at a distance from its start."""
    steps = np.hypot(*np.diff(axis, axis=0).T)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    point = np.array([np.interp(distance_mm, arc, axis[:, i]) for i in (0, 1)])
    index = int(np.clip(np.searchsorted(arc, distance_mm), 1, len(axis) - 1))
    along = axis[index] - axis[index - 1]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
    return np.array([point - half_mm * across, point + half_mm * across])


def view_from_above(
    rgb: NDArray[np.uint8],
    graded: GradedPhoto,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    px_per_mm: float,
) -> NDArray[np.uint8]:
    """Return a part of the mat seen from straight above (H, W, 3), sampled from the photo."""
    columns, rows = (np.ceil((high - low) * px_per_mm)).astype(int)
    x_mm, y_mm = np.meshgrid(
        low[0] + (np.arange(columns) + 0.5) / px_per_mm, low[1] + (np.arange(rows) + 0.5) / px_per_mm
    )
    at_px = graded.pose.plane.px_from_mm(np.column_stack([x_mm.ravel(), y_mm.ravel()]))
    first = np.clip(np.floor(at_px.min(axis=0)).astype(int) - 2, 0, None)
    last = np.ceil(at_px.max(axis=0)).astype(int) + 3
    part = rgb[first[1] : last[1], first[0] : last[0]]
    where = (at_px - first).T[::-1]
    bands = [map_coordinates(part[..., i], where, order=1, mode="nearest") for i in range(3)]
    return np.stack(bands, axis=-1).reshape(rows, columns, 3).astype(np.uint8)


def _with_caption(picture: Image.Image, text: str) -> Image.Image:
    height = 56
    page = Image.new("RGB", (max(picture.width, 1000), picture.height + height), "white")
    page.paste(picture, (0, height))
    ImageDraw.Draw(page).multiline_text((8, 6), text, fill="black", font=ImageFont.load_default(18))
    return page
