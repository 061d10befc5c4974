"""Stage pictures: one a stage, marks where the records say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from grader.records import FlatView, Photo, PlantMarks, SetAside, Silhouette, SilhouetteKind
from grader.write.debug import PURPLE, RED, YELLOW, StagePictures
from tests.flat_views import view_of_light
from tests.synthetic_records import outline_of, straight_pose, straight_shape, with_strays

MM_PER_PX = 0.2
ORIGIN_MM = (25.0, 25.0)
JPEG_TOLERANCE = 90
"""Of 255: thin coloured lines lose colour in JPEG."""


def flat_view() -> FlatView:
    view = view_of_light(np.full((800, 1235, 3), 0.8), mm_per_px=MM_PER_PX)
    return replace(view, origin_mm=ORIGIN_MM)


def silhouette(kind: SilhouetteKind) -> Silhouette:
    shape = straight_shape(base_mm=(60.0, 60.0))
    return Silhouette(
        kind=kind,
        reason="",
        outline_mm=outline_of(shape),
        holes_mm=(),
        coverage=np.zeros((2, 2), np.float32),
        corner_px=(0, 0),
        area_mm2=500.0,
        base_mm=(60.0, 60.0),
        base_score=0.9,
        rival_score=0.1,
        edge_sigma_mm=0.03,
        base_run_mm=20.0,
        base_half_width_mm=1.2,
        marks=PlantMarks(*(np.zeros((2, 2), np.float32) for _ in range(6))),
    )


def near(picture: Image.Image, at_mm: tuple[float, float], colour: tuple[int, int, int]) -> bool:
    """Return whether some pixel within 3 px of a place on the mat has a colour."""
    x, y = ((np.asarray(at_mm) - ORIGIN_MM) / MM_PER_PX).round().astype(int)
    patch = np.asarray(picture).astype(int)[y - 3 : y + 4, x - 3 : x + 4]
    return bool((np.abs(patch - colour).max(axis=2) <= JPEG_TOLERANCE).any())


def test_each_stage_leaves_its_picture(tmp_path: Path) -> None:
    pictures = StagePictures(tmp_path / "debug", Path("somewhere/tray 1.jpg"))
    rgb = np.full((2140, 3010, 3), 200, dtype=np.uint8)
    pictures.capture(Photo(Path("tray 1.jpg"), "0" * 64, rgb, "", float("nan"), None))
    pictures.locate(straight_pose(), flat_view())
    pictures.outline([silhouette(SilhouetteKind.CUTTING)])
    shape = with_strays(straight_shape(base_mm=(60.0, 60.0)), 12.0)
    aside = SetAside(SilhouetteKind.OBJECT, "not a cutting", outline_of(shape), 10.0)
    pictures.shape([shape, aside])
    names = sorted(path.name for path in (tmp_path / "debug").iterdir())
    stages = ("1-capture", "2-locate", "3-flat", "4-outline", "5-shape")
    assert names == [f"tray 1.{stage}.jpg" for stage in stages]
    outlined = Image.open(tmp_path / "debug" / "tray 1.4-outline.jpg").convert("RGB")
    assert outlined.size == (1235, 800)
    assert near(outlined, (120.0, 66.0), YELLOW)  # side of the foliage, 6 mm from the axis
    assert not near(outlined, (120.0, 75.0), YELLOW)
    shaped = Image.open(tmp_path / "debug" / "tray 1.5-shape.jpg").convert("RGB")
    assert near(shaped, (120.0, 60.0), RED)  # the axis
    assert near(shaped, (90.0, 63.0), YELLOW)  # foliage begins 30 mm from the base
    assert near(shaped, (72.0, 61.6), PURPLE)  # the stray, 8 px round it


def test_a_photo_whose_mat_is_not_found_still_leaves_the_first_picture(tmp_path: Path) -> None:
    pictures = StagePictures(tmp_path, Path("bench.jpg"))
    pictures.capture(Photo(Path("bench.jpg"), "0" * 64, np.zeros((300, 400, 3), np.uint8), "", 0.0, None))
    pictures.outline([silhouette(SilhouetteKind.OVERLAP)])
    assert [path.name for path in tmp_path.iterdir()] == ["bench.1-capture.jpg"]
