"""Simulated results as a file, as grading writes it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from grader.results_file import ReadPhoto, ReadResults
from grader.verdict.targets_file import load_targets
from grader.write.results import SCHEMA, to_json


def write_results_file(path: Path, read: ReadResults, **settings: Any) -> Path:
    """Write ``results.json`` and return it."""
    targets = load_targets("landscape-juniper")
    known = {"targets": targets.id, "targets_file": str(targets.path), "targets_sha256": targets.sha256}
    whole = {
        "schema": SCHEMA,
        "program": {"name": "cutting-grader", "version": "0"},
        "made_at": "2026-03-02T10:00:00",
        "settings": known | settings,
        "photos": [_photo(photo) for photo in read.photos],
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(to_json(whole), encoding="utf-8")
    return path


def _photo(photo: ReadPhoto) -> dict[str, Any]:
    return {
        "file": photo.file,
        "status": "graded",
        "sha256": photo.sha256,
        "taken_at": photo.taken_at or None,
        "image_size_px": list(photo.image_size_px),
        "batch": dict(photo.batch),
        "mat": {"mat_id": photo.mat_id, "page_mm": list(photo.page_mm), "scale_sigma": photo.scale_sigma},
        "cuttings": [
            {
                "number": cutting.number,
                "grade": cutting.grade,
                "reason": "",
                "advice": "",
                "traits": {
                    name: {
                        "value": None if math.isnan(m.value) else m.value,
                        "sigma": m.sigma,
                        "note": m.note,
                    }
                    for name, m in cutting.traits.items()
                },
                "outline_mm": cutting.outline_mm.tolist(),
                "axis_mm": cutting.axis_mm.tolist(),
            }
            for cutting in photo.cuttings
        ],
    }
