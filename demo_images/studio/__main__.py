"""``python -m demo_images.studio demo --out demo_images`` makes the demo photos again."""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import mitsuba as mi

from . import recipes, series
from .photo import PhotoPlan


def plans_of(name: str, count: int) -> list[PhotoPlan]:
    """Return the plans of a set: "demo", or a series of ``count`` random photos."""
    return recipes.demo() if name == "demo" else series.photos(name, count)


def main() -> None:
    """Render a set."""
    parser = argparse.ArgumentParser(prog="python -m demo_images.studio", description=__doc__)
    parser.add_argument("set", choices=["demo", *series.SETS])
    parser.add_argument("--out", type=Path, required=True, help="folder for the photos")
    parser.add_argument("--variant", default="llvm_ad_rgb", help="Mitsuba variant; cuda_ad_rgb on a GPU")
    parser.add_argument("--only", nargs="*", help="names of photos; all without it")
    parser.add_argument("--count", type=int, default=series.USUAL_COUNT, help="photos of a random set")
    parser.add_argument("--samples", type=int, help="light paths per pixel everywhere, for a quick trial")
    parser.add_argument("--width", type=int, help="width in px of a smaller trial picture")
    asked = parser.parse_args()
    mi.set_variant(asked.variant)
    from .photo import make_photo

    for plan in plans_of(asked.set, asked.count):
        if asked.only and plan.name not in asked.only:
            continue
        if asked.samples:
            plan = replace(plan, plain_samples=asked.samples, fine_samples=0)
        if asked.width:
            height = round(asked.width * plan.camera.height_px / plan.camera.width_px)
            plan = replace(plan, camera=replace(plan.camera, width_px=asked.width, height_px=height))
        start = time.monotonic()
        path = make_photo(plan, asked.out)
        size_mb = path.stat().st_size / 1e6
        print(f"{path}  {size_mb:.2f} MB  {time.monotonic() - start:.1f} s", flush=True)


if __name__ == "__main__":
    main()
