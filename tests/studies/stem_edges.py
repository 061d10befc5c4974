"""Fit how the three kinds of stem edge give the diameter (``grader/shape/edges.py``).

Run by hand on folders of NAME.jpg + NAME.truth.json::

    python -m tests.studies.stem_edges TRAYS/a TRAYS/b renders/dev --leave-out print097_card

Light, colour and the probability of plant each give an edge on either side, too far out or in by a
bias in photo pixels or mm.  A robust line through the errors of each kind against the size of a photo
pixel gives its biases (the constants in use are such figures, rounded by hand after comparing the errors of
the diameter over a few of them).  Then the ways to make one edge of three are compared, and the
uncertainty of a width is checked: how many true diameters lie within 1.96 of it.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import least_squares

from grader.shape import width
from grader.shape.edges import BareStem, WidthSettings, groups_of, raw_edges
from grader.shape.trace import ShapeSettings, round_width
from tests.studies.known_photos import KnownPhoto, known_photos, photo_paths
from tests.studies.known_stems import KnownStem, known_stems

KINDS = ("light", "hue", "plant")
LEAST_PROFILES = 6
LEAST_STEM_MM = 3.0
"""Less bare stem within the stretch for the base diameter says little."""
USUAL_SCATTER_MM = 0.03
"""Beyond it an error of an edge counts linearly (Huber): bark bumps, crossing needles."""
MAD_TO_SIGMA = 1.4826
"""Of a normal distribution."""


@dataclass(frozen=True, slots=True, eq=False)
class SeenEdges:
    """One stem, over the stretch where its base diameter is taken."""

    place: str
    true_mm: float
    edge_mm: np.ndarray
    """(2, 3) median distances of the edges from the axis: two sides, three kinds; nan where none."""
    px_mm: float
    """Size of a photo pixel on the mat."""
    beside_mm: float
    """From straight below the eye to the stem's line."""
    eye_mm: float


def seen_edges(stem: KnownStem, known: KnownPhoto) -> SeenEdges | None:
    """Return the edges of one stem; None where its diameter is not known or too little of it is bare."""
    shape = ShapeSettings()
    start = stem.heel_mm + shape.crushed_mm
    until = min(stem.heel_mm + shape.base_until_mm, stem.until_mm)
    diameter = stem.truth["base_diameter_mm"]
    usable = bool(diameter) and stem.truth["base_clear"] and not stem.truth["has_heel"]
    if not usable or until - start <= LEAST_STEM_MM:
        return None
    until_mm = max(stem.until_mm - 0.5, 2.0)
    bare = BareStem(stem.fields, stem.line_mm, until_mm, stem.rough_width_mm)
    (cut,) = next(groups_of([bare], shape.width))
    chosen = (cut.arc_mm >= start) & (cut.arc_mm <= until)
    if chosen.sum() < LEAST_PROFILES:
        return None
    seen = raw_edges(known.photo, known.pose.plane, [cut], shape.width)
    edges, px_per_mm = seen.edge_mm.swapaxes(0, 1)[:, :, chosen], float(seen.px_per_mm[0])
    found = np.isfinite(edges).any(axis=2)
    median = np.full(found.shape, np.nan)
    median[found] = np.nanmedian(edges[found], axis=1)
    foot = np.asarray(stem.eye_mm[:2])
    beside = float(np.mean(np.sum((cut.centre_mm - foot) * cut.normals, axis=1)[chosen]))
    return SeenEdges(stem.place, float(diameter), median, 1 / px_per_mm, beside, stem.eye_mm[2])


@dataclass(frozen=True, slots=True, eq=False)
class Stems:
    """All stems in columns."""

    edge_mm: np.ndarray
    """(K, 2, 3)"""
    true_mm: np.ndarray
    px_mm: np.ndarray
    beside_mm: np.ndarray
    eye_mm: np.ndarray
    place: np.ndarray

    def error_mm(self, width_mm: np.ndarray) -> np.ndarray:
        """Return found minus true diameters (K,) of widths seen on the plane of the mat."""
        seen = [round_width(*one) for one in zip(width_mm, self.beside_mm, self.eye_mm, strict=True)]
        return np.asarray(seen) - self.true_mm


def columns(rows: list[SeenEdges]) -> Stems:
    """Return stems as columns."""
    names = ("edge_mm", "true_mm", "px_mm", "beside_mm", "eye_mm", "place")
    return Stems(**{name: np.array([getattr(row, name) for row in rows]) for name in names})


