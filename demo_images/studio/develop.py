"""From linear light to the JPEG that a phone would write.

In the order of a camera: fall-off towards the corners, blur of lens and sensor, exposure, photon and
read noise, white balance, noise reduction, tone curve on the sRGB gamma, sharpening, 8 bit, JPEG.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from .camera import Camera

Pixels = NDArray[np.float32]

ORIENTATION = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: np.rot90(a, 2).swapaxes(0, 1),
    8: lambda a: np.rot90(a, -1),
}
"""EXIF orientation -> stored picture from upright one."""
MAKE, MODEL = "Studio", "Path-traced demo"


@dataclass(frozen=True, slots=True)
class DevelopPlan:
    """The camera's processing."""

    exposure: float = 0.72
    """Linear light that paper ends at, 1 is clipping."""
    blur_px: float = 0.62
    """Standard deviation of the lens and sensor blur."""
    photons: float = 5200.0
    """Counted at full white: sets the shot noise."""
    read_noise: float = 0.0012
    falloff: float = 0.10
    """Darkening at the far corner."""
    smooth_px: float = 0.35
    """Standard deviation of the noise reduction."""
    contrast: float = 0.025
    """Depth of the S of the tone curve."""
    sharpen: float = 0.35
    sharpen_px: float = 1.1
    quality: int = 92
    orientation: int = 1


def develop(
    light: Pixels, plan: DevelopPlan, white: tuple[float, float, float], paper_level: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return the upright (H, W, 3) 8-bit sRGB picture of linear light in which paper is ``paper_level``."""
    height, width = light.shape[:2]
    y, x = np.ogrid[-1.0 : 1.0 : height * 1j, -1.0 : 1.0 : width * 1j]
    shading = (1.0 - plan.falloff * ((x * x + y * y) / 2.0) ** 1.2).astype(np.float32)
    level = light * (plan.exposure / paper_level) * shading[..., None]
    out = np.empty_like(level)
    for channel in range(3):
        value = gaussian_filter(level[..., channel], plan.blur_px)
        spread = np.sqrt(np.maximum(value, 0) / plan.photons + plan.read_noise**2)
        value = value + spread * rng.standard_normal(value.shape, dtype=np.float32)
        out[..., channel] = gaussian_filter(value / white[channel], plan.smooth_px)
    coded = tone(np.clip(out, 0.0, 1.0), plan.contrast)
    for channel in range(3):
        coded[..., channel] += plan.sharpen * (coded[..., channel] - gaussian_filter(coded[..., channel], plan.sharpen_px))
    return np.round(np.clip(coded, 0.0, 1.0) * 255).astype(np.uint8)


def tone(linear: Pixels, contrast: float) -> Pixels:
    """Return the sRGB value (IEC 61966-2-1) of linear light, with an S-shaped contrast on top."""
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-6) ** (1 / 2.4) - 0.055)
    return np.asarray(coded - contrast * np.sin(2 * np.pi * coded), dtype=np.float32)


def paper_level(light: Pixels, camera: Camera, sheet_mm: tuple[float, float]) -> float:
    """Return the light of well-lit paper: a high quantile over the middle of the sheet."""
    half = np.array(sheet_mm) * 0.42
    u, v = np.meshgrid(np.linspace(-1, 1, 80), np.linspace(-1, 1, 60))
    points = np.column_stack([u.ravel() * half[0], v.ravel() * half[1], np.zeros(u.size)])
    px = np.round(camera.px_from_world(points)).astype(int)
    keep = (px >= 0).all(axis=1) & (px < np.array(camera.size_px)).all(axis=1)
    seen = light[px[keep, 1], px[keep, 0]]
    return float(np.quantile(seen.mean(axis=-1), 0.85))


def jpeg(
    upright: NDArray[np.uint8], plan: DevelopPlan, *, focal_35mm: float, taken_at: datetime, largest_bytes: int
) -> bytes:
    """Return the file: JPEG with the EXIF a phone writes; quality falls until it is small enough."""
    stored = Image.fromarray(np.ascontiguousarray(ORIENTATION[plan.orientation](upright)))
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = MAKE, MODEL
    exif[0x0112] = plan.orientation
    exif[0x0132] = taken_at.strftime("%Y:%m:%d %H:%M:%S")
    details = exif.get_ifd(0x8769)
    details[0x9003] = taken_at.strftime("%Y:%m:%d %H:%M:%S")
    details[0x829A], details[0x829D], details[0x8827] = 1 / 120, 1.8, 80
    details[0x920A], details[0xA405] = round(focal_35mm * 0.165, 2), round(focal_35mm)
    quality = plan.quality
    while True:
        out = io.BytesIO()
        stored.save(out, format="JPEG", quality=quality, subsampling=2 if quality < 94 else 0, exif=exif, optimize=True)
        if out.tell() <= largest_bytes or quality <= 70:
            return out.getvalue()
        quality -= 2
