"""The studio's truth on geometry whose answers are known in closed form, and the demo photos' files."""

from __future__ import annotations

import base64
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from calib.design import mat_layout
from demo_images.studio.curves import crook, sweep
from demo_images.studio.cutting import Cutting
from demo_images.studio.mesh import EMPTY, Mesh, Part, grid_faces, joined
from demo_images.studio.plan import CuttingPlan, HeelPlan
from demo_images.studio.truth import (
    CELL_MM,
    Seen,
    base_width_mm,
    cutting_truth,
    look_from_above,
    mask_of,
    neighbours,
)

HUNDREDTH_MM = 0.01
DEMO = Path(__file__).parents[2] / "demo_images"
MOST_BYTES = 3_000_000
GAP_MM = 3.0


def broken_line(first_mm: float, second_mm: float, angle_deg: float) -> np.ndarray:
    """Two straight pieces that meet at an angle."""
    a = np.radians(angle_deg)
    s = np.arange(0.0, first_mm, 0.25)
    t = np.arange(0.0, second_mm + 0.125, 0.25)
    one = np.column_stack([s, 0 * s])
    two = np.column_stack([first_mm + t * np.cos(a), t * np.sin(a)])
    return np.concatenate([one, two])


def flat(corners_mm: list[tuple[float, float]], z_mm: float, part: Part) -> Mesh:
    """A level quadrilateral."""
    points = np.column_stack([np.array(corners_mm), np.full(4, z_mm)])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    return Mesh(points, faces, np.zeros((4, 3)), np.full(2, int(part)))


def round_stem(length_mm: float, width_mm: float) -> Mesh:
    """A plain cylinder along +x on the paper."""
    sides = 64
    theta = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    x = np.linspace(0.0, length_mm, 50)
    r = width_mm / 2
    points = np.stack(
        np.broadcast_arrays(x[:, None], r * np.cos(theta)[None], r + r * np.sin(theta)[None]), axis=-1
    ).reshape(-1, 3)
    faces = grid_faces(len(x), sides, is_closed=True)
    return Mesh(points, faces, np.zeros((len(points), 3)), np.full(len(faces), int(Part.WOOD)))


def simple_cutting(*, brown_mm: float = 0.0, heel: HeelPlan | None = None) -> Cutting:
    """A stem of 2.5 x 100 mm; leaves on x = 30 to 100, y = -10 to 10, the last ``brown_mm`` brown."""
    green = [(30.0, -10.0), (100.0 - brown_mm, -10.0), (100.0 - brown_mm, 10.0), (30.0, 10.0)]
    leafy = [flat(green, 5.0, Part.GREEN)]
    if brown_mm:
        dead = [(100.0 - brown_mm, -10.0), (100.0, -10.0), (100.0, 10.0), (100.0 - brown_mm, 10.0)]
        leafy.append(flat(dead, 5.0, Part.BROWN))
    axis = np.column_stack([np.arange(0, 100.1, 0.25), np.zeros(401)])
    plan = CuttingPlan("scale", 100.0, 2.5, 30.0, "green", "olive", heel=heel)
    mesh = joined([round_stem(100.0, 2.5), *leafy])
    return Cutting(plan, mesh, axis, np.full(401, 1.25), np.full(401, 2.5), 1)


@pytest.mark.parametrize("angle_deg", [0.0, 12.0, 40.0, 75.0])
def test_crook_of_two_straight_pieces_is_their_angle(angle_deg: float) -> None:
    # the definition: chords of two neighbouring 12 mm lengths; both straight when they meet at the bend
    found, where_mm = crook(broken_line(30.0, 60.0, angle_deg))
    assert found == pytest.approx(angle_deg, abs=0.01)
    if angle_deg:
        assert where_mm == pytest.approx(30.0, abs=0.25)


