"""Things on the paper that are neither paper nor plant, such as a pen: coloured, and not plant-like."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.cells import WHOLE, LightOfCells, halved, relative_light
from grader.outline.plant import MAP_SHRINK
from grader.outline.shadow import ShadowColour, ShadowSettings, find_shadow_colour, log_colour, shaded_paper
from grader.records import FlatView, Mask

BESIDE = 5
"""Cells across within which a plant's rim mixes into those twice as large."""
Bits = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class ForeignSettings:
    """What counts as foreign."""

    shadow: ShadowSettings = field(default_factory=ShadowSettings)
    strange_colour: float = 3.0
    """Distance from the colours of shaded paper, in tolerances, from which something is not paper."""
    strange_brightness: float = -0.35
    """Log brightness below which colours are judged for that."""
    strange_share: float = 0.35
    """A thing is foreign if so much of it is coloured, but not like a plant."""
    least_area_mm2: float = 60.0
    """Smaller things are not mentioned: crumbs and needles."""
    first_look: float = 0.5
    """Share of the least strange area that must be seen at half the resolution, away from plants."""


def foreign_things(
    view: FlatView, light: LightOfCells, plant: Bits, lay: Mask, settings: ForeignSettings
) -> list[tuple[tuple[int, int], Mask]]:
    """Return the windows' corners (x, y) and the masks of things with any plant in contact, all in cells.

    Parameters
    ----------
    view : FlatView
    light : (>= H/2, >= W/2, 4) uint16
        Of its cells, see ``light_of_cells``.
    plant : (H/2, W/2) uint8
        1 in cells of the maps that show a plant.
    lay : (H/2, W/2) bool
        True inside the lay area.
    settings : ForeignSettings
    """
    mm2 = (view.mm_per_px * MAP_SHRINK) ** 2
    least_unlike = settings.least_area_mm2 * settings.strange_share / mm2
    shadow = _shadow_beside(view, halved(light), plant, lay, least_unlike, settings)
    if shadow is None:
        return []
    small = relative_light(light, view)[: plant.shape[0], : plant.shape[1]]
    unlike = _is_dark(small, settings) & (plant == 0) & lay
    _keep_strange(unlike, small, shadow, settings)
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


def _shadow_beside(
    view: FlatView,
    light: LightOfCells,
    plant: Bits,
    lay: Mask,
    least_unlike: float,
    settings: ForeignSettings,
) -> ShadowColour | None:
    """Return the colour of shadows, or None if nothing strange can lie on the tray.

    That is looked for on larger cells, which have less chroma noise of JPEG too.
    """
    small = relative_light(light, view)
    near = cv2.dilate(plant, np.ones((BESIDE, BESIDE), np.uint8))[::WHOLE, ::WHOLE]
    rows, columns = near.shape
    unlike = _is_dark(small, settings)[:rows, :columns] & (near == 0) & lay[::WHOLE, ::WHOLE]
    least = settings.first_look * least_unlike / WHOLE**2
    if np.count_nonzero(unlike) < least:
        return None
    shadow = find_shadow_colour(small, settings.shadow)
    _keep_strange(unlike, small[:rows, :columns], shadow, settings)
    return shadow if np.count_nonzero(unlike) >= least else None


def _is_dark(light: NDArray[np.float32], settings: ForeignSettings) -> Mask:
    level = cv2.transform(light, np.full((1, 3), 1 / 3, np.float32))
    return np.asarray(level < np.exp(settings.strange_brightness))


def _keep_strange(
    unlike: Mask, light: NDArray[np.float32], shadow: ShadowColour, settings: ForeignSettings
) -> None:
    """Leave of these places (H, W) those whose colour shaded paper cannot have."""
    rows, columns = np.nonzero(unlike)
    brightness, red, blue = (part[0] for part in log_colour(light[None, rows, columns]))
    on_red, on_blue = shaded_paper(brightness, shadow, settings.shadow)
    off = np.hypot(
        (red - on_red) / settings.shadow.red_tolerance, (blue - on_blue) / settings.shadow.blue_tolerance
    )
    unlike[rows, columns] = off > settings.strange_colour
