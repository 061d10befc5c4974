"""A mat design -> SVG, PDF and PNG bytes.  Knows no computer vision."""

from __future__ import annotations

import io
import math
from xml.sax.saxutils import escape

import numpy as np
from fpdf import FPDF
from fpdf.prefs import ViewerPreferences
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from calib.design import MatDesign, Rect, Text, Triangle

POINT_MM = 25.4 / 72
INCH_MM = 25.4
OVERSAMPLE = 4
"""Text and arrows are drawn this much finer and averaged; squares are exact by area."""


def draw_svg(design: MatDesign) -> bytes:
    """Return the mat as SVG in true size."""
    width, height = design.layout.page_mm
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}" shape-rendering="geometricPrecision">',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
    ]
    for mark in design.marks:
        if isinstance(mark, Rect):
            fill = "#000" if mark.is_ink else "#fff"
            parts.append(
                f'<rect x="{mark.x_mm:.4f}" y="{mark.y_mm:.4f}" width="{mark.width_mm:.4f}" '
                f'height="{mark.height_mm:.4f}" fill="{fill}"/>'
            )
        elif isinstance(mark, Triangle):
            points = " ".join(f"{x:.4f},{y:.4f}" for x, y in mark.points_mm)
            parts.append(f'<polygon points="{points}"/>')
        else:
            parts.append(
                f'<text x="{mark.x_mm:.3f}" y="{mark.y_mm:.3f}" font-size="{mark.size_mm}" '
                f'font-family="Helvetica, Arial, sans-serif" text-anchor="{mark.anchor}" '
                f'transform="rotate({mark.turn_deg} {mark.x_mm:.3f} {mark.y_mm:.3f})">'
                f"{escape(mark.text)}</text>"
            )
    return ("\n".join([*parts, "</svg>"]) + "\n").encode()


def draw_pdf(design: MatDesign) -> bytes:
    """Return the mat as PDF: vector, true size, viewers told not to scale (ISO 32000 PrintScaling None)."""
    width, height = design.layout.page_mm
    pdf = FPDF(unit="mm", format=(min(width, height), max(width, height)))
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.set_title(f"Cutting mat {design.layout.mat_id}: print at 100 %")
    pdf.add_page(orientation="L" if width > height else "P")
    for mark in design.marks:
        if isinstance(mark, Rect):
            shade = 0 if mark.is_ink else 255
            pdf.set_fill_color(shade)
            pdf.rect(mark.x_mm, mark.y_mm, mark.width_mm, mark.height_mm, style="F")
        elif isinstance(mark, Triangle):
            pdf.set_fill_color(0)
            pdf.polygon(list(mark.points_mm), style="F")
        else:
            pdf.set_font("helvetica", size=mark.size_mm / POINT_MM)
            wide = pdf.get_string_width(mark.text)
            shift = {"start": 0.0, "middle": wide / 2, "end": wide}[mark.anchor]
            with pdf.rotation(-mark.turn_deg, x=mark.x_mm, y=mark.y_mm):
                pdf.text(mark.x_mm - shift, mark.y_mm, mark.text)
    return bytes(pdf.output())


def draw_png(design: MatDesign, dpi: float = 300.0) -> bytes:
    """Return the mat as greyscale PNG; a pixel on an edge is grey by the area covered."""
    page = raster(design, dpi)
    image = Image.fromarray(np.round(page * 255).astype(np.uint8))
    out = io.BytesIO()
    image.save(out, format="PNG", dpi=(dpi, dpi))
    return out.getvalue()


def raster(design: MatDesign, dpi: float) -> NDArray[np.float32]:
    """Return the page as reflectance (H, W), 1 paper, 0 ink."""
    scale = dpi / INCH_MM
    width, height = (round(side * scale) for side in design.layout.page_mm)
    page = np.ones((height, width), dtype=np.float32)
    for mark in design.marks:
        if isinstance(mark, Rect):
            _cover(page, mark, scale)
        elif isinstance(mark, Triangle):
            points = [(x * scale, y * scale) for x, y in mark.points_mm]
            _stamp(page, points, lambda draw, at: draw.polygon(at, fill=255))
        else:
            _write(page, mark, scale)
    return page


def _cover(page: NDArray[np.float32], rect: Rect, scale: float) -> None:
    spans = []
    for start, length, limit in (
        (rect.y_mm, rect.height_mm, page.shape[0]),
        (rect.x_mm, rect.width_mm, page.shape[1]),
    ):
        low, high = start * scale, (start + length) * scale
        first, last = max(0, math.floor(low)), min(limit, math.ceil(high))
        pixels = np.arange(first, last)
        covered = np.clip(np.minimum(pixels + 1, high) - np.maximum(pixels, low), 0, 1)
        spans.append((slice(first, last), covered.astype(np.float32)))
    (rows, down), (columns, across) = spans
    share = down[:, None] * across[None, :]
    ink = 0.0 if rect.is_ink else 1.0
    page[rows, columns] += share * (np.float32(ink) - page[rows, columns])


def _stamp(page: NDArray[np.float32], points_px: list[tuple[float, float]], paint: object) -> None:
    low = np.floor(np.min(points_px, axis=0)).astype(int) - 1
    high = np.ceil(np.max(points_px, axis=0)).astype(int) + 1
    size = (high - low) * OVERSAMPLE
    stamp = Image.new("L", (int(size[0]), int(size[1])), 0)
    at = [((x - low[0]) * OVERSAMPLE, (y - low[1]) * OVERSAMPLE) for x, y in points_px]
    paint(ImageDraw.Draw(stamp), at)  # type: ignore[operator]
    _blend(page, np.asarray(stamp, dtype=np.float32) / np.float32(255), (int(low[0]), int(low[1])))


def _write(page: NDArray[np.float32], mark: Text, scale: float) -> None:
    font = ImageFont.load_default(size=max(4.0, mark.size_mm * scale * OVERSAMPLE))
    left, top, right, bottom = font.getbbox(mark.text, anchor="ls")
    stamp = Image.new("L", (int(right - left) + 4 * OVERSAMPLE, int(bottom - top) + 4 * OVERSAMPLE), 0)
    origin = (2 * OVERSAMPLE - left, 2 * OVERSAMPLE - top)
    ImageDraw.Draw(stamp).text(origin, mark.text, font=font, fill=255, anchor="ls")
    wide = {"start": 0.0, "middle": (right - left) / 2, "end": float(right - left)}[mark.anchor]
    x = mark.x_mm * scale - (wide + origin[0] + left) / OVERSAMPLE
    y = mark.y_mm * scale - origin[1] / OVERSAMPLE
    size = (-(-stamp.width // OVERSAMPLE) * OVERSAMPLE, -(-stamp.height // OVERSAMPLE) * OVERSAMPLE)
    whole = Image.new("L", size, 0)
    whole.paste(stamp)
    _blend(page, np.asarray(whole, dtype=np.float32) / np.float32(255), (round(x), round(y)))


def _blend(page: NDArray[np.float32], fine: NDArray[np.float32], corner: tuple[int, int]) -> None:
    height, width = fine.shape[0] // OVERSAMPLE, fine.shape[1] // OVERSAMPLE
    share = fine.reshape(height, OVERSAMPLE, width, OVERSAMPLE).mean(axis=(1, 3), dtype=np.float32)
    x, y = corner
    x0, y0 = max(0, x), max(0, y)
    x1, y1 = min(page.shape[1], x + width), min(page.shape[0], y + height)
    if x1 > x0 and y1 > y0:
        page[y0:y1, x0:x1] *= 1 - share[y0 - y : y1 - y, x0 - x : x1 - x]
