"""Where the edge of a card lies in profiles across it, in linear light.

A card darkens the paper beside it: the profile is a ramp there, and half height reads too wide.  So
profiles are fitted with a model: the card's colour with a level and a slope, a blurred step, then the
paper's colour with a level and shapes of shadow.  Only the place of the step and the blur are searched;
the rest follows by linear least squares (variable projection; Golub and Pereyra 1973).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from grader.records import Mask, Values

BLURS_PX = (0.5, 0.7, 0.9, 1.2, 1.6, 2.2, 3.0)
"""Standard deviations of blur that are tried."""
SEARCH_STEP_MM = 0.02
BESIDE_MM = 0.1
"""So far beyond the places searched there is only card, or only paper."""
LEAST_SPAN_PX = 4.0
"""In small photos the model reaches so many pixels, so that the step has levels on both sides."""
FINE_MM = 0.01
"""Step of the shapes before they are blurred."""
SHADOW_MM = 0.76
"""Height of the wall that hides part of the sky from the paper: light grows as u / hypot(u, height)."""
RIM_MM = 0.12
"""The rim is rounded and takes light of its own over about so much."""
RIDGE = 1e-9
"""Relative to the trace: keeps equations solvable where a card has the colour of paper."""
DARK = 0.1
"""Light, paper = 1, below which differences count no more: edges in shadow weigh as much as lit ones."""
LEAST_STEP = 0.02
"""The same: a smaller step may be paper texture or JPEG blocks."""
ROUGH_BLUR_MM = 0.15
"""Gaussian with which the steepest change is looked for at first."""


@dataclass(frozen=True, slots=True)
class EdgeModel:
    """How far a model reaches to both sides of the step, and of what it is made."""

    inside_mm: float
    outside_mm: float
    has_rim: bool
    has_ramp: bool


WIDE = EdgeModel(0.5, 0.8, has_rim=True, has_ramp=True)
"""Finds the step where it is known roughly only; reads it too far out beside a hard shadow."""
NEAR = EdgeModel(0.4, 0.35, has_rim=False, has_ramp=False)
"""Looks at the step alone, so that the form of the shadow further off does not matter."""


@dataclass(frozen=True, slots=True, eq=False)
class EdgeFit:
    """The edge in each of N profiles."""

    off_mm: Values
    """(N,) from the place searched, outward positive; nan where none is clear."""
    beside: Values
    """(N,) light of the paper where it meets the card, lit paper = 1."""
    blur_px: float
    """Standard deviation; nan if it was not fitted."""


def fit_edges(
    profiles: Values,
    across_mm: Values,
    reach_mm: float,
    px_per_mm: float,
    model: EdgeModel,
    blurs_px: Sequence[float] = BLURS_PX,
) -> EdgeFit:
    """Return the place of the step in each profile.

    Parameters
    ----------
    profiles : (N, U, 3)
        Linear light from the card outward, lit paper = 1.
    across_mm : (U,)
        Distance from the line searched, outward positive.
    reach_mm : float
        The edge is looked for so far to either side.
    blurs_px : sequence of float
        Standard deviations that are tried; the best for all profiles together counts.
    """
    least_mm = LEAST_SPAN_PX / px_per_mm
    low = -reach_mm - max(model.inside_mm, least_mm)
    high = reach_mm + max(model.outside_mm, least_mm)
    window = (across_mm > low) & (across_mm < high)
    u, values = across_mm[window], profiles[:, window]
    weight = 1.0 / (np.median(values.mean(axis=2), axis=0) + DARK)
    mixed = _Mixed.of(values * weight[:, None], *_colours(values, u, reach_mm))
    places = np.arange(-reach_mm, reach_mm + SEARCH_STEP_MM / 2, SEARCH_STEP_MM)
    fits = []
    for blur_px in blurs_px:
        shapes = _Shapes.of(model, blur_px / px_per_mm)
        solved = [mixed.solved(*(shape * weight for shape in shapes.at(u - place))) for place in places]
        misfit = np.stack([each[0] for each in solved], axis=1)
        fits.append((float(np.median(misfit.min(axis=1))), blur_px, misfit, solved))
    _, blur_px, misfit, solved = min(fits, key=lambda fit: fit[0])
    rows, best = np.arange(len(values)), misfit.argmin(axis=1)
    step = np.stack([each[1] for each in solved], axis=1)[rows, best]
    beside = np.stack([each[2] for each in solved], axis=1)[rows, best]
    clear = np.abs(step).max(axis=1) > LEAST_STEP
    return EdgeFit(np.where(clear, _lowest(misfit, places), np.nan), beside, blur_px)


def steepest(profiles: Values, across_mm: Values, reach_mm: float) -> EdgeFit:
    """Return where the logarithm of each profile (N, U, 3) changes most: rough, but sure from further off."""
    sample_mm = float(across_mm[1] - across_mm[0])
    log = np.log(np.maximum(profiles, 0.0) + DARK)
    slope = gaussian_filter1d(log, ROUGH_BLUR_MM / sample_mm, axis=1, order=1, mode="nearest")
    change = np.linalg.norm(slope, axis=2) * (np.abs(across_mm) <= reach_mm)
    best = change.argmax(axis=1)
    is_clear = change.max(axis=1) * ROUGH_BLUR_MM / sample_mm > LEAST_STEP / 3
    return EdgeFit(np.where(is_clear, across_mm[best], np.nan), np.ones(len(profiles)), float("nan"))


def _colours(values: Values, u: Values, reach_mm: float) -> tuple[Values, Values]:
    """Return the colour (N, 3) of the card and of the paper beside it, each where only it can be."""
    card = values[:, u < -reach_mm - BESIDE_MM].mean(axis=1)
    paper = values[:, u > reach_mm + BESIDE_MM].mean(axis=1)
    return card, np.broadcast_to(np.median(paper, axis=0), card.shape)


@dataclass(frozen=True, slots=True, eq=False)
class _Shapes:
    """How light may run across the edge: over the card (level first), over the paper (level last)."""

    fine_mm: Values
    card: Values
    paper: Values

    @classmethod
    def of(cls, model: EdgeModel, blur_mm: float) -> _Shapes:
        fine = np.arange(-4.0, 4.0, FINE_MM) + FINE_MM / 2
        paper = (fine > 0).astype(np.float64)
        card, away = 1.0 - paper, np.maximum(fine, 0.0)
        over_card = [card, card * fine]
        if model.has_rim:
            over_card.append(card * np.exp(np.minimum(fine, 0.0) / RIM_MM))
        shadow = away / np.hypot(away, SHADOW_MM)
        over_paper = [away, shadow, paper] if model.has_ramp else [away, paper]

        def blurred(shapes: list[Values]) -> Values:
            return np.asarray(gaussian_filter1d(np.stack(shapes), blur_mm / FINE_MM, axis=1, mode="nearest"))

        return cls(fine, blurred(over_card), blurred(over_paper))

    def at(self, u: Values) -> tuple[Values, Values]:
        """Return both (shapes, U) at distances from the edge."""
        card = np.stack([np.interp(u, self.fine_mm, shape) for shape in self.card])
        paper = np.stack([np.interp(u, self.fine_mm, shape) for shape in self.paper])
        return card, paper


@dataclass(frozen=True, slots=True, eq=False)
class _Mixed:
    """Profiles as mixtures of two colours: what the normal equations of all of them need."""

    along_card: Values
    """(N, U) profiles times the card's colour."""
    along_paper: Values
    products: Values
    """(N, 2, 2) of the two colours."""
    power: Values
    """(N,) sum of squares."""
    card: Values
    paper: Values

    @classmethod
    def of(cls, values: Values, card: Values, paper: Values) -> _Mixed:
        colours = np.stack([card, paper], axis=1)
        return cls(
            along_card=np.einsum("nuc,nc->nu", values, card),
            along_paper=np.einsum("nuc,nc->nu", values, paper),
            products=np.einsum("nic,njc->nij", colours, colours),
            power=np.einsum("nuc,nuc->n", values, values),
            card=card,
            paper=paper,
        )

    def solved(self, over_card: Values, over_paper: Values) -> tuple[Values, Values, Values]:
        """Return the misfit (N,), the step (N, 3) at the edge and the paper's light (N,) there.

        Paper cannot be darker than black: where its level would be negative, it is zero.
        """
        shapes = np.concatenate([over_card, over_paper])
        kind = np.repeat([0, 1], [len(over_card), len(over_paper)])
        normal = self.products[:, kind[:, None], kind[None, :]] * (shapes @ shapes.T)
        normal = normal + np.eye(len(shapes)) * RIDGE * np.trace(normal, axis1=1, axis2=2)[:, None, None]
        right = np.concatenate([self.along_card @ over_card.T, self.along_paper @ over_paper.T], axis=1)
        levels = _solved(normal, right)
        dark = levels[:, -1] < 0
        if dark.any():
            levels[dark, :-1] = _solved(normal[dark, :-1, :-1], right[dark, :-1])
            levels[dark, -1] = 0.0
        misfit = self.power - 2 * np.sum(levels * right, axis=1)
        misfit = misfit + np.einsum("ni,nij,nj->n", levels, normal, levels)
        paper = levels[:, -1:] * self.paper
        return misfit, paper - levels[:, :1] * self.card, paper.mean(axis=1)


def _solved(normal: Values, right: Values) -> Values:
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])


def _lowest(misfit: Values, places: Values) -> Values:
    """Return the place of the least misfit of each row, between samples; nan at the ends of the search."""
    best = misfit.argmin(axis=1)
    inside: Mask = (best > 0) & (best < len(places) - 1)
    rows, inner = np.arange(len(misfit)), np.clip(best, 1, len(places) - 2)
    before, at, after = misfit[rows, inner - 1], misfit[rows, inner], misfit[rows, inner + 1]
    bend = np.maximum(before - 2 * at + after, 1e-18)
    found = places[inner] + np.clip(0.5 * (before - after) / bend, -1, 1) * SEARCH_STEP_MM
    return np.where(inside, found, np.nan)
