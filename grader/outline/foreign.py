"""Things on the paper that are neither paper nor plant, such as a pen: coloured, and not plant-like."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.plant import MAP_SHRINK
from grader.outline.shadow import ShadowSettings, find_shadow_colour, log_colour, shaded_paper
from grader.records import FlatView, Mask

Bits = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class ForeignSettings:
    """What counts as foreign."""

    shadow: ShadowSettings = field(default_factory=ShadowSettings)
    shadow_shrink: int = 2
    """The colour of shadows is found on cells larger by this factor (0.4 mm): less chroma noise of JPEG."""
    strange_colour: float = 3.0
    """Distance from the colours of shaded paper, in tolerances, from which something is not paper."""
    strange_brightness: float = -0.35
    """Log brightness below which colours are judged for that."""
    strange_share: float = 0.35
    """A thing is foreign if so much of it is coloured, but not like a plant."""
    least_area_mm2: float = 60.0
    """Smaller things are not mentioned: crumbs and needles."""


def foreign_things(
    view: FlatView, plant: Bits, lay: Mask, settings: ForeignSettings
) -> list[tuple[tuple[int, int], Mask]]:
    """Return the windows' corners (x, y) and the masks of things with any plant in contact, all in cells.

    Parameters
    ----------
    view : FlatView
    plant : (H/2, W/2) uint8
        1 in cells of the maps that show a plant.
    lay : (H/2, W/2) bool
        True inside the lay area.
    settings : ForeignSettings
    """
    mm2 = (view.mm_per_px * MAP_SHRINK) ** 2
    least_unlike = settings.least_area_mm2 * settings.strange_share / mm2
    small = view.reduced(MAP_SHRINK)
    level = cv2.transform(small, np.full((1, 3), 1 / 3, np.float32))
    unlike = (level < np.exp(settings.strange_brightness)) & (plant == 0) & lay
    if float(_opened(unlike).sum()) < least_unlike:
        return []
    at = np.flatnonzero(unlike)
    unlike.ravel()[at] = _is_strange(small.reshape(-1, 3).take(at, axis=0), small, settings)
    solid = _opened(unlike)
    if float(solid.sum()) < least_unlike:
        return []
    whole = cv2.morphologyEx(solid | plant, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(whole, connectivity=8)
    found = []
    for label in range(1, len(stats)):
        x, y, columns, rows, count = (int(value) for value in stats[label])
        if count * mm2 < settings.least_area_mm2:
            continue
        window = (slice(y, y + rows), slice(x, x + columns))
        mask = labels[window] == label
        if float(solid[window][mask].mean()) > settings.strange_share:
            found.append(((x, y), mask))
    return found


def _opened(mask: Mask) -> Bits:
    kernel = np.ones((3, 3), np.uint8)
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel), dtype=np.uint8)


def _is_strange(colours: NDArray[np.float32], small: NDArray[np.float32], settings: ForeignSettings) -> Mask:
    """Return for colours (N, 3) whether shaded paper cannot have them."""
    size = tuple(side // settings.shadow_shrink for side in small.shape[1::-1])
    smaller = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    shadow = find_shadow_colour(np.asarray(smaller, dtype=np.float32), settings.shadow)
    brightness, red, blue = (part[0] for part in log_colour(colours[None]))
    on_red, on_blue = shaded_paper(brightness, shadow, settings.shadow)
    off = np.hypot(
        (red - on_red) / settings.shadow.red_tolerance, (blue - on_blue) / settings.shadow.blue_tolerance
    )
    return np.asarray(off > settings.strange_colour)
