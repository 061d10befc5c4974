"""The network's maps: they lie where they should, and blank paper stays blank."""

from __future__ import annotations

import json

import numpy as np
import pytest

from grader.capture import read_photo
from grader.locate import find_mat, flatten
from grader.outline.plant import PlantMaps, plant_maps
from grader.records import FlatView, MatPose
from tests.accuracy.run import ROOT

DEMO = ROOT / "demo_images" / "bench_soft_light.jpg"


def test_blank_paper_has_no_plant_whatever_its_size() -> None:
    for shape in ((64, 96), (101, 77), (33, 250)):
        maps = plant_maps(np.ones((*shape, 3), np.float32), np.ones(shape, bool))
        assert all(field.shape == shape for field in maps.fields)
        assert float(max(field.max() for field in maps.fields)) < 0.1


@pytest.fixture(scope="module")
def demo() -> tuple[FlatView, MatPose, PlantMaps, dict[str, list[dict[str, list[float]]]]]:
    truth = json.loads(DEMO.with_suffix("").with_suffix(".truth.json").read_text())
    photo = read_photo(DEMO)
    pose = find_mat(photo, (), truth["print_scale"], 0.001, "check bar typed")
    view = flatten(photo, pose)
    return view, pose, plant_maps(view.linear, view.lay_mask), truth


def test_bases_tips_and_stems_lie_where_they_are(demo) -> None:
    view, pose, maps, truth = demo
    foot, eye_mm = np.asarray(pose.plane.eye_mm[:2]), pose.plane.eye_mm[2]
    for cutting in truth["cuttings"]:
        line, height = np.asarray(cutting["axis_mat"]), np.asarray(cutting["axis_z_mm"])
        seen = foot + (line - foot) * (eye_mm / (eye_mm - height))[:, None]
        px = np.round((seen - view.origin_mm) / view.mm_per_px).astype(int)
        bare = px[: int(cutting["stripped_length_mm"]) - 2]
        assert maps.base[px[0, 1], px[0, 0]] > 0.3
        assert np.median(maps.bare_axis[bare[3:, 1], bare[3:, 0]]) > 0.5
        assert np.median(maps.foliage[bare[3:, 1], bare[3:, 0]]) < 0.2
        assert np.median(maps.plant[px[3:, 1], px[3:, 0]]) > 0.9


def test_a_crop_is_the_window_of_all_maps(demo) -> None:
    crop = demo[2].crop(100, 200, 50, 40)
    assert all(field.shape == (40, 50) for field in crop.fields)
    assert np.array_equal(crop.tip, demo[2].tip[200:240, 100:150])
