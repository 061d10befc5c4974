"""One picture after each stage, for tuning and for complaints: what did it see?

Files are called ``NAME.2-locate.jpg`` and so on, in the order of the stages.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from calib.frames import Points
from grader.records import CuttingShape, FlatView, MatPose, Photo, SetAside, Silhouette, SilhouetteKind
from grader.write.files import write_atomic

MOST_STEM_BYTES = 200
"""Of the name of a photo, in the name of a picture."""
WIDEST_PX = 4000
"""Pictures are made smaller than this; flat views stay as they are, to look at single edges."""
LINE_PX, TEXT_PX = 3, 30
GAMMA = 2.2
"""Flat views are linear light; screens are not."""
# Okabe & Ito, "Color Universal Design", 2008.
BLUE, ORANGE, YELLOW, RED, PURPLE = (
    (0, 114, 178),
    (230, 159, 0),
    (240, 228, 66),
    (213, 94, 0),
    (204, 121, 167),
)
COLOUR_OF_KIND = {
    SilhouetteKind.CUTTING: YELLOW,
    SilhouetteKind.OBJECT: PURPLE,
    SilhouetteKind.OVERLAP: RED,
    SilhouetteKind.OUTSIDE: BLUE,
}
WIDTH_EVERY = 4
"""One width in so many is drawn: all of them make a solid band."""


class StagePictures:
    """Takes what each stage made, in order, and leaves a picture of it in a folder."""

    def __init__(self, folder: Path, path: Path) -> None:
        self.folder = folder
        # Room for the stage in a name of at most 255 bytes; what is no text is replaced.
        self.stem = path.stem.encode("utf-8", "replace")[:MOST_STEM_BYTES].decode("utf-8", "ignore")
        self.photo: Photo | None = None
        self.view: FlatView | None = None

    def capture(self, photo: Photo) -> None:
        """Keep the photo and save it as it was read: upright, in sRGB."""
        self.photo = photo
        self._save("1-capture", Image.fromarray(photo.rgb))

    def locate(self, pose: MatPose, view: FlatView) -> None:
        """Save the photo with page, lay area and printed things as they were found; and the flat view."""
        self.view = view
        if self.photo is not None:
            picture = Image.fromarray(self.photo.rgb).copy()
            pen = ImageDraw.Draw(picture)
            width_px = max(2, round(pose.px_per_mm / 4))
            for corners_mm, colour in (*((f, ORANGE) for f in pose.fiducials_mm), *_areas(pose)):
                _polygon(pen, pose.plane.px_from_mm(_with_sides(corners_mm)), colour, width_px)
            self._save("2-locate", picture)
        self._save("3-flat", _flat_picture(view))

    def outline(self, silhouettes: Sequence[Silhouette]) -> None:
        """Save the flat view with every outline, coloured by what it was taken for, and the base found."""
        if self.view is None:
            return
        picture = _flat_picture(self.view)
        pen = ImageDraw.Draw(picture)
        for silhouette in silhouettes:
            colour = COLOUR_OF_KIND[silhouette.kind]
            for line_mm in (silhouette.outline_mm, *silhouette.holes_mm):
                _polygon(pen, _flat_px(self.view, line_mm), colour, LINE_PX)
            base_px = _flat_px(self.view, np.array([silhouette.base_mm]))
            if np.isfinite(base_px).all():
                _ring(pen, base_px[0], 16, RED)
                pen.text(
                    (float(base_px[0, 0]) + 24, float(base_px[0, 1])),
                    f"{silhouette.base_score:.2f} / {silhouette.rival_score:.2f}",
                    fill=RED,
                    font_size=TEXT_PX,
                )
        self._save("4-outline", picture)

    def shape(self, shapes: Sequence[CuttingShape | SetAside]) -> None:
        """Save the flat view with axis, widths, start of the foliage, side shoots and strays."""
        if self.view is None:
            return
        picture = _flat_picture(self.view)
        pen = ImageDraw.Draw(picture)
        for shape in shapes:
            if isinstance(shape, CuttingShape):
                _draw_shape(pen, self.view, shape)
        self._save("5-shape", picture)

    def _save(self, stage: str, picture: Image.Image) -> None:
        picture.thumbnail((WIDEST_PX, WIDEST_PX))
        buffer = io.BytesIO()
        picture.save(buffer, format="JPEG", quality=90)
        write_atomic(self.folder / f"{self.stem}.{stage}.jpg", buffer.getvalue())


def _areas(pose: MatPose) -> tuple[tuple[Points, tuple[int, int, int]], ...]:
    left, top, right, bottom = pose.lay_area_mm
    width, height = pose.page_mm
    lay = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    page = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    return (lay, YELLOW), (page, BLUE)


def _with_sides(corners: Points, steps: int = 20) -> Points:
    """Return a polygon with points along its sides: straight on the mat is bent in the photo."""
    share = np.linspace(0.0, 1.0, steps, endpoint=False)[:, None]
    following = np.roll(corners, -1, axis=0)
    sides = [start + share * (end - start) for start, end in zip(corners, following, strict=True)]
    return np.concatenate(sides)


def _flat_picture(view: FlatView) -> Image.Image:
    screen = np.clip(view.linear_in(view.whole), 0.0, 1.0) ** (1.0 / GAMMA) * 255.0
    return Image.fromarray(screen.astype(np.uint8))


def _flat_px(view: FlatView, points_mm: Points) -> Points:
    return np.asarray((points_mm - np.asarray(view.origin_mm)) / view.mm_per_px)


def _draw_shape(pen: ImageDraw.ImageDraw, view: FlatView, shape: CuttingShape) -> None:
    axis_px = _flat_px(view, shape.axis_mm)
    pen.line([(float(x), float(y)) for x, y in axis_px], fill=RED, width=LINE_PX)
    along = np.gradient(axis_px, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    half_px = shape.width_mm / view.mm_per_px / 2.0
    for middle, normal, half in list(zip(axis_px, across, half_px, strict=True))[::WIDTH_EVERY]:
        if np.isfinite(half):
            _segment(pen, middle - half * normal, middle + half * normal, ORANGE)
    if np.isfinite(shape.foliage_from_mm):
        at = int(np.searchsorted(shape.arc_mm, shape.foliage_from_mm).clip(0, len(axis_px) - 1))
        _segment(pen, axis_px[at] - 30 * across[at], axis_px[at] + 30 * across[at], YELLOW)
    for tip_mm in shape.side_tips_mm:
        start_px, end_px = _flat_px(view, tip_mm)
        _segment(pen, start_px, end_px, PURPLE)
    for stray_px in _flat_px(view, shape.strays_mm):
        _ring(pen, stray_px, 8, PURPLE)


def _polygon(pen: ImageDraw.ImageDraw, points: Points, colour: tuple[int, int, int], width_px: int) -> None:
    closed = np.concatenate([points, points[:1]])
    pen.line([(float(x), float(y)) for x, y in closed], fill=colour, width=width_px)


def _segment(pen: ImageDraw.ImageDraw, start: Points, end: Points, colour: tuple[int, int, int]) -> None:
    pen.line([(float(start[0]), float(start[1])), (float(end[0]), float(end[1]))], fill=colour, width=LINE_PX)


def _ring(pen: ImageDraw.ImageDraw, centre: Points, radius: float, colour: tuple[int, int, int]) -> None:
    x, y = float(centre[0]), float(centre[1])
    pen.ellipse([x - radius, y - radius, x + radius, y + radius], outline=colour, width=LINE_PX)
