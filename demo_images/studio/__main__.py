"""Make photos with exact truth: ``python -m demo_images.studio demo --out demo_images``."""

from __future__ import annotations

import argparse
import json
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from .develop import develop, jpeg, paper_level
from .recipes import demo_photos
from .render import choose_variant, path_trace
from .tray import PhotoPlan, set_up, shrunk, stage_of, truth_of

LARGEST_BYTES = 2_900_000
FIRST_PHOTO = datetime(2024, 3, 4, 9, 30)


def make(plan: PhotoPlan, out: Path, *, plain_spp: int, fine_spp: int) -> str:
    """Make one photo and its truth in a folder; return a line about it."""
    started = time.perf_counter()
    tray = set_up(plan)
    truth = truth_of(tray)
    stage = stage_of(tray)
    built = time.perf_counter()
    light = path_trace(stage, plain_spp=plain_spp, fine_spp=fine_spp, seed=plan.seed)
    traced = time.perf_counter()
    level = paper_level(light, tray.camera, stage.sheet_mm)
    upright = develop(light, plan.develop, tray.light.white, level, np.random.default_rng(plan.seed + 3))
    taken = FIRST_PHOTO + timedelta(minutes=7 * (plan.seed % 1000))
    data = jpeg(upright, plan.develop, focal_35mm=plan.camera.focal_35mm, taken_at=taken, largest_bytes=LARGEST_BYTES)
    (out / f"{plan.name}.jpg").write_bytes(data)
    (out / f"{plan.name}.truth.json").write_text(json.dumps(truth) + "\n", encoding="utf-8")
    done = time.perf_counter()
    return (
        f"{plan.name}: {truth['cuttings_placed']}/{truth['cuttings_asked']} cuttings, {len(data) / 1e6:.2f} MB, "
        f"built {built - started:.1f} s, traced {traced - built:.1f} s, developed {done - traced:.1f} s"
    )


def main() -> int:
    """Run the studio."""
    parser = argparse.ArgumentParser(prog="python -m demo_images.studio", description=__doc__)
    parser.add_argument("set", choices=["demo"], help="which photos")
    parser.add_argument("--out", type=Path, required=True, help="folder for NAME.jpg and NAME.truth.json")
    parser.add_argument("--only", nargs="*", help="names of photos, all if left out")
    parser.add_argument("--share", type=float, default=1.0, help="pixels along a side, 0.25 for a trial")
    parser.add_argument("--plain-spp", type=int, default=25, help="light paths per pixel of plain paper")
    parser.add_argument("--fine-spp", type=int, default=49, help="further paths where there is more to see")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    print(f"rendering with {choose_variant()}", flush=True)
    for plan in demo_photos():
        if chosen.only and plan.name not in chosen.only:
            continue
        plan = shrunk(plan, chosen.share) if chosen.share != 1.0 else plan
        print(make(plan, chosen.out, plain_spp=chosen.plain_spp, fine_spp=chosen.fine_spp), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
