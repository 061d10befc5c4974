"""Crops for learning: turned, mirrored and scaled, in other light, seen by other cameras.  Needs torch.

The learning photos come from few studios and cameras.  Each crop is therefore changed in
linear light in the ways in which a tray in a shed may differ: tone curve, colour of light and leaves, cast
shadows with sharp and soft edges, blur, sharpening, chroma blur, noise.  Paper stays about white, since
the flat view is relative to it.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from grader.outline.plant import BRIGHTEST, CODE_GAMMA

CROP_PX = 768
"""Side of a crop: 77 mm, most of a cutting with some paper."""
REACH_PX = 760
"""A turned and scaled crop needs so much around its centre."""
ON_PLANT_SHARE, AROUND_PX = 0.85, 250.0
"""So many crops lie within this of a plant, the others anywhere."""
SCALE_SIGMA = 0.15
"""Log scale of a crop: plants other than those learned from are smaller and larger."""
LEAST_CODE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class LearningPhoto:
    """One photo on the device that learns."""

    name: str
    code: Tensor
    """(3, H, W) uint8."""
    labels: Tensor
    """(7, H, W) uint8: plant, foliage, lay, bare axis, leafy axis, base, tip."""
    plant_px: NDArray[np.int64]
    """(P, 2) rows and columns of some pixels on plants."""


def random_crops(photos: list[LearningPhoto], count: int) -> tuple[Tensor, Tensor]:
    """Return crops (count, 3, CROP_PX, CROP_PX) and their labels (count, 7, ...), 0 to 1."""
    drawn = [_crop(random.choice(photos)) for _ in range(count)]
    return torch.cat([code for code, _ in drawn]), torch.cat([labels for _, labels in drawn])


def _crop(photo: LearningPhoto) -> tuple[Tensor, Tensor]:
    height, width = photo.code.shape[1:]
    if random.random() < ON_PLANT_SHARE:
        at = photo.plant_px[random.randrange(len(photo.plant_px))]
        row, column = (float(v) + random.uniform(-AROUND_PX, AROUND_PX) for v in at)
    else:
        row, column = random.uniform(0, height), random.uniform(0, width)
    turn, scale = random.uniform(0, 2 * math.pi), math.exp(random.gauss(0, SCALE_SIGMA))
    mirror = random.choice([-1, 1])
    cos, sin = scale * math.cos(turn), scale * math.sin(turn)
    top, left = max(0, int(row) - REACH_PX), max(0, int(column) - REACH_PX)
    bottom, right = min(height, int(row) + REACH_PX), min(width, int(column) + REACH_PX)
    if bottom - top < 50 or right - left < 50:  # nothing of the photo is in reach
        top, left, bottom, right = 0, 0, height, width
    window = (slice(None), slice(top, bottom), slice(left, right))
    rows, columns = bottom - top, right - left
    matrix = torch.tensor(
        [
            [
                mirror * cos * CROP_PX / columns,
                -sin * CROP_PX / columns,
                (2 * (column - left) + 1) / columns - 1,
            ],
            [mirror * sin * CROP_PX / rows, cos * CROP_PX / rows, (2 * (row - top) + 1) / rows - 1],
        ],
        dtype=torch.float32,
        device=photo.code.device,
    )
    grid = functional.affine_grid(matrix[None], [1, 1, CROP_PX, CROP_PX], align_corners=False)

    def cut(field: Tensor, padding: str) -> Tensor:
        part = field[window][None].float() / 255
        return functional.grid_sample(part, grid, mode="bilinear", padding_mode=padding, align_corners=False)

    return cut(photo.code, "reflection"), cut(photo.labels, "zeros")


def other_light_and_camera(code: Tensor) -> Tensor:
    """Return coded crops (B, 3, S, S) as another camera would see them in another light."""
    light = BRIGHTEST * code.clamp(LEAST_CODE, 1) ** CODE_GAMMA
    light = _cast_shadow(_other_colours(light))
    each, channel = _normal(light, 1), _normal(light, 3)
    light = _other_sharpness(light * torch.exp(each * 0.03 + channel * 0.015))
    code = (light.clamp(LEAST_CODE, BRIGHTEST) / BRIGHTEST) ** (1 / CODE_GAMMA)
    if random.random() < 0.45:  # phones sharpen what they store, some of them much
        fine = code - _blur(code, random.uniform(0.8, 2.2))
        code = (code + random.uniform(0.2, 2.0) * fine).clamp(0, 1)
    if random.random() < 0.5:  # JPEG stores colour more coarsely than brightness
        grey = code.mean(1, keepdim=True)
        code = grey + _blur(code - grey, random.uniform(0.7, 2.2))
    amount = _even(code) * 0.02
    code = code + torch.randn_like(code) * amount
    if random.random() < 0.5:  # noise that a camera has smoothed
        code = code + _blur(torch.randn_like(code), 1.0) * amount * 1.5
    return code.clamp(0, 1)


def _other_colours(light: Tensor) -> Tensor:
    """Return another tone curve, mixture of channels (white stays white) and saturation."""
    count, device = len(light), light.device
    light = light ** torch.exp(_normal(light, 1) * 0.12)
    mixture = torch.eye(3, device=device)[None] + torch.randn(count, 3, 3, device=device) * 0.07
    mixture = mixture / mixture.sum(2, keepdim=True)
    log = torch.einsum("bij,bjhw->bihw", mixture, light).clamp_min(1e-3).log()
    mean = log.mean(1, keepdim=True)
    contrast, saturation = torch.exp(_normal(light, 1) * 0.10), torch.exp(_normal(light, 1) * 0.25)
    return (mean * contrast + (log - mean) * saturation).exp()


def _cast_shadow(light: Tensor) -> Tensor:
    """Lay the shadow of a bar or an edge over three crops in ten, sharp or soft, a little blue."""
    size, device = light.shape[-1], light.device
    line = torch.linspace(-1, 1, size, device=device)
    down, right = torch.meshgrid(line, line, indexing="ij")
    turn = _even(light) * 2 * math.pi
    offset, wide = _even(light) * 1.6 - 0.8, _even(light) * 1.2 + 0.02
    away = torch.cos(turn) * right + torch.sin(turn) * down - offset
    soft = torch.exp(_even(light) * 4 - 6)
    shade = torch.sigmoid(away / soft) * torch.sigmoid((wide - away) / soft)
    shade = shade * (_even(light) < 0.3).float()
    blue = torch.tensor([-0.05, 0.0, 0.08], device=device).view(1, 3, 1, 1)
    ambient = (0.25 + 0.6 * _even(light)) * torch.exp(_normal(light, 3) * 0.08 + blue)
    return light * (1 - shade + shade * ambient)


def _other_sharpness(light: Tensor) -> Tensor:
    size = light.shape[-1]
    if random.random() < 0.5:
        light = _blur(light, random.uniform(0.4, 1.6))
    if random.random() < 0.15:  # a photo of fewer pixels
        factor = random.choice([0.5, 0.6, 0.75])
        small = functional.interpolate(light, scale_factor=factor, mode="bilinear", antialias=True)
        light = functional.interpolate(small, size=(size, size), mode="bilinear")
    return light


def _blur(picture: Tensor, sigma_px: float) -> Tensor:
    reach, n_channels = max(1, int(3 * sigma_px + 0.5)), picture.shape[1]
    at = torch.arange(-reach, reach + 1, device=picture.device).float()
    bell = torch.exp(-(at**2) / 2 / sigma_px**2)
    bell = bell / bell.sum()
    across = bell.view(1, 1, 1, -1).repeat(n_channels, 1, 1, 1)
    down = bell.view(1, 1, -1, 1).repeat(n_channels, 1, 1, 1)
    picture = functional.pad(picture, (reach, reach, 0, 0), mode="reflect")
    picture = functional.conv2d(picture, across, groups=n_channels)
    picture = functional.pad(picture, (0, 0, reach, reach), mode="reflect")
    return functional.conv2d(picture, down, groups=n_channels)


def _normal(like: Tensor, channels: int) -> Tensor:
    return torch.randn(len(like), channels, 1, 1, device=like.device)


def _even(like: Tensor) -> Tensor:
    return torch.rand(len(like), 1, 1, 1, device=like.device)
