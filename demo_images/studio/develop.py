"""From linear light to a phone's JPEG: blur, noise, tone, sharpening, EXIF."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Picture = NDArray[np.float32]

PAPER_TONE = 0.80
"""Linear value, before the tone curve, at which the camera's exposure puts the bright paper."""
PAPER_PERCENTILE = 90.0
MOST_BYTES = 2_900_000
"""A photo is compressed until it is smaller than this."""
LOWEST_QUALITY = 70
EXIF_ORIENTATION, EXIF_SOFTWARE, EXIF_IFD = 0x0112, 0x0131, 0x8769
EXIF_FOCAL_MM, EXIF_FOCAL_35MM, EXIF_DATE = 0x920A, 0xA405, 0x0132
SENSOR_DIAGONAL_MM = 9.5
"""Diagonal of the pretended sensor, for the focal length in EXIF."""
TURNED = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
"""How the upright picture is stored for each EXIF orientation."""


@dataclass(frozen=True, slots=True)
class Development:
    """What the phone does."""

    blur_px: float = 0.65
    """Standard deviation of lens and focus blur."""
    electrons: float = 9000.0
    """At full scale: sets the shot noise."""
    read_noise: float = 0.0012
    """Standard deviation, of full scale."""
    exposure: float = 1.0
    contrast: float = 0.25
    """0: plain sRGB; 1: a strong S curve."""
    saturation: float = 1.06
    sharpen: float = 0.45
    sharpen_px: float = 1.1
    quality: int = 93
    orientation: int = 1
    vignette: float = 0.10
    """Light lost in the corners."""


def develop(
    light: Picture, plan: Development, white: tuple[float, float, float], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return the 8 bit picture (H, W, 3) of linear light (H, W, 3)."""
    height, width = light.shape[:2]
    picture = cv2.GaussianBlur(light, (0, 0), plan.blur_px)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    away = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (width**2 + height**2) * 4
    picture = picture * (1 - plan.vignette * away)[..., None]
    scale = PAPER_TONE / np.percentile(picture[::8, ::8, 1], PAPER_PERCENTILE) * plan.exposure
    picture = np.maximum(picture * scale, 0.0).astype(np.float32)
    noise = rng.standard_normal(picture.shape, dtype=np.float32)
    picture += noise * np.sqrt(picture / plan.electrons + plan.read_noise**2)
    picture = picture * np.asarray(white, np.float32)
    # phones smooth chroma noise: keep fine detail in luminance only
    grey = picture @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    chroma = cv2.GaussianBlur(picture - grey[..., None], (0, 0), 0.9) * plan.saturation
    picture = np.clip(grey[..., None] + chroma, 0.0, None)
    picture = _tone(picture, plan.contrast)
    if plan.sharpen > 0:
        soft = cv2.GaussianBlur(picture, (0, 0), plan.sharpen_px)
        picture = picture + plan.sharpen * (picture - soft)
    return np.asarray(np.clip(picture * 255 + 0.5, 0, 255), np.uint8)


def _tone(linear: Picture, contrast: float) -> Picture:
    """Return display values 0 to 1: highlights rolled off, sRGB (IEC 61966-2-1), then a mild S."""
    knee = 0.82
    over = np.maximum(linear - knee, 0.0)
    rolled = np.where(linear > knee, knee + (1 - knee) * (1 - np.exp(-over / (1 - knee))), linear)
    coded = np.where(
        rolled <= 0.0031308, 12.92 * rolled, 1.055 * np.maximum(rolled, 1e-9) ** (1 / 2.4) - 0.055
    )
    smooth = coded * coded * (3 - 2 * coded)
    return np.asarray(coded + contrast * (smooth - coded), np.float32)


def jpeg_bytes(picture: NDArray[np.uint8], plan: Development, focal_35mm: float) -> bytes:
    """Return the JPEG with its EXIF; stored turned as its orientation says."""
    image = Image.fromarray(picture)
    turn = TURNED[plan.orientation]
    if turn is not None:
        image = image.transpose(turn)
    exif = Image.Exif()
    exif[EXIF_ORIENTATION] = plan.orientation
    exif[EXIF_SOFTWARE] = "made by the demo photo studio"
    more = exif.get_ifd(EXIF_IFD)
    more[EXIF_FOCAL_MM] = round(focal_35mm * SENSOR_DIAGONAL_MM / 43.267, 2)
    more[EXIF_FOCAL_35MM] = round(focal_35mm)
    for quality in range(plan.quality, LOWEST_QUALITY, -1):
        stream = io.BytesIO()
        image.save(stream, "JPEG", quality=quality, exif=exif, subsampling="4:2:0", optimize=True)
        if stream.tell() < MOST_BYTES:
            break
    return stream.getvalue()
