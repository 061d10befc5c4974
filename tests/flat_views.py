"""Flat views made of known light, and windows of real ones."""

from __future__ import annotations

import numpy as np

from grader.flat import FlatView, Linear, PaperLight, Window


def view_of_light(linear: np.ndarray, lay_mask: np.ndarray | None = None, mm_per_px: float = 0.1) -> FlatView:
    """Return the view (H, W, 3) of relative light up to 1, evenly lit, its codes rounded as in a photo."""
    height, width = linear.shape[:2]
    codes = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.abs(linear) ** (1 / 2.4) - 0.055)
    mask = np.ones((height, width), bool) if lay_mask is None else lay_mask
    return FlatView(
        np.round(np.clip(codes, 0, 1) * 255).astype(np.uint8),
        PaperLight(np.ones((2, 2, 3), np.float32), (width, height)),
        mask,
        mm_per_px,
        (0.0, 0.0),
        0.01,
    )


def linear_of_view(view: FlatView) -> Linear:
    """Return relative light (H, W, 3) of all of it."""
    return view.linear_in(view.whole)


def cropped(view: FlatView, window: Window, lay_mask: np.ndarray | None = None) -> FlatView:
    """Return a window as a view of its own, with the same light."""
    rgb = view.rgb[window]
    return FlatView(
        rgb,
        PaperLight(view.light.within(window), rgb.shape[1::-1]),
        view.lay_mask[window] if lay_mask is None else lay_mask,
        view.mm_per_px,
        (
            view.origin_mm[0] + window[1].start * view.mm_per_px,
            view.origin_mm[1] + window[0].start * view.mm_per_px,
        ),
        view.paper_noise,
    )
