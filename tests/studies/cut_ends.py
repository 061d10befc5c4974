"""Fit the weights of :mod:`grader.outline.ends`: which end of a silhouette is the cut base.

Run by hand::

    python -m tests.studies.cut_ends ../shared/trays/a ../shared/trays/b renders/dev

Logistic regression (Newton's method, ridge 0.5) on all skeleton ends; prints the constants to copy.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

from grader.outline.edge import EDGE_LEVEL
from grader.outline.ends import find_ends
from grader.outline.plant import plant_fields
from grader.outline.separate import OutlineSettings, find_silhouettes
from grader.outline.shadow import find_shadow_colour
from tests.studies.known_photos import known_photos

NEAR_MM, FAR_MM = 3.0, 5.0
"""An end this near a true base (plus half its width) is one; further than the second it is none."""
RIDGE = 0.5


def main(folders: list[Path]) -> None:
    """Fit and print."""
    rows, answers = [], []
    for known in known_photos(folders):
        scale = known.pose.print_scale
        bases = np.array([cutting["base_mat"] for cutting in known.truth["cuttings"]]) * scale
        for features, at_mm, half_mm in _ends(known.view, known.pose):
            away = float(np.hypot(*(bases - at_mm).T).min())
            if away < NEAR_MM + half_mm or away > FAR_MM:
                rows.append(features)
                answers.append(away < NEAR_MM + half_mm)
    x, y = np.asarray(rows), np.asarray(answers, dtype=float)
    mean, scale = x.mean(axis=0), x.std(axis=0)
    z = np.column_stack([(x - mean) / scale, np.ones(len(x))])
    weight = np.zeros(z.shape[1])
    for _ in range(60):
        p = 1 / (1 + np.exp(-z @ weight))
        curvature = z.T @ (z * (p * (1 - p) + 1e-6)[:, None]) + RIDGE * np.eye(len(weight))
        weight += np.linalg.solve(curvature, z.T @ (y - p) - RIDGE * weight)
    for name, values in (("MEAN", mean), ("SCALE", scale), ("WEIGHT", weight[:-1])):
        print(f"FEATURE_{name} = ({', '.join(f'{v:.4f}' for v in values)})")
    print(f"INTERCEPT = {weight[-1]:.4f}   # {len(y)} ends, {int(y.sum())} of them bases")


def _ends(view, pose):  # type: ignore[no-untyped-def]
    settings = OutlineSettings()
    shadow = find_shadow_colour(view.linear, settings.shadow)
    fields = plant_fields(view.linear, shadow, settings.shadow)
    red = cv2.GaussianBlur(fields.red, (0, 0), 1.5)
    step = settings.skeleton_shrink
    for silhouette in find_silhouettes(view, pose, settings):
        x, y = silhouette.corner_px
        mask = silhouette.coverage > EDGE_LEVEL
        crop = red[y : y + mask.shape[0], x : x + mask.shape[1]]
        ends = find_ends(mask[::step, ::step], crop[::step, ::step], view.mm_per_px * step)
        for end in ends.candidates if ends else ():
            at = (np.asarray(end.xy_px) * step + (x, y)) * view.mm_per_px + view.origin_mm
            yield end.features, at, end.half_width_mm


if __name__ == "__main__":
    main([Path(argument) for argument in sys.argv[1:]])