def test_crook_of_an_arc_is_12_mm_over_its_radius() -> None:
    # neighbouring chords of equal arcs of a circle turn by the angle of one arc
    radius_mm = 80.0
    t = np.linspace(0, 100.0 / radius_mm, 800)
    arc = radius_mm * np.column_stack([np.sin(t), 1 - np.cos(t)])
    assert crook(arc)[0] == pytest.approx(np.degrees(12.0 / radius_mm), abs=0.01)


def test_crook_leaves_out_the_last_20_mm_and_the_heel() -> None:
    assert crook(broken_line(85.0, 15.0, 50.0))[0] == pytest.approx(0.0, abs=0.01)
    assert crook(broken_line(6.0, 90.0, 50.0), from_mm=6.0)[0] == pytest.approx(0.0, abs=0.01)


def test_crook_is_not_defined_where_two_chords_do_not_fit() -> None:
    assert np.isnan(crook(broken_line(20.0, 23.0, 30.0))[0])
    assert not np.isnan(crook(broken_line(20.0, 25.0, 30.0))[0])


def test_sweep_of_a_half_circle_is_one_half() -> None:
    t = np.linspace(0, np.pi, 2001)
    assert sweep(np.column_stack([np.cos(t), np.sin(t)]) * 30) == pytest.approx(0.5, abs=1e-4)


def test_straight_cutting() -> None:
    cutting = simple_cutting().laid((60.0, 90.0), 0.0)
    truth = cutting_truth(0, cutting, look_from_above(cutting))
    assert truth["total_length_mm"] == pytest.approx(100.0, abs=HUNDREDTH_MM)
    assert truth["straight_length_mm"] == pytest.approx(100.0, abs=HUNDREDTH_MM)
    assert truth["base_diameter_mm"] == pytest.approx(2.5)
    assert truth["base_clear"]
    assert truth["base_mat"] == pytest.approx([60.0, 90.0])
    assert truth["tip_mat"] == pytest.approx([160.0, 90.0])
    # the leaves' rectangle, and the bare stem before it; a cell may be won or lost along each edge
    assert truth["foliage_area_mm2"] == pytest.approx(70 * 20, rel=0.005)
    assert truth["silhouette_area_mm2"] == pytest.approx(70 * 20 + 30 * 2.5, rel=0.005)
    assert truth["foliage_seen_from_mm"] == pytest.approx(30.0, abs=0.3)
    assert truth["brown_fraction"] == 0.0


def test_browned_share_is_one_of_area() -> None:
    cutting = simple_cutting(brown_mm=21.0)
    truth = cutting_truth(0, cutting, look_from_above(cutting))
    assert truth["brown_fraction"] == pytest.approx(0.3, abs=0.005)


@pytest.mark.parametrize("angle_deg", [-90.0, 33.0, 170.0])
def test_nothing_depends_on_where_and_how_it_lies(angle_deg: float) -> None:
    here = simple_cutting()
    there = here.laid((120.3, 77.7), angle_deg)
    one, other = (cutting_truth(0, c, look_from_above(c)) for c in (here, there))
    a = np.radians(angle_deg)
    ahead = np.subtract(other["tip_mat"], other["base_mat"]) / 100.0
    assert ahead == pytest.approx([np.cos(a), np.sin(a)])
    for key in ("total_length_mm", "base_diameter_mm", "sweep_ratio"):
        assert other[key] == pytest.approx(one[key], abs=1e-6)
    assert other["foliage_area_mm2"] == pytest.approx(one["foliage_area_mm2"], rel=0.01)


def test_base_diameter_is_taken_above_the_heel() -> None:
    cutting = simple_cutting(heel=HeelPlan(6.0, 5.0, 30.0))
    _, start_mm, end_mm = base_width_mm(cutting)
    assert (start_mm, end_mm) == (9.0, 16.0)


def test_what_is_seen_is_the_upper_part() -> None:
    square = [(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0)]
    low, high = flat(square, 1.0, Part.WOOD), flat(square, 2.0, Part.GREEN)
    for order in ((low, high), (high, low)):
        cutting = Cutting(simple_cutting().plan, joined(order), np.zeros((2, 2)), np.zeros(2), np.zeros(2), 1)
        seen = look_from_above(cutting).parts
        assert (seen == int(Part.GREEN)).sum() * CELL_MM**2 == pytest.approx(16.0, rel=0.03)
        assert not (seen == int(Part.WOOD)).any()


