"""The labels that the plant network is learned from say what the truth says."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np

from tests.studies.known_photos import KnownPhoto, known_photo
from tests.studies.plant_labels import SPOT_MM, Map, Sight, label_maps
from tests.studies.true_cells import true_cells

DEMO = Path(__file__).parents[1] / "demo_images" / "bench_soft_light.jpg"
AREA_TOLERANCE = 0.05
"""The camera sees foliage a little larger than from straight above, and some hides behind another."""


@cache
def _known() -> KnownPhoto:
    return known_photo(DEMO)


@cache
def _maps() -> dict[str, Map]:
    return label_maps(_known())


def test_foliage_of_a_cutting_has_its_true_area() -> None:
    for cutting in _known().truth["cuttings"]:
        cells = true_cells(cutting, scale=1.0)
        assert cells is not None
        area_mm2 = float(cells.foliage.sum()) * cells.cell_mat**2
        assert np.isclose(area_mm2, cutting["foliage_area_mm2"], rtol=0.01)
        assert not cells.foliage[~cells.mask].any()


def test_foliage_on_the_flat_view_has_the_true_area() -> None:
    true_mm2 = sum(cutting["foliage_area_mm2"] for cutting in _known().truth["cuttings"])
    seen_mm2 = float(_maps()["foliage"].sum()) / 255 * _known().view.mm_per_px ** 2
    assert abs(seen_mm2 / true_mm2 - 1) < AREA_TOLERANCE


def test_each_cut_base_is_marked_where_it_is_seen() -> None:
    view, eye = _known().view, _known().pose.plane.eye_mm
    sight = Sight(np.asarray(eye[:2]), eye[2], np.asarray(view.origin_mm), view.mm_per_px)
    n_spots, _, _, centre_px = cv2.connectedComponentsWithStats(_maps()["base"])
    cuttings = _known().truth["cuttings"]
    assert n_spots - 1 == len(cuttings)
    for cutting in cuttings:
        seen_px = sight.px(sight.seen(np.asarray(cutting["base_mat"]), cutting["axis_z_mm"][0]))
        away_mm = np.hypot(*(centre_px[1:] - seen_px).T).min() * view.mm_per_px
        assert away_mm < SPOT_MM / 4


def test_the_bare_stem_is_no_foliage() -> None:
    maps = _maps()
    bare = maps["bare"] == 255
    # The stem's line ends inside the lowest leaves, and stray leaves lie across it.
    assert np.mean(maps["foliage"][bare] > 127) < 0.1
    assert np.mean(maps["plant"][bare] > 127) > 0.9
