"""The network's maps: they lie where they should, and blank paper stays blank."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from grader.capture import read_photo
from grader.locate import find_mat, flatten
from grader.outline import plant
from grader.outline.plant import MAP_SHRINK, PlantMaps, plant_maps
from grader.records import FlatView, MatPose, PaperLight
from tests.accuracy.run import ROOT
from tests.flat_views import cropped, view_of_light

DEMO = ROOT / "demo_images" / "bench_soft_light.jpg"


def test_blank_paper_has_no_plant_whatever_its_size() -> None:
    for rows, columns in ((64, 96), (102, 78), (34, 250)):
        maps = plant_maps(view_of_light(np.ones((rows, columns, 3))))
        assert all(field.shape == (rows // 2, columns // 2) for field in maps.fields)
        assert float(max(field.max() for field in maps.fields)) < 0.1


@pytest.fixture(scope="module")
def demo() -> tuple[FlatView, MatPose, PlantMaps, dict[str, list[dict[str, list[float]]]]]:
    truth = json.loads(DEMO.with_suffix("").with_suffix(".truth.json").read_text())
    photo = read_photo(DEMO)
    pose = find_mat(photo, (), truth["print_scale"], 0.001, "check bar typed")
    view = flatten(photo, pose)
    return view, pose, plant_maps(view), truth


def cells_of(view: FlatView, points_mm: np.ndarray) -> np.ndarray:
    """Return the cells (N, 2), x and y, of the maps in which places of the mat lie."""
    return ((points_mm - view.origin_mm) / view.mm_per_px + 0.5).astype(int) // MAP_SHRINK


def test_bases_tips_and_stems_lie_where_they_are(demo) -> None:
    view, pose, maps, truth = demo
    foot, eye_mm = np.asarray(pose.plane.eye_mm[:2]), pose.plane.eye_mm[2]
    for cutting in truth["cuttings"]:
        line, height = np.asarray(cutting["axis_mat"]), np.asarray(cutting["axis_z_mm"])
        seen = foot + (line - foot) * (eye_mm / (eye_mm - height))[:, None]
        px = cells_of(view, seen)
        bare = px[: int(cutting["stripped_length_mm"]) - 2]
        assert maps.base[px[0, 1], px[0, 0]] > 0.3
        assert np.median(maps.bare_axis[bare[3:, 1], bare[3:, 0]]) > 0.5
        assert np.median(maps.foliage[bare[3:, 1], bare[3:, 0]]) < 0.2
        assert np.median(maps.plant[px[3:, 1], px[3:, 0]]) > 0.9


def window_at_base(demo) -> tuple[FlatView, tuple[slice, slice]]:
    """Return a window, about 30 by 24 mm and no multiple of the network's blocks, around the first base."""
    view, _, _, truth = demo
    base_mm = np.asarray(truth["cuttings"][0]["base_mat"])
    x, y = cells_of(view, base_mm) * MAP_SHRINK
    return view, (slice(y - 120, y + 118), slice(x - 150, x + 152))


