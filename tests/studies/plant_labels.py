"""Label maps to learn :mod:`grader.outline.plant` from: known photo -> flat view and six maps, one .npz each.

Run by hand on folders of NAME.jpg + NAME.truth.json (or on single photos)::

    python -m tests.studies.plant_labels labels TRAYS/a TRAYS/b renders/dev --leave-out print097_card

The true silhouettes are from straight above, but a camera sees what stands above the paper shifted
away from its foot.  So each cutting's height is fitted: the foliage rises evenly along the axis, from
one height at the base to another at the tip; those under which the true foliage falls on the most
plant-like pixels win.  The maps are then read through the inverse of that shift.  Labels are
soft: where cells are mixed, and where wood is seen among the foliage.

In the .npz (all arrays of bytes, as files in memory): ``rgb`` JPEG of the coded flat view; PNG of
``plant``, ``foliage`` and ``lay`` (H, W), and of ``bare``, ``leafy``, ``base``, ``tip`` (H/2, W/2);
255 is certain.
"""

from __future__ import annotations

import argparse
import io
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.spatial import cKDTree

from grader.outline.plant import BRIGHTEST, CODE_GAMMA, enlarged, plant_maps
from grader.records import FlatView
from tests.studies.known_photos import KnownPhoto, known_photos, photo_paths
from tests.studies.true_cells import FINE_MM, STEM_WIDER_SHARE, Field, TrueCells, Values, true_cells

Map = NDArray[np.uint8]
MAPS = ("plant", "foliage", "bare", "leafy", "base", "tip")
HALVED = ("bare", "leafy", "base", "tip")
"""Lines and spots are stored at half the resolution, in which the network answers for them."""

NEAR_MM = np.arange(0.0, 9.0, 0.75)
"""Candidates for the height of the foliage where the base is, mm."""
FAR_MM = np.arange(0.0, 12.0, 0.75)
"""The same for the tip."""
USUAL_MM = (2.0, 3.0)
"""Heights that are usual at base and tip; with nothing to tell them apart these are taken."""
UNUSUAL_COST = 0.0008
"""What a square millimetre away from them costs in mean plant-likeness."""
HIGHEST_MM = 40.0
"""No cutting on a tray stands higher above the paper."""
UNFITTED_MM = (1.0, 1.0)
"""Heights of a cutting whose foliage is too small to fit."""
LEAST_FITTED, MOST_FITTED = 50, 4000
"""Cells of foliage: fewer do not tell the height, more are not needed."""
DARK_FROM, DARK_RANGE, DARK_SHARE = 0.75, 0.4, 0.3
"""Darkness: relative light below which a pixel looks like plant, over which range, and how much it counts
beside the probability; shaded leaves are dark even where the network has not learned them yet."""
MARGIN_MM = 12.0
"""A plant is seen within what is drawn for heights up to this."""
MARGIN_PX = 4
STEM_EDGE_MM = 0.3
"""The seen stem's band is so much wider than the true one: half a cell, blur."""
MANY_PIXELS = 400_000
"""Windows larger than this look up the axis more coarsely, so as not to take minutes."""
LINE_PX, SPOT_MM = 5, 1.0
"""The stem's line is 0.5 mm wide, base and tip are discs of this radius."""
SUBPIXEL_BITS = 3
JPEG_QUALITY = 91


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """How the flat view sees heights: straight below the eye nothing shifts."""

    foot_mm: Values
    eye_mm: float
    origin_mm: Values
    mm_per_px: float

    def seen(self, points_mm: Values, height_mm: Values | float) -> Values:
        """Return where points (..., 2) at heights (...) above the paper are seen on its plane."""
        away = self.eye_mm / (self.eye_mm - np.asarray(height_mm))
        return self.foot_mm + (points_mm - self.foot_mm) * away[..., None]

    def below(self, seen_mm: Values, height_mm: Values) -> Values:
        """Return the places straight below what is seen there at these heights."""
        shrink = (self.eye_mm - height_mm) / self.eye_mm
        return self.foot_mm + (seen_mm - self.foot_mm) * shrink[:, None]

    def px(self, points_mm: Values) -> Values:
        """Return pixels of the flat view."""
        return (points_mm - self.origin_mm) / self.mm_per_px


def label_maps(known: KnownPhoto) -> dict[str, Map]:
    """Return the maps of MAPS, each (H, W) of the flat view, 255 where certain."""
    view, plane = known.view, known.pose.plane
    sight = Sight(
        np.asarray(plane.eye_mm[:2]), float(plane.eye_mm[2]), np.asarray(view.origin_mm), view.mm_per_px
    )
    likeness = plant_likeness(view)
    maps = {name: np.zeros(likeness.shape, np.uint8) for name in MAPS}
    for cutting in known.truth["cuttings"]:
        cells = true_cells(cutting, known.truth["print_scale"])
        if cells is not None:
            _draw(cells, sight, fitted_heights(cells, sight, likeness), maps)
    return maps


def plant_likeness(view: FlatView) -> Field:
    """Return how much each pixel looks like plant, 0 to 1; only to find heights, never a label itself.

    The network in use answers, together with darkness.  (The first one was learned with the answers of a
    smaller classifier of single pixels in its place.)
    """
    dark = np.clip((DARK_FROM - view.linear_in(view.whole).min(axis=2)) / DARK_RANGE, 0, 1)
    plant = enlarged(plant_maps(view).plant, view.lay_mask.shape)
    return np.asarray((1 - DARK_SHARE) * plant + DARK_SHARE * dark, dtype=np.float32)


