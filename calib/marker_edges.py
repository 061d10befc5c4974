"""Sub-pixel corners of a marker from straight lines fitted to its four outer edges."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Points

SAMPLES = 40
"""Profiles across each edge."""
KEEP_SHARE = (0.08, 0.92)
"""Stretch of the edge that is used: its ends are rounded by blur."""
LINEAR = np.where(
    np.arange(256) / 255 <= 0.04045,
    np.arange(256) / 255 / 12.92,
    ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4,
)
"""Linear light of an sRGB code (IEC 61966-2-1:1999): half height is only half way in linear light."""


def refined_corners(gray: NDArray[np.uint8], rough_px: Points) -> tuple[Points, NDArray[np.bool_]]:
    """Return corners (4, 2) px where fitted edges meet, and which of them can be trusted."""
    lines = [_edge_line(gray, rough_px[k], rough_px[(k + 1) % 4]) for k in range(4)]
    corners = rough_px.copy()
    good = np.zeros(4, dtype=bool)
    for k in range(4):
        before, after = lines[k - 1], lines[k]
        if before is None or after is None:
            continue
        normals = np.array([before[:2], after[:2]])
        if abs(float(np.linalg.det(normals))) < 0.2:
            continue
        corners[k] = np.linalg.solve(normals, np.array([before[2], after[2]]))
        side = float(np.hypot(*(rough_px[(k + 1) % 4] - rough_px[k])))
        good[k] = np.hypot(*(corners[k] - rough_px[k])) < max(3.0, 0.08 * side)
    return corners, good


def _edge_line(gray: NDArray[np.uint8], start_px: Points, end_px: Points) -> Points | None:
    """Return (nx, ny, c) of the line n.x = c through the half-height points of one edge."""
    along = end_px - start_px
    length = float(np.hypot(*along))
    if length < 8:
        return None
    along = along / length
    normal = np.array([along[1], -along[0]])  # points out of the marker: corners run clockwise
    reach = float(np.clip(0.075 * length, 3.0, 8.0))  # less than a module of the border
    offsets = np.arange(-reach, reach + 0.01, 0.25)
    places = np.linspace(*KEEP_SHARE, SAMPLES)
    base = start_px + np.outer(places * length, along)
    at = (base[:, None, :] + offsets[None, :, None] * normal).astype(np.float32)
    codes = cv2.remap(gray, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profiles = LINEAR[codes]
    quarter = max(2, len(offsets) // 6)
    dark, light = profiles[:, :quarter].mean(axis=1), profiles[:, -quarter:].mean(axis=1)
    contrast = light - dark
    usable = contrast > 0.5 * np.median(contrast)
    if usable.sum() < SAMPLES // 3 or np.median(contrast) < 0.03:
        return None
    share = (profiles - dark[:, None]) / np.maximum(contrast, 1e-6)[:, None]
    above = share > 0.5
    first = np.maximum(above.argmax(axis=1), 1)
    rows = np.arange(len(share))
    low, high = share[rows, first - 1], share[rows, first]
    crossing = offsets[first - 1] + 0.25 * (0.5 - low) / np.maximum(high - low, 1e-6)
    points = base + crossing[:, None] * normal
    keep = usable & above.any(axis=1) & ~above[:, 0]
    for _ in range(3):
        if keep.sum() < SAMPLES // 3:
            return None
        centre = points[keep].mean(axis=0)
        direction = np.linalg.svd(points[keep] - centre, full_matrices=False)[2][0]
        across = np.array([direction[1], -direction[0]])
        distance = (points - centre) @ across
        scatter = max(1.4826 * float(np.median(np.abs(distance[keep]))), 0.03)
        keep = keep & (np.abs(distance) < 3 * scatter)
    return np.array([across[0], across[1], float(across @ centre)])
