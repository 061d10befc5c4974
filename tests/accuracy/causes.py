"""One cause of error at a time: spoil known photos a little and see what becomes worse.

``python -m tests.accuracy.causes [FOLDER…] [--only NAME] [--jobs N]`` takes photos with truth, adds noise,
blur, sharpening, a tone curve, compression, a colour cast or fewer pixels, and prints for each trait the
95th percentile of the absolute error beside that of the untouched photos.  Shadow, tilt, curl and
distortion change the truth of the picture itself; for these compare the conditions of the rendered sets.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from grader.verdict import load_targets
from tests.accuracy.figures import figures
from tests.accuracy.goals import GOALS
from tests.accuracy.kits import LAYOUT_NAME, Measurer
from tests.accuracy.run import ROOT, run_set, truth_files
from tests.accuracy.truth import photo_of

Spoil = Callable[[Image.Image], Image.Image]
JPEG_QUALITY = 92
"""Of pictures that are spoiled otherwise than by compression."""
SEED = 7


def _by_curve(
    picture: Image.Image, curve: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> Image.Image:
    table = np.clip(np.round(255 * curve(np.arange(256) / 255)), 0, 255).astype(int)
    return picture.point(list(table) * 3)


def _noisy(picture: Image.Image) -> Image.Image:
    codes = np.asarray(picture).astype(np.float32)
    noise = np.random.default_rng(SEED).normal(0, 8.0, codes.shape)
    return Image.fromarray(np.clip(codes + noise, 0, 255).astype(np.uint8))


def _warm(picture: Image.Image) -> Image.Image:
    codes = np.asarray(picture).astype(np.float32) * np.array([1.0, 0.9, 0.72], dtype=np.float32)
    return Image.fromarray(np.clip(codes, 0, 255).astype(np.uint8))


def _fewer_pixels(picture: Image.Image) -> Image.Image:
    small = picture.resize((picture.width // 2, picture.height // 2), Image.Resampling.BOX)
    return small.resize(picture.size, Image.Resampling.BICUBIC)


CAUSES: Mapping[str, tuple[Spoil, int]] = {
    "untouched": (lambda picture: picture, JPEG_QUALITY),
    "noise, 8 codes": (_noisy, JPEG_QUALITY),
    "blur, 1.5 px": (lambda picture: picture.filter(ImageFilter.GaussianBlur(1.5)), JPEG_QUALITY),
    "sharpening, 150 %": (lambda picture: picture.filter(ImageFilter.UnsharpMask(2, 150, 0)), JPEG_QUALITY),
    "darker tone, gamma 1.25": (lambda picture: _by_curve(picture, lambda v: v**1.25), JPEG_QUALITY),
    "contrast curve": (lambda picture: _by_curve(picture, lambda v: v**2 * (3 - 2 * v)), JPEG_QUALITY),
    "compression, quality 40": (lambda picture: picture, 40),
    "colour cast, warm": (_warm, JPEG_QUALITY),
    "half the pixels": (_fewer_pixels, JPEG_QUALITY),
}
"""What is done to the picture, and the JPEG quality it is saved with."""


def spoiled(truth_path: Path, folder: Path, spoil: Spoil, quality: int) -> Path:
    """Save a spoiled copy of a photo with its truth in a folder; return the truth file there."""
    photo = photo_of(truth_path)
    if photo is None:
        raise ValueError(f"{truth_path} has no photo beside it")
    for place in (truth_path.parent, truth_path.parent.parent):
        if (place / LAYOUT_NAME).is_file():
            shutil.copy(place / LAYOUT_NAME, folder / LAYOUT_NAME)
            break
    with Image.open(photo) as picture:
        exif = picture.getexif()
        spoil(picture.convert("RGB")).save(
            folder / photo.name, quality=quality, subsampling=0 if quality > 90 else 2, exif=exif
        )
    return Path(shutil.copy(truth_path, folder / truth_path.name))


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.causes", description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path, help="folders with NAME.jpg and NAME.truth.json")
    parser.add_argument("--only", action="append", metavar="NAME", help="only this photo; repeatable")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes (default 1)")
    options = parser.parse_args()
    paths = [path for folder in options.folders or [ROOT / "demo_images"] for path in truth_files(folder)]
    if options.only:
        paths = [path for path in paths if path.name.split(".")[0] in options.only]
    targets = load_targets()
    print(f"{len(paths)} photos; 95th percentile of |error| (bias)")
    print(f"{'':26}{'lost':>6}" + "".join(f"{trait.rsplit('_', 1)[0]:>20}" for trait in GOALS))
    for name, (spoil, quality) in CAUSES.items():
        with tempfile.TemporaryDirectory() as scratch:
            copies = [spoiled(path, Path(scratch), spoil, quality) for path in paths]
            cases = run_set(copies, options.jobs, Measurer(targets).measure, targets)
            comparisons = [case.comparison for case in cases]
        lost = sum(len(c.missed) + len(c.set_aside_wrongly) + len(c.wrong_end) for c in comparisons)
        cells = []
        for trait in GOALS:
            told = figures(r for c in comparisons for r in c.readings if r.trait == trait)
            cells.append(f"{told.p95:.3g} ({told.bias:+.2g})")
        print(f"{name:26}{lost:>6}" + "".join(f"{cell:>20}" for cell in cells), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
