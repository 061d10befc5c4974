"""Path tracing with Mitsuba through the exact lens, pixel by pixel: no picture is ever resampled.

Rays start from the distorted picture.  Samples are stratified, and most are spent where there is more
to see than plain lit paper.
"""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, uniform_filter

from .camera import Camera
from .scene import Stage, described

Picture = NDArray[np.float32]
Numbers = NDArray[np.uint32]

PATHS_AT_ONCE = 48_000_000
"""Bounds the memory of the graphics card: about 10 GB."""
SAMPLES_OF_ONE_PATH = 12.0
"""Single paths brighter than this, where lit paper is about 1, are dimmed: speckle."""
UNDISTORT_STEPS = 12
"""Fixed-point steps; good to a thousandth of a pixel for every lens of the sets."""
DARK, COLOURED = 0.72, 0.2
"""Darker than this share of the bright paper, or this much off its colour, is more than plain paper."""
BORDER_PX = 15
FINE_SEED = 7919


def trace(stage: Stage, camera: Camera, *, plain_samples: int, fine_samples: int, seed: int) -> Picture:
    """Return the photo (H, W, 3) in linear light.

    Every pixel gets ``plain_samples`` paths, those on or near plants, print and shadows ``fine_samples``
    more; both are rounded to square numbers, for they are laid out in a grid.
    """
    scene = mi.load_dict(described(stage))
    every = np.arange(camera.width_px * camera.height_px, dtype=np.uint32)
    light = _mean_light(scene, camera, every, plain_samples, seed)
    shape = (camera.height_px, camera.width_px, 3)
    if fine_samples:
        chosen = every[_is_busy(light.reshape(shape)).ravel()]
        fine = _mean_light(scene, camera, chosen, fine_samples, seed + FINE_SEED)
        share = fine_samples / (fine_samples + plain_samples)
        light[chosen] = (1 - share) * light[chosen] + share * fine
    return light.reshape(shape)


def _is_busy(light: Picture) -> NDArray[np.bool_]:
    """Return (H, W) where there is more than plain lit paper, and a little around it."""
    grey = uniform_filter(light.mean(axis=-1), 3)
    bright = np.quantile(grey, 0.8)
    colour = uniform_filter(np.ptp(light, axis=-1), 3)
    usual = np.median(colour[grey > DARK * bright])
    off = (grey < DARK * bright) | (np.abs(colour - usual) > COLOURED * bright)
    return np.asarray(maximum_filter(off, BORDER_PX))


def _mean_light(scene: Any, camera: Camera, pixels: Numbers, samples: int, seed: int) -> Picture:
    """Return (N, 3) mean light of pixels, given by their numbers in reading order."""
    integrator = mi.load_dict({"type": "path", "max_depth": 5, "hide_emitters": True})
    count = max(round(samples**0.5), 1) ** 2
    step = max(PATHS_AT_ONCE // count, 1)
    out = np.empty((len(pixels), 3), dtype=np.float32)
    for turn, start in enumerate(range(0, len(pixels), step)):
        part = pixels[start : start + step]
        sampler = mi.load_dict({"type": "multijitter", "sample_count": count})
        sampler.set_samples_per_wavefront(count)
        # every turn is another seed: the same seed would draw the same noise
        sampler.seed(seed * 1009 + turn, len(part) * count)
        path = dr.arange(mi.UInt32, len(part) * count) // count
        ray = _rays(camera, dr.gather(mi.UInt32, mi.UInt32(part), path), sampler.next_2d())
        light, _, _ = integrator.sample(scene, sampler, ray)
        # a path along a leaf's edge can end in nan: it counts as dark
        light = dr.select(dr.isfinite(light), dr.minimum(light, SAMPLES_OF_ONE_PATH), 0.0)
        sums = [dr.block_reduce(dr.ReduceOp.Add, one, count) for one in (light.x, light.y, light.z)]
        dr.eval(sums)
        out[start : start + step] = np.stack([np.asarray(one) for one in sums], axis=-1) / count
    return out


def _rays(camera: Camera, number: Any, jitter: Any) -> Any:
    """Return rays through pixels; pixel centres are whole numbers."""
    x0 = (mi.Float(number % camera.width_px) + jitter.x - 0.5 - camera.centre_px[0]) / camera.focal_px
    y0 = (mi.Float(number // camera.width_px) + jitter.y - 0.5 - camera.centre_px[1]) / camera.focal_px
    k1, k2, p1, p2 = camera.distortion
    x, y = x0, y0
    for _ in range(UNDISTORT_STEPS):
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + k2 * r2)
        x, y = (
            (x0 - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / radial,
            (y0 - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / radial,
        )
    turn = camera.turn.T
    direction = mi.Vector3f(*(turn[k, 0] * x + turn[k, 1] * y + turn[k, 2] for k in range(3)))
    origin = mi.Point3f(*(float(value) for value in camera.eye_mm))
    return mi.RayDifferential3f(mi.Ray3f(origin, dr.normalize(direction)))