def fitted_heights(cells: TrueCells, sight: Sight, likeness: Field) -> tuple[float, float]:
    """Return the foliage's heights above the paper in mm, at base and tip of the axis."""
    every = max(1, len(cells.foliage_mm) // MOST_FITTED)
    points, along = cells.foliage_mm[::every], cells.foliage_arc_mm[::every]
    if len(points) <= LEAST_FITTED:
        return UNFITTED_MM
    share = np.clip(along / max(cells.arc_mm[-1], 1.0), 0, 1)
    best, heights = 0.0, UNFITTED_MM
    for near in NEAR_MM:
        for far in FAR_MM:
            height = np.clip(near + (far - near) * share, 0, HIGHEST_MM)
            px = sight.px(sight.seen(points, height)).astype(np.float32)
            found = cv2.remap(likeness, px[:, :1], px[:, 1:], cv2.INTER_LINEAR).mean()
            score = found - UNUSUAL_COST * ((near - USUAL_MM[0]) ** 2 + (far - USUAL_MM[1]) ** 2)
            if score > best:
                best, heights = score, (float(near), float(far))
    return heights


def _draw(cells: TrueCells, sight: Sight, heights: tuple[float, float], maps: dict[str, Map]) -> None:
    """Add one cutting to the maps."""
    axis_seen = sight.seen(cells.axis_mm, cells.axis_height_mm)
    size = maps["plant"].shape
    reach = np.concatenate([sight.px(sight.seen(cells.centres_mm(), h)) for h in (0.0, MARGIN_MM)])
    x0, y0 = np.maximum(np.floor(reach.min(axis=0)).astype(int) - MARGIN_PX + 1, 0)
    x1, y1 = np.minimum(np.ceil(reach.max(axis=0)).astype(int) + MARGIN_PX, size[::-1])
    if x1 <= x0 or y1 <= y0:
        return
    columns, rows = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
    places = np.stack([columns.ravel(), rows.ravel()], axis=1) * sight.mm_per_px + sight.origin_mm
    below = sight.below(places, _heights_at(places, axis_seen, cells, heights))
    source = (below / cells.scale - cells.corner_mat) / cells.cell_mat - 0.5
    xy = source.reshape(*columns.shape, 2).astype(np.float32)
    window = (slice(y0, y1), slice(x0, x1))
    for name, field in (("plant", cells.mask.astype(np.float32)), ("foliage", cells.foliage)):
        value = cv2.remap(field, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        maps[name][window] = np.maximum(maps[name][window], np.round(value * 255).astype(np.uint8))
    fine = 2**SUBPIXEL_BITS
    line = np.round(sight.px(axis_seen) * fine).astype(np.int32)
    bare = cells.arc_mm <= cells.stripped_mm
    for name, part in (("bare", line[bare]), ("leafy", line[~bare])):
        if len(part) > 1:
            cv2.polylines(maps[name], [part], False, 255, LINE_PX, shift=SUBPIXEL_BITS)
    radius = int(SPOT_MM / sight.mm_per_px * fine)
    for name, end in (("base", line[0]), ("tip", line[-1])):
        cv2.circle(maps[name], tuple(end.tolist()), radius, 255, -1, shift=SUBPIXEL_BITS)


def _heights_at(
    places_mm: Values, axis_seen_mm: Values, cells: TrueCells, heights: tuple[float, float]
) -> Values:
    """Return at which height (P,) something of the plant would be seen: the stem's own, or the foliage's."""
    every = 3 if len(places_mm) < MANY_PIXELS else 6
    away, nearest = cKDTree(axis_seen_mm[::every]).query(places_mm)
    nearest = np.minimum(nearest * every, len(axis_seen_mm) - 1)
    along = nearest * FINE_MM
    share = np.clip(along / max(cells.arc_mm[-1], 1.0), 0, 1)
    near, far = heights
    stem = (along < cells.stripped_mm) & (away < cells.half_width_mm(along) * STEM_WIDER_SHARE + STEM_EDGE_MM)
    return np.where(stem, cells.axis_height_mm[nearest], near + (far - near) * share)


def coded_view(view: FlatView) -> Map:
    """Return the flat view (H, W, 3) coded as the network takes it, in 8 bits; off the lay it is paper."""
    code = np.clip(view.linear_in(view.whole) / BRIGHTEST, 0, 1) ** (1 / CODE_GAMMA)
    code[~view.lay_mask] = (1 / BRIGHTEST) ** (1 / CODE_GAMMA)
    return np.asarray(np.round(255 * code), dtype=np.uint8)


def write_labels(known: KnownPhoto, folder: Path) -> Path:
    """Write one photo's .npz and return its path."""
    maps = label_maps(known)
    for name in HALVED:
        height, width = maps[name].shape
        maps[name] = cv2.resize(maps[name], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    maps["lay"] = known.view.lay_mask.astype(np.uint8) * 255
    jpeg = io.BytesIO()
    Image.fromarray(coded_view(known.view)).save(jpeg, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    stored = {name: _png(values) for name, values in maps.items()}
    path = folder / f"{known.name.replace('/', '_')}.npz"
    np.savez(path, rgb=np.frombuffer(jpeg.getvalue(), np.uint8), **stored)
    return path


def _png(values: Map) -> Map:
    memory = io.BytesIO()
    Image.fromarray(values).save(memory, "PNG")
    return np.frombuffer(memory.getvalue(), np.uint8)


def main() -> None:
    """Write the labels of all photos named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", type=Path, help="folder for the .npz files")
    parser.add_argument("photos", nargs="+", type=Path, help="photos, or folders of them, with truth")
    parser.add_argument("--leave-out", nargs="*", default=[], metavar="STEM", help="photos not to learn from")
    options = parser.parse_args()
    options.target.mkdir(parents=True, exist_ok=True)
    for known in known_photos(photo_paths(options.photos, frozenset(options.leave_out))):
        print(write_labels(known, options.target), flush=True)


if __name__ == "__main__":
    main()