def on_maps(window: tuple[slice, slice]) -> tuple[slice, ...]:
    return tuple(slice(part.start // MAP_SHRINK, part.stop // MAP_SHRINK) for part in window)


def test_a_window_gives_what_the_whole_gives(demo) -> None:
    view, window = window_at_base(demo)
    alone = plant_maps(cropped(view, window))
    inner = (slice(20, -20), slice(20, -20))  # the network sees less beyond the window's rim
    for field, whole in zip(alone.fields, demo[2].fields, strict=True):
        assert field.shape == (119, 151)
        assert field.min() >= 0 and field.max() <= 1
        assert np.abs(field[inner] - whole[on_maps(window)][inner]).mean() < 0.02
    place = np.unravel_index(alone.base[inner].argmax(), alone.base[inner].shape)
    assert np.hypot(place[0] - 40, place[1] - 55) * MAP_SHRINK * view.mm_per_px < 1.0


def test_outside_the_lay_area_there_is_paper_whatever_lies_there(demo) -> None:
    view, window = window_at_base(demo)
    lay_mask = view.lay_mask[window].copy()
    open_plant = plant_maps(cropped(view, window)).plant
    lay_mask[:, :180] = False
    hidden = plant_maps(cropped(view, window, lay_mask))
    assert (open_plant[:, :85] > 0.5).any()
    assert hidden.plant[:, :85].max() < 0.1
    assert hidden.base[:, :85].max() < 0.1
    # What is painted there cannot be seen through the mask.
    painted = cropped(view, window, lay_mask).rgb.copy()
    painted[:, :180] = (60, 100, 45)
    again = plant_maps(replace(cropped(view, window, lay_mask), rgb=painted))
    assert all(np.array_equal(a, b) for a, b in zip(hidden.fields, again.fields, strict=True))


def seen_axes(demo) -> list[tuple[np.ndarray, int]]:
    """Return each true axis as the camera sees it, in cells of the maps, and its number of bare points."""
    view, pose, _, truth = demo
    foot, eye_mm = np.asarray(pose.plane.eye_mm[:2]), pose.plane.eye_mm[2]
    axes = []
    for cutting in truth["cuttings"]:
        line, height = np.asarray(cutting["axis_mat"]), np.asarray(cutting["axis_z_mm"])
        seen = foot + (line - foot) * (eye_mm / (eye_mm - height))[:, None]
        # The centre of a cell lies half a pixel of the view beyond that of its first pixel.
        cells = ((seen - view.origin_mm) / view.mm_per_px - 0.5) / MAP_SHRINK
        axes.append((cells, int(cutting["stripped_length_mm"])))
    return axes


def test_the_bare_line_is_not_shifted_beside_the_true_axis(demo) -> None:
    bare = demo[2].bare_axis
    for axis, n_bare in seen_axes(demo):
        tangent = np.gradient(axis, axis=0)
        normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) / np.hypot(*tangent.T)[:, None]
        across = np.arange(-4, 4.1, 0.25)
        at = np.round(axis[4 : n_bare - 3, None] + across[:, None] * normal[4 : n_bare - 3, None]).astype(int)
        weight = bare[at[..., 1], at[..., 0]]
        middle = (weight * across).sum(axis=1) / weight.sum(axis=1)
        assert abs(np.median(middle)) < 0.3  # 0.06 mm


def test_the_middle_of_a_base_lies_a_little_inside_the_cut(demo) -> None:
    base, inside_cells = demo[2].base, []
    for axis, _ in seen_axes(demo):
        x, y = np.round(axis[0]).astype(int)
        window = (slice(y - 12, y + 13), slice(x - 12, x + 13))
        rows, columns = np.mgrid[window]
        weight = np.where(base[window] > 0.1, base[window], 0.0)
        middle = np.array([(columns * weight).sum(), (rows * weight).sum()]) / weight.sum()
        along = axis[2] - axis[0]
        inside_cells.append(float((middle - axis[0]) @ along / np.hypot(*along)))
        assert np.hypot(*(middle - axis[0])) < 2.0
    # grader.shape.stem takes 0.11 mm as usual.
    assert abs(np.mean(inside_cells) * MAP_SHRINK * demo[0].mm_per_px - 0.11) < 0.1


def test_neighbouring_cells_are_not_exchanged(demo) -> None:
    """The network answers in blocks of 2 by 2: each answer must lie on its own cell."""
    view, _, maps, _ = demo
    rows, columns = (2 * (n // 2) for n in maps.plant.shape)
    light = view.reduced(MAP_SHRINK)[:rows, :columns].mean(axis=2)
    for field in (maps.plant, maps.foliage):
        share = field[:rows, :columns]
        exchanged = share.copy()
        exchanged[0::2, 1::2], exchanged[1::2, 0::2] = share[1::2, 0::2], share[0::2, 1::2]
        edge = (share > 0.05) & (share < 0.95)
        right, wrong = (np.corrcoef(f[edge], -light[edge])[0, 1] for f in (share, exchanged))
        assert right > wrong + 0.01


def test_asking_only_around_things_changes_hardly_an_answer(demo, monkeypatch) -> None:
    view, _, maps, _ = demo
    monkeypatch.setattr(plant, "_where_things_lie", lambda blocks: (0, blocks.shape[1], 0, blocks.shape[2]))
    whole = plant_maps(view)
    for field, other in zip(maps.fields, whole.fields, strict=True):
        gap = abs(field - other)
        assert gap.max() < 0.3
        assert gap.mean() < 2e-4
        assert ((field > 0.5) != (other > 0.5)).mean() < 2e-4  # 7 mm2 of a whole tray


def test_one_cutting_in_a_corner_is_answered_as_on_a_full_tray(demo) -> None:
    view, window = window_at_base(demo)
    alone = np.full_like(view.rgb, 255)
    alone[window] = view.rgb[window]
    light = view.light.within(view.whole).copy()
    light[np.logical_not(_inside(light.shape[:2], window))] = 1.0
    paper = PaperLight(light, view.light.size_px)
    maps = plant_maps(replace(view, rgb=alone, light=paper, lay_mask=np.ones(alone.shape[:2], bool)))
    rows, columns = on_maps(window)
    inner = (slice(rows.start + 30, rows.stop - 30), slice(columns.start + 30, columns.stop - 30))
    assert abs(maps.base[inner] - demo[2].base[inner]).max() < 0.2
    far = np.ones(maps.plant.shape, bool)
    far[rows.start - 5 : rows.stop + 5, columns.start - 5 : columns.stop + 5] = False  # leaves cut through
    assert float(maps.plant[far].max()) < 0.5


def _inside(shape: tuple[int, ...], window: tuple[slice, slice]) -> np.ndarray:
    inside = np.zeros(shape, bool)
    inside[window] = True
    return inside