def test_neighbours_by_distance() -> None:
    def at(x_mm: float) -> Seen:
        square = [(x_mm, 10.0), (x_mm + 5, 10.0), (x_mm + 5, 15.0), (x_mm, 15.0)]
        mesh = flat(square, 1.0, Part.WOOD)
        return look_from_above(
            Cutting(simple_cutting().plan, mesh, np.zeros((2, 2)), np.zeros(2), np.zeros(2), 1)
        )

    seen = [at(10.0), at(13.0), at(18.6), at(40.0)]
    assert neighbours(seen, (60.0, 40.0), 0.0) == [[1], [0], [], []]
    assert neighbours(seen, (60.0, 40.0), 1.0) == [[1], [0, 2], [1], []]


def test_joining_nothing_gives_nothing() -> None:
    assert joined([]) is EMPTY


TRUTHS = sorted(DEMO.glob("*.truth.json"))


def test_there_are_enough_demo_photos_each_with_its_truth() -> None:
    photos = {path.name.removesuffix(".jpg") for path in DEMO.glob("*.jpg")}
    assert photos == {path.name.removesuffix(".truth.json") for path in TRUTHS}
    assert len(photos) >= 8


@pytest.mark.parametrize("path", TRUTHS, ids=lambda p: p.name.removesuffix(".truth.json"))
def test_demo_photo(path: Path) -> None:
    photo = path.with_name(path.name.replace(".truth.json", ".jpg"))
    truth = json.loads(path.read_text(encoding="utf-8"))
    assert photo.stat().st_size < MOST_BYTES
    with Image.open(photo) as image:
        upright = truth["image_size"] if image.getexif()[0x0112] < 5 else truth["image_size"][::-1]
        assert list(image.size) == upright
        assert image.size[0] * image.size[1] == 4032 * 3024
    left, top, right, bottom = mat_layout("A4").lay_area_mm
    for cutting in truth["cuttings"]:
        rows, columns = np.nonzero(stored_mask(cutting))
        corner, cell = cutting["mask"]["origin_mat"], cutting["mask"]["px_mm"]
        x, y = columns * cell + corner[0], rows * cell + corner[1]
        assert x.min() > left
        assert x.max() + cell < right
        assert y.min() > top
        assert y.max() + cell < bottom
        # another count of the same area; cells exactly half covered count whole in the coarser one, which
        # makes thin foliage up to a tenth larger
        assert len(rows) * cell**2 == pytest.approx(cutting["silhouette_area_mm2"], rel=0.12)


@pytest.mark.parametrize("path", TRUTHS, ids=lambda p: p.name.removesuffix(".truth.json"))
def test_demo_cuttings_lie_apart_but_for_the_pair(path: Path) -> None:
    truth = json.loads(path.read_text(encoding="utf-8"))
    seen = []
    for cutting in truth["cuttings"]:
        fine = np.kron(stored_mask(cutting), np.ones((2, 2), int))
        seen.append(Seen(tuple(cutting["mask"]["origin_mat"]), np.where(fine, int(Part.WOOD), -1)))
    near = neighbours(seen, tuple(truth["mat_size_mm"]), GAP_MM)
    assert near == [cutting["overlaps"] for cutting in truth["cuttings"]]
    assert any(near) == ("overlapping pair" in truth["tags"])


def stored_mask(cutting: dict[str, Any]) -> np.ndarray:
    """The silhouette in a truth file."""
    data = base64.b64decode(cutting["mask"]["png_base64"])
    return np.asarray(Image.open(io.BytesIO(data)).convert("L")) > 127


def test_the_mask_is_the_half_covered_cells() -> None:
    seen = Seen((0.0, 0.0), np.array([[0, 0, 0, -1], [0, -1, -1, -1]]))
    assert mask_of(seen).tolist() == [[True, False]]
