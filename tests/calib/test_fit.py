"""The fit recovers what made the points, and its uncertainty is honest.  No pictures here: points only."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.design import MatLayout, mat_layout
from calib.find import MatSighting
from calib.fit import MatFit, fit_plane
from calib.frames import PlaneMap, Points
from calib.model import PlaneModel
from tests.calib.mat_photos import PolynomialSheet, Shot, border_errors_mm, camera

SHOT = Shot(width_px=4032, height_px=3024, k1=0.04, k2=-0.02, p1=0.001, p2=-0.0005)
SIZE_PX = (SHOT.width_px, SHOT.height_px)
LAYOUT = mat_layout("A4")
NOISE_PX = 0.05
NOISES = (5, 6, 7, 8)
"""One draw of noise moves what is left of a bend by half."""


def sighting_of(points_px: Points, points_mm: Points, layout: MatLayout = LAYOUT) -> MatSighting:
    return MatSighting(
        layout, (), points_px, points_mm, np.zeros_like(points_mm), 0.06, len(points_mm), repeated_ids=()
    )


def fitted(truth: PlaneMap, seed: int, noise_px: float = NOISE_PX) -> MatFit:
    noise = np.random.default_rng(seed).normal(0, noise_px, LAYOUT.saddles_mm.shape)
    seen = truth.px_from_mm(LAYOUT.saddles_mm) + noise
    return fit_plane(sighting_of(seen, LAYOUT.saddles_mm), SIZE_PX, SHOT.focal_35mm, LAYOUT.lay_area_mm)


def bent(truth: PlaneMap, height_mm: dict[tuple[int, int], float]) -> PlaneMap:
    return replace(truth, bend=PolynomialSheet(LAYOUT.page_mm, height_mm))


def test_perfect_points_give_the_map_back() -> None:
    truth = camera(LAYOUT.page_mm, SHOT)
    fit = fitted(truth, 0, noise_px=0.0)
    # What is usual of lenses pulls at the terms a little, so not quite zero.
    assert border_errors_mm(fit.plane, truth, LAYOUT).max() < 0.002
    assert fit.curl_mm == 0.0


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 30.0])
def test_the_stated_uncertainty_holds(tilt_deg: float) -> None:
    truth = camera(LAYOUT.page_mm, replace(SHOT, tilt_deg=tilt_deg, fill=0.8))
    errors, stated = [], []
    for seed in range(12):
        fit = fitted(truth, seed)
        errors.append(border_errors_mm(fit.plane, truth, LAYOUT))
        stated.append(fit.position_sigma_mm)
    # Stated is the largest sigma of a coordinate in the area; errors are of both coordinates together.
    assert np.sqrt(np.mean(np.square(errors))) < math.sqrt(2) * np.mean(stated)
    assert np.max(errors) > 0.5 * np.mean(stated), "not stated larger than needed"


def test_points_moved_by_a_leaf_are_left_out() -> None:
    truth = camera(LAYOUT.page_mm, SHOT)
    seen = truth.px_from_mm(LAYOUT.saddles_mm)
    rng = np.random.default_rng(3)
    moved = rng.choice(len(seen), len(seen) // 5, replace=False)
    seen += rng.normal(0, NOISE_PX, seen.shape)
    seen[moved] += rng.uniform(2, 9, (len(moved), 2))
    fit = fit_plane(sighting_of(seen, LAYOUT.saddles_mm), SIZE_PX, SHOT.focal_35mm, LAYOUT.lay_area_mm)
    assert fit.n_used == len(seen) - len(moved)
    assert border_errors_mm(fit.plane, truth, LAYOUT).max() < 0.02


@pytest.mark.parametrize(
    "height_mm",
    [
        {(2, 0): 2.0},
        {(0, 2): 3.0},
        {(1, 1): -1.5},
        {(2, 1): 1.5, (2, 0): 0.5},
        {(3, 0): 1.0, (0, 3): -1.0},
    ],
    ids=str,
)
def test_a_bent_sheet_is_noticed_and_allowed_for(
    height_mm: dict[tuple[int, int], float], monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = bent(camera(LAYOUT.page_mm, SHOT), height_mm)
    errors = []
    for seed in NOISES:
        fit = fitted(truth, seed)
        errors.append(border_errors_mm(fit.plane, truth, LAYOUT))
        assert fit.curl_mm > 0.4
        assert errors[-1].max() < 0.05
        assert errors[-1].max() < 4 * fit.position_sigma_mm
    monkeypatch.setattr("calib.fit.BENT_RATIO", math.inf)
    if_flat = [border_errors_mm(fitted(truth, seed).plane, truth, LAYOUT) for seed in NOISES]
    assert np.mean(errors) < 0.5 * np.mean(if_flat)


def test_a_shallow_wave_that_a_lens_could_make_too_stays_within_the_stated_uncertainty() -> None:
    """Down and up again along the page: the fit puts half of it down to the lens."""
    truth = bent(camera(LAYOUT.page_mm, SHOT), {(4, 0): 1.0, (2, 0): -0.8})
    fits = [fitted(truth, seed) for seed in NOISES]
    errors = np.array([border_errors_mm(fit.plane, truth, LAYOUT) for fit in fits])
    stated = np.mean([fit.position_sigma_mm for fit in fits])
    assert np.sqrt(np.mean(errors**2)) < 1.25 * math.sqrt(2) * stated
    assert errors.max() < 0.08


def test_a_flat_sheet_is_not_called_bent() -> None:
    truth = camera(LAYOUT.page_mm, SHOT)
    assert max(fitted(truth, seed).curl_mm for seed in range(8)) < 0.3


def test_edges_grown_by_ink_are_told_and_do_not_move_the_map() -> None:
    truth = camera(LAYOUT.page_mm, SHOT)
    growth_mm = 0.12
    drawn = np.concatenate(list(LAYOUT.markers.values()))
    centres = np.repeat([c.mean(axis=0) for c in LAYOUT.markers.values()], 4, axis=0)
    outward = np.sign(drawn - centres)
    seen = truth.px_from_mm(drawn + growth_mm * outward)
    sighting = replace(sighting_of(seen, drawn), outward_mm=outward)
    fit = fit_plane(sighting, SIZE_PX, SHOT.focal_35mm, LAYOUT.lay_area_mm)
    assert fit.growth_mm == pytest.approx(growth_mm, abs=0.003)
    assert border_errors_mm(fit.plane, truth, LAYOUT).max() < 0.005


def test_too_few_points_are_an_error() -> None:
    truth = camera(LAYOUT.page_mm, SHOT)
    few = LAYOUT.saddles_mm[:5]
    with pytest.raises(ValueError, match="at least 6 points"):
        fit_plane(sighting_of(truth.px_from_mm(few), few), SIZE_PX, math.nan, LAYOUT.lay_area_mm)


@pytest.mark.parametrize("is_bent", [False, True])
def test_written_out_slopes_are_those_of_differences(is_bent: bool) -> None:
    truth = camera(LAYOUT.page_mm, SHOT)
    rng = np.random.default_rng(7)
    grown = replace(
        sighting_of(truth.px_from_mm(LAYOUT.saddles_mm), LAYOUT.saddles_mm),
        outward_mm=rng.normal(0.0, 1.0, LAYOUT.saddles_mm.shape),
    )
    model = PlaneModel.of(grown, SIZE_PX)
    model = model.bent(truth.eye_mm) if is_bent else model
    params = model.start()
    params[8:] = rng.normal(0.0, 0.05, len(params) - 8)
    keep = rng.random(len(LAYOUT.saddles_mm)) < 0.8
    slopes = model.residual_slopes(params, keep)
    for k, step in enumerate(1e-6 * np.eye(len(params))):
        apart = (model.residuals(params + step, keep) - model.residuals(params - step, keep)) / 2e-6
        # By how much edges grow (number 12), the slope of a bend is left out.
        rel = 0.01 if is_bent and k == 12 else 1e-5
        assert np.abs(slopes[:, k] - apart).max() < rel * np.abs(apart).max()


@pytest.mark.parametrize("is_bent", [False, True])
def test_fiducials_lie_where_the_map_of_the_same_parameters_puts_them(is_bent: bool) -> None:
    truth = camera(LAYOUT.page_mm, SHOT)
    seen = sighting_of(truth.px_from_mm(LAYOUT.saddles_mm), LAYOUT.saddles_mm)
    model = PlaneModel.of(seen, SIZE_PX)
    model = model.bent(truth.eye_mm) if is_bent else model
    params = model.start()
    params[8:] = np.random.default_rng(3).normal(0.0, 0.05, len(params) - 8)
    # Second way: the map that is handed over.
    expected = model.plane(params).px_from_mm(LAYOUT.saddles_mm)
    assert np.abs(model.px(params) - expected).max() < 1e-8
