"""sticking.json: what was stuck where, for the record of a planting.

Schema ``cutting-grader/sticking-1``. Container ids: :mod:`grader.stick.ids`. A cutting is named by
the SHA-256 of its photo and its number on it, as in ``results.json``.
"""

from __future__ import annotations

import math
from typing import Any

from grader.stick.groups import STRIP_FIRST, Evenness, LeftOut, Placed
from grader.stick.plan import GroupPlan, StickPlan
from grader.write.results import program_version, to_json

SCHEMA = "cutting-grader/sticking-1"
FILE_NAME = "sticking.json"


def sticking_json(plan: StickPlan) -> bytes:
    """Return the file; nothing in it depends on when it is written, only on the plan."""
    return to_json(sticking_of(plan)).encode("utf-8")


def sticking_of(plan: StickPlan) -> dict[str, Any]:
    """Return the plan as plain values."""
    choices = plan.choices
    return {
        "schema": SCHEMA,
        "program": {"name": "cutting-grader", "version": program_version()},
        "stuck_on": choices.stuck_on.isoformat(),
        "results": [{"file": str(r.path), "sha256": r.sha256, "made_at": r.made_at} for r in plan.sources],
        "sorted_by": choices.trait,
        "container": {"capacity": choices.container.capacity, "words": choices.container.words},
        "medium": {"mix": choices.mix.name, "shares": choices.mix.shares, "litres": round(plan.litres, 2)},
        "wood": choices.wood or None,
        "values": plan.values.id,
        "n_cuttings": plan.n_kept,
        "n_containers": plan.n_containers,
        "groups": [_group(item) for item in plan.groups],
        "evenness": [_evenness(item) for item in plan.evenness],
        "left_out": [_left_out(item) for item in plan.left_out],
        "notes": plan.notes,
    }


def _group(item: GroupPlan) -> dict[str, Any]:
    group, depth = item.group, item.depth
    return {
        "id": item.id,
        "letter": group.letter,
        "species": group.lot.species,
        "donor": group.lot.donor,
        "grade": group.lot.grade,
        "cutters": item.cutters,
        # An open end is null, as every number that does not exist.
        "limits": {"trait": group.trait, "from": group.low, "below": group.high},
        "mean_size": round(float(group.sizes.mean()), 2),
        "n_cuttings": len(group.members),
        "depth_mm": [depth.low_mm, depth.high_mm] if depth.is_known else None,
        "depth_misfits": [{**_cutting(misfit.placed), "why": misfit.why} for misfit in depth.misfits],
        "medium_litres": round(item.litres, 2),
        "containers": [
            {
                "id": container.id,
                "n_cuttings": len(container.members),
                "cuttings": [_cutting(placed) for placed in container.members],
            }
            for container in item.containers
        ],
    }


def _cutting(placed: Placed) -> dict[str, Any]:
    sha256, number = placed.key
    return {"photo_sha256": sha256, "number": number}


def _evenness(item: Evenness) -> dict[str, Any]:
    lot = item.lot
    return {
        "species": lot.species,
        "donor": lot.donor,
        "grade": lot.grade,
        "n_cuttings": item.n,
        "n_groups": item.n_groups,
        "cv_before": _rounded(item.cv_before),
        "cv_after": _rounded(item.cv_after),
        "variance_explained": _rounded(item.explained),
        "variance_explained_before_rounding": _rounded(item.explained_exact),
    }


def _left_out(item: LeftOut) -> dict[str, Any]:
    told = {**_cutting(item.placed), "kind": item.kind}
    return {**told, "goes_to": item.goes_to or None} if item.kind == STRIP_FIRST else told


def _rounded(value: float) -> float:
    return round(value, 4) if math.isfinite(value) else math.nan
