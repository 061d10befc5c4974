"""A season of our demo scenario as grader and sticking sheet hand it over. All data are invented."""

from __future__ import annotations

import hashlib
import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from grader.traits.catalogue import TRAITS
from tests.record.simulate import OTHERS, TRAIT, Truth

SPECIES = "spreading juniper (invented data)"
CUTTERS = ("Ann", "Ben")
DONORS = ("bed 3", "bed 7", "old hedge")
STUCK_ON = date(2026, 2, 2)
TRUTH = Truth("demo", at_mean=1.0, bend=1.7, best_mm=2.0, containers_differ=0.3)
N_IN = 20


def season_files(
    folder: Path,
    n_containers: int = 30,
    seed: int = 7,
    stuck_on: date = STUCK_ON,
    donors: tuple[str, ...] = DONORS,
) -> tuple[Path, dict[str, int]]:
    """Write results.json and sticking.json of one season; return the sheet and how many will root where.

    Each donor has cuttings of all sizes, sorted by diameter into its containers.
    """
    rng = np.random.default_rng(seed)
    per_donor = n_containers // len(donors)
    photos, groups, rooted = [], [], {}
    for d, donor in enumerate(donors):
        x = np.sort(np.clip(rng.normal(2.2, 0.6, per_donor * N_IN), 1.0, None))
        sha256 = hashlib.sha256(f"{donor} {seed}".encode()).hexdigest()
        cuttings = [_cutting(k + 1, _sizes(float(value), rng)) for k, value in enumerate(x)]
        batch = {"donor": donor, "cutter": CUTTERS[d % 2], "species": SPECIES}
        photos.append(_photo(f"{donor}.jpg", sha256, batch, cuttings))
        for j in range(per_donor):
            part = x[j * N_IN : (j + 1) * N_IN]
            level = rng.normal(0.0, TRUTH.containers_differ) + 0.5 * (d == 1)
            logit = TRUTH.at_mean - TRUTH.bend * (part - TRUTH.best_mm) ** 2 + level
            label = f"CG1-DEM{seed:02d}{d}{j:02d}-A-01"
            rooted[label] = int((rng.random(N_IN) < 1.0 / (1.0 + np.exp(-logit))).sum())
            numbers = range(j * N_IN + 1, (j + 1) * N_IN + 1)
            groups.append(_group(label, donor, sha256, numbers, part))
    whole = {
        "schema": "cutting-grader/results-1",
        "program": {"name": "cutting-grader", "version": "invented"},
    }
    whole |= {"made_at": f"{stuck_on}T08:00:00", "settings": {}, "photos": photos}
    data = json.dumps(whole).encode()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "results.json").write_bytes(data)
    sheet = {
        "schema": "cutting-grader/sticking-1",
        "stuck_on": str(stuck_on),
        "medium": {"mix": "sand and perlite"},
    }
    source = {"file": str(folder / "results.json"), "sha256": hashlib.sha256(data).hexdigest()}
    sheet |= {"results": [source], "groups": groups}
    path = folder / "sticking.json"
    path.write_text(json.dumps(sheet), encoding="utf-8")
    return path, rooted


def _sizes(x_mm: float, rng: np.random.Generator) -> dict[str, float]:
    return {TRAIT: x_mm, **{name: float(rng.normal(mean, sd)) for name, (mean, sd) in OTHERS.items()}}


def _cutting(number: int, sizes: dict[str, float]) -> dict[str, Any]:
    traits = {
        name: {"value": sizes.get(name), "sigma": 0.1 if name in sizes else None, "note": ""}
        for name in TRAITS
    }
    return {
        "number": number, "cell": "A1", "grade": "1", "reason": "invented", "advice": "stick it", "flags": [],
        "targets": "invented", "traits": traits, "outline_mm": [[0, 0], [1, 0], [1, 1]],
        "axis_mm": [[0, 0], [0, 1]],
    }  # fmt: skip


def _photo(name: str, sha256: str, batch: dict[str, str], cuttings: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "file": name, "status": "graded", "sha256": sha256, "batch": batch, "image_size_px": [4000, 3000],
        "mat": {"mat_id": "A4-1", "page_mm": [297, 210]}, "cuttings": cuttings,
    }  # fmt: skip


def _group(
    label: str, donor: str, sha256: str, numbers: range, sizes: np.ndarray[Any, Any]
) -> dict[str, Any]:
    middle = float(sizes.mean())
    low = next(edge for edge in (2.5, 1.5, 0.5) if middle >= edge)
    cuttings = [{"photo_sha256": sha256, "number": number} for number in numbers]
    return {
        "id": label[:-3], "species": SPECIES, "donor": donor, "grade": "1",
        "limits": {
            "trait": TRAIT, "from": None if low == 0.5 else low, "below": None if low == 2.5 else low + 1.0,
        },
        "containers": [{"id": label, "n_cuttings": len(numbers), "cuttings": cuttings}],
    }  # fmt: skip
