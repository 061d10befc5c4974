"""How likely each pixel is plant: a small network on colours relative to paper and its shadows.

Every feature is relative to this photo's clean paper, and most of them to its shaded paper
(:mod:`grader.outline.shadow`), so that light and camera drop out.  The weights were learned from
pictures with known silhouettes by ``tests/studies/plant_likeness.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import cv2
import numpy as np

from grader.outline.shadow import Field, ShadowColour, ShadowSettings, log_colour, shaded_paper

FINE_PX = 0.8
"""Smoothing of the colours judged: single-pixel chroma noise of JPEG (0.1 mm pixels)."""
COARSE_PX = 4.0
"""Smoothing of the surroundings they are compared with."""
GRAIN_PX = 2.0
"""Window in which the scatter of brightness is taken: foliage is grainy, shadow is smooth."""
FAINTEST = -0.08
"""Log brightness above which a pixel is clean paper whatever its colour."""
LARGEST_FEATURE = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class PlantFields:
    """Per pixel of the flat view."""

    likeness: Field
    """(H, W) probability that this is plant, 0 on clean paper."""
    red: Field
    """(H, W) ln(R/G): above 0 is brown or red, below is green."""
    blue: Field
    """(H, W) ln(B/G)."""
    brightness: Field
    """(H, W) log brightness relative to clean paper."""


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Weights of the network: standardise, layers with ReLU, logistic output."""

    mean: Field
    scale: Field
    weights: tuple[Field, ...]
    biases: tuple[Field, ...]


@cache
def shipped_network() -> Network:
    """Return the weights that come with the package."""
    with files("grader.outline").joinpath("plant_likeness.npz").open("rb") as stream:
        stored = np.load(stream)
        n_layers = sum(name.startswith("weight") for name in stored.files)
        return Network(
            stored["mean"],
            stored["scale"],
            tuple(stored[f"weight{k}"] for k in range(n_layers)),
            tuple(stored[f"bias{k}"] for k in range(n_layers)),
        )


def features(linear: Field, shadow: ShadowColour, settings: ShadowSettings) -> Field:
    """Return the nine features (H, W, 9) of relative linear light (H, W, 3)."""
    fine = np.asarray(cv2.GaussianBlur(linear, (0, 0), FINE_PX), dtype=np.float32)
    coarse = np.asarray(cv2.GaussianBlur(linear, (0, 0), COARSE_PX), dtype=np.float32)
    brightness, red, blue = log_colour(fine)
    around, around_red, around_blue = log_colour(coarse)
    on_red, on_blue = shaded_paper(brightness, shadow, settings)
    mean = cv2.GaussianBlur(brightness, (0, 0), GRAIN_PX)
    square = cv2.GaussianBlur(brightness * brightness, (0, 0), GRAIN_PX)
    grain = np.sqrt(np.maximum(square - mean * mean, 0))
    stack = (
        brightness,
        red,
        blue,
        red - on_red,
        blue - on_blue,
        around - brightness,
        around_red - red,
        around_blue - blue,
        grain,
    )
    return np.asarray(np.stack(stack, axis=-1), dtype=np.float32)


def plant_fields(linear: Field, shadow: ShadowColour, settings: ShadowSettings) -> PlantFields:
    """Return plant likeness and colours of each pixel of relative linear light (H, W, 3)."""
    stack = features(linear, shadow, settings)
    judged = stack[..., 0] < FAINTEST
    likeness = np.zeros(stack.shape[:2], dtype=np.float32)
    likeness[judged] = _judge(stack[judged], shipped_network())
    return PlantFields(likeness, stack[..., 1], stack[..., 2], stack[..., 0])


def _judge(rows: Field, network: Network) -> Field:
    layer = (np.clip(rows, -LARGEST_FEATURE, LARGEST_FEATURE) - network.mean) / network.scale
    last = len(network.weights) - 1
    for k, (weight, bias) in enumerate(zip(network.weights, network.biases, strict=True)):
        layer = layer @ weight + bias
        if k < last:
            layer = np.maximum(layer, 0)
    return np.asarray(1 / (1 + np.exp(-np.clip(layer[:, 0], -30, 30))), dtype=np.float32)