def fitted_bias(stems: Stems, kind: int) -> tuple[float, float]:
    """Return the bias of one edge of a kind in photo pixels and in mm.

    Edges in the photo are biased by its blur, in pixels alone; the probability of plant was learned
    on pixels of fixed size, so it has a part in mm as well.
    """
    has_mm = KINDS[kind] == "plant"
    error = stems.error_mm(stems.edge_mm[:, :, kind].sum(axis=1)) / 2
    good = np.isfinite(error)
    result = least_squares(
        lambda bias: bias[0] * stems.px_mm[good] + (bias[1] if has_mm else 0.0) - error[good],
        [0.0, 0.0] if has_mm else [0.0],
        loss="huber",
        f_scale=USUAL_SCATTER_MM,
    )
    return float(result.x[0]), float(result.x[1]) if has_mm else 0.0


def unbiased(stems: Stems, settings: WidthSettings) -> np.ndarray:
    """Return the edges (K, 2, 3) less the biases in use."""
    px = np.array([settings.edge_bias_px, settings.hue_bias_px, settings.plant_bias_px])
    mm = np.array([0.0, 0.0, settings.plant_bias_mm])
    return stems.edge_mm - px * stems.px_mm[:, None, None] - mm


def agreed(edges: np.ndarray, settings: WidthSettings) -> np.ndarray:
    """Return one edge for each side (K, 2), as measured_widths does."""
    return width._agreed(np.moveaxis(edges, 2, 0), settings.hue_slack_mm)


def _tell(name: str, stems: Stems, width_mm: np.ndarray) -> None:
    error = stems.error_mm(width_mm)
    for place in (*np.unique(stems.place), None):
        chosen = np.isfinite(error) & ((stems.place == place) if place else True)
        part = error[chosen]
        if len(part):
            middle = float(np.median(part))
            scatter = MAD_TO_SIGMA * float(np.median(np.abs(part - middle)))
            worst = float(np.quantile(np.abs(part), 0.95))
            print(
                f"{name:22} {place or 'all':12} {len(part):4} stems: median {middle:+.3f} mm, "
                f"scatter {scatter:.3f} mm, 95th percentile {worst:.3f} mm"
            )


def _tell_cover(stems: Stems, edges: np.ndarray, settings: WidthSettings) -> None:
    known = np.isfinite(edges)
    lone = known.sum(axis=2) < 2
    spread = np.full(lone.shape, settings.lone_doubt_mm)
    spread[~lone] = np.nanstd(edges[~lone], axis=1)
    doubt = np.hypot(spread[:, 0], spread[:, 1])
    sigma = np.hypot(settings.edge_sigma_mm, settings.edge_sigma_px * stems.px_mm)
    sigma = np.hypot(sigma, settings.doubt_share * doubt)
    error = stems.error_mm(agreed(edges, settings).sum(axis=1))
    good = np.isfinite(error)
    cover = np.mean(np.abs(error[good]) < 1.96 * sigma[good])
    print(f"uncertainty {sigma[good].mean():.3f} mm on average; {100 * cover:.1f} % within 1.96 of it")


def main() -> None:
    """Fit, compare and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", nargs="+", type=Path, help="photos, or folders of them, with truth")
    parser.add_argument("--leave-out", nargs="*", default=[], metavar="STEM", help="photos not to learn from")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    paths = photo_paths(options.photos, frozenset(options.leave_out))
    found = [seen_edges(stem, known) for known in known_photos(paths) for stem in known_stems(known)]
    rows = [row for row in found if row is not None and np.isfinite(row.edge_mm).any(axis=1).all()]
    if len(rows) < 3:
        parser.error("fewer than three stems with a known base diameter: nothing to fit")
    stems, settings = columns(rows), WidthSettings()
    for k, kind in enumerate(KINDS):
        bias_px, bias_mm = fitted_bias(stems, k)
        print(f"{kind}: too far out by {bias_px:+.2f} photo pixels {bias_mm:+.3f} mm")
    edges = unbiased(stems, settings)
    _tell("inner of light, hue", stems, np.fmin(edges[..., 0], edges[..., 1]).sum(axis=1))
    _tell("hue, else light", stems, np.where(known_hue(edges), edges[..., 1], edges[..., 0]).sum(axis=1))
    _tell("mean", stems, np.nanmean(edges, axis=2).sum(axis=1))
    _tell("middle", stems, np.nanmedian(edges, axis=2).sum(axis=1))
    _tell("middle, near hue: used", stems, agreed(edges, settings).sum(axis=1))
    _tell_cover(stems, edges, settings)


def known_hue(edges: np.ndarray) -> np.ndarray:
    """Return where an edge by colour was found (K, 2)."""
    return np.isfinite(edges[..., 1])


if __name__ == "__main__":
    main()
