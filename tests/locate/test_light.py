"""Light on the paper: found around cuttings, and the same however large the window that is asked for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from grader.flat import FlatView, PaperLight, linear_of
from grader.locate.light import paper_light

SIZE_PX = (1214, 802)
"""Width, height: even, no multiple of four."""
COLOUR = np.array([0.62, 0.55, 0.41])


def true_light() -> np.ndarray:
    """Return the light (H, W, 3) of a lamp to one side."""
    x, y = np.meshgrid(np.linspace(-1, 1, SIZE_PX[0]), np.linspace(-1, 1, SIZE_PX[1]))
    return np.exp(0.15 * x - 0.1 * y - 0.08 * x * x - 0.05 * x * y)[..., None] * COLOUR


def codes_of(linear: np.ndarray) -> np.ndarray:
    srgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055)
    return np.round(np.clip(srgb, 0, 1) * 255).astype(np.uint8)


def tray(noise: float) -> np.ndarray:
    """Return the codes of a lit tray, a fifth of it covered."""
    rng = np.random.default_rng(2)
    linear = true_light() * (1.0 + rng.normal(0.0, noise, (*SIZE_PX[::-1], 1)))
    for k in range(8):
        linear[100:700, 60 + 140 * k : 90 + 140 * k] *= [0.1, 0.2, 0.08]
    return codes_of(linear)


def view(rgb: np.ndarray, light: PaperLight) -> FlatView:
    return FlatView(rgb, light, np.ones(rgb.shape[:2], bool), 0.1, (0.0, 0.0), 0.01)


@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_the_light_is_found_around_cuttings(noise: float) -> None:
    rgb = tray(noise)
    light, said = paper_light(rgb, np.ones(rgb.shape[:2], bool), 0.1)
    off = light.within((slice(0, SIZE_PX[1]), slice(0, SIZE_PX[0]))) / true_light() - 1.0
    assert abs(off.mean()) < 0.01  # the brighter part is looked at: noise makes it brighter still
    assert np.abs(off - off.mean()).max() < 0.02  # in the corners; everywhere else far less:
    assert np.abs(off - off.mean()).mean() < 0.004
    assert np.isfinite(said)


def test_no_paper_to_be_seen_is_no_crash() -> None:
    light, noise = paper_light(tray(0.0), np.zeros(SIZE_PX[::-1], bool), 0.1)
    assert np.isfinite(light.coarse).all() and np.isnan(noise)


@pytest.mark.parametrize(
    "window",
    [(slice(0, 802), slice(0, 1214)), (slice(13, 401), slice(7, 460)), (slice(790, 802), slice(3, 4))],
    ids=["all", "a part", "a sliver at the rim"],
)
@pytest.mark.parametrize("shrink", [1, 2])
def test_light_between_the_coarse_places(window: tuple[slice, slice], shrink: int) -> None:
    coarse = true_light()[10::20, 10::20].astype(np.float32)
    light = PaperLight(coarse, SIZE_PX)
    rows, columns = (max(1, (part.stop - part.start) // shrink) for part in window)
    window = tuple(
        slice(part.start, part.start + n * shrink) for part, n in zip(window, (rows, columns), strict=True)
    )
    # Second way: SciPy's linear interpolation at the centre of each pixel.
    places = [
        (part.start + (np.arange(n) + 0.5) * shrink) * coarse.shape[axis] / SIZE_PX[1 - axis] - 0.5
        for axis, (part, n) in enumerate(zip(window, (rows, columns), strict=True))
    ]
    at = np.meshgrid(*places, indexing="ij")
    expected = np.stack(
        [map_coordinates(coarse[..., k], at, order=1, mode="nearest") for k in range(3)], axis=-1
    )
    found = light.within(window, (rows, columns))
    assert found.shape == (rows, columns, 3)
    off = np.abs(found / expected - 1.0)
    assert off.max() < 0.003  # at the rim, where the light is held level all at once
    assert off[20:-20, 20:-20].max(initial=0.0) < 0.0005


def test_light_known_at_every_pixel_is_given_back() -> None:
    known = true_light().astype(np.float32)
    window = (slice(5, 300), slice(11, 460))
    assert np.allclose(PaperLight(known, SIZE_PX).within(window), known[window], rtol=1e-6)


def test_windows_and_the_reduced_view_are_light_over_that_of_paper() -> None:
    rgb, light = tray(0.0), PaperLight(true_light().astype(np.float32), SIZE_PX)
    window = (slice(200, 500), slice(0, 400))
    expected = linear_of(rgb[window]) / true_light()[window]
    assert np.abs(view(rgb, light).linear_in(window) - expected).max() < 1e-4
    half = view(rgb, light).reduced(2)
    assert half.shape == (SIZE_PX[1] // 2, SIZE_PX[0] // 2, 3)
    paper = half[:40]  # nothing lies there
    assert np.abs(paper - 1.0).max() < 0.01  # codes are steps of 0.9 % in light here, and are rounded twice
