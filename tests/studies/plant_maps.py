"""Learn the network of :mod:`grader.outline.plant` from label maps, and write it as ONNX.

Run by hand, after :mod:`tests.studies.plant_labels` (needs ``pip install torch onnx``; a graphics card)::

    git show db9103d:grader/outline/plant_maps.onnx > teacher.onnx
    python -m tests.studies.plant_maps labels grader/outline/plant_maps.onnx \\
        --teacher teacher.onnx --seconds 760

The network in use was learned from 95 photos: folders a and b of the independent trays without
``print097_card`` (its foreign scale), and the studio's "dev" set (64 photos).  Folder c, the "judge" set and
the demo photos were kept out.  25,000 steps of 20 crops in 760 s on one H200-class card, all photos in its
memory, with five held out to watch losses and areas on them::

    --hold-out dev_dev_03_even dev_dev_07 b_light_warm dev_dev_11 a_shadow_hard

Its teacher is the network that was in use before.  It had learned from the same labels alone, without
holding out, at twice the resolution: 10,000 steps and 3,900 more with crops sharpened more strongly.

AdamW, the learning rate falling along a half cosine, gradients clipped, bfloat16 where there is a card.
"""

from __future__ import annotations

import argparse
import io
import math
import random
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.studies.plant_labels import HALVED

if TYPE_CHECKING:
    from tests.studies.plant_augment import LearningPhoto
    from tests.studies.plant_network import PlantNetwork

LABELS = ("plant", "foliage", "lay", *HALVED)
WARM_UP_STEPS, WARM_UP_FROM = 200, 0.01
"""The learning rate rises from this share of the full one in so many steps."""
WEIGHT_DECAY, LARGEST_GRADIENT = 1e-4, 1.0
PLANT_EVERY_PX = 8
"""Crops are centred about plant pixels of this grid."""
READERS = 12
"""Photos decoded at the same time."""
TELL_EVERY, CHECK_EVERY, COUNT_EVERY = 250, 1500, 10
"""Steps between lines on the terminal, between looks at the photos held out, and between the losses
that enter the running mean."""
MEMORY = 0.98
"""Share of the running mean that stays."""
TRACED_BLOCKS = 256
"""Side of the input with which the network is written; it then takes any size."""
OPSET = 12
"""Old enough for OpenCV 4.8."""


@dataclass(frozen=True, slots=True)
class Course:
    """How to learn."""

    steps: int = 10_000
    crops: int = 20
    """Per step."""
    seed: int = 0
    rate: float = 3e-3
    """Learning rate at its highest."""
    go_on_from: Path | None = None
    """Weights to begin with; None for random ones."""
    teacher: Path | None = None
    """ONNX file of the network to learn from beside the labels."""
    is_deep: bool = True
    """Two convolutions a level; one, and a sixth quicker, without."""
    seconds: float | None = None
    """Learn for so long instead of ``steps``."""


def read_labels(path: Path, device: str) -> LearningPhoto:
    """Return one photo of :mod:`tests.studies.plant_labels`, on the device."""
    import torch

    from tests.studies.plant_augment import LearningPhoto

    stored = np.load(path)
    code = _picture(stored["rgb"])
    height, width = (side // 2 * 2 for side in code.shape[:2])
    maps = []
    for name in LABELS:
        values = _picture(stored[name])
        if name in HALVED:
            values = np.asarray(Image.fromarray(values).resize((width, height), Image.Resampling.BILINEAR))
        maps.append(values[:height, :width])
    plant_px = np.argwhere(maps[0][::PLANT_EVERY_PX, ::PLANT_EVERY_PX] > 0) * PLANT_EVERY_PX
    channels = np.ascontiguousarray(code[:height, :width].transpose(2, 0, 1))
    return LearningPhoto(
        path.stem,
        torch.from_numpy(channels).to(device),
        torch.from_numpy(np.stack(maps)).to(device),
        plant_px,
    )


def _picture(stored: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(stored.tobytes())))


def learn(photos: list[LearningPhoto], held_out: list[LearningPhoto], course: Course) -> PlantNetwork:
    """Return the network, ready to answer."""
    import torch

    from tests.studies.plant_augment import other_light_and_camera, random_crops
    from tests.studies.plant_network import PlantNetwork, blocks_of, losses, taught, teacher_of

    random.seed(course.seed)
    torch.manual_seed(course.seed)
    device = photos[0].code.device
    network = PlantNetwork(is_deep=course.is_deep).to(device)
    teacher = None if course.teacher is None else teacher_of(course.teacher).to(device)
    if course.go_on_from is not None:
        network.load_state_dict(torch.load(course.go_on_from, map_location=device))
    print(
        f"{sum(weights.numel() for weights in network.parameters())} weights, {len(photos)} photos",
        flush=True,
    )
    optimiser = torch.optim.AdamW(network.parameters(), lr=course.rate, weight_decay=WEIGHT_DECAY)
    begin, running = time.monotonic(), {}
    for step in count():
        share = step / course.steps
        if course.seconds is not None:
            share = (time.monotonic() - begin) / course.seconds
        if share >= 1:
            break
        for group in optimiser.param_groups:
            group["lr"] = course.rate * pace(step, share)
        with torch.no_grad():
            code, labels = random_crops(photos, course.crops)
            code = other_light_and_camera(code)
            with torch.autocast("cuda", dtype=torch.bfloat16, enabled=device.type == "cuda"):
                teaching = None if teacher is None else taught(teacher, code)
        with torch.autocast("cuda", dtype=torch.bfloat16, enabled=device.type == "cuda"):
            logits = network(blocks_of(code))
        parts = losses(logits.float(), labels, teaching)
        optimiser.zero_grad()
        sum(parts.values()).backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), LARGEST_GRADIENT)
        optimiser.step()
        if step % COUNT_EVERY == 0:  # reading a loss makes the card wait
            now = {name: loss.item() for name, loss in parts.items()}
            running = {name: running.get(name, v) * MEMORY + (1 - MEMORY) * v for name, v in now.items()}
        if (step + 1) % TELL_EVERY == 0:
            print(f"step {step + 1}, {time.monotonic() - begin:.0f} s: {_told(running)}", flush=True)
        if (step + 1) % CHECK_EVERY == 0:
            check(network, held_out)
    check(network, held_out)
    return network.eval()


def pace(step: int, share: float) -> float:
    """Return the share of the full learning rate: a short rise, then a half cosine down to nothing.

    ``share`` is how much of the learning is done.
    """
    rise = min(1.0, step / WARM_UP_STEPS + WARM_UP_FROM)
    return rise * 0.5 * (1 + math.cos(math.pi * share))


def check(network: PlantNetwork, held_out: list[LearningPhoto]) -> None:
    """Print losses of photos not learned from, and found areas as shares of the true ones."""
    import torch

    from tests.studies.plant_network import FOLIAGE, PLANT, blocks_of, losses, whole

    network.eval()
    with torch.no_grad():
        for photo in held_out:
            code, labels = whole(photo.code, photo.labels)
            logits = network(blocks_of(code))
            found = torch.sigmoid(logits)
            plant = (found[:, PLANT].sum() / labels[:, 0].sum()).item()
            foliage = (found[:, FOLIAGE].sum() / labels[:, 1].sum()).item()
            parts = {name: loss.item() for name, loss in losses(logits, labels).items()}
            print(f"  {photo.name}: {_told(parts)}; plant {plant:.3f}, foliage {foliage:.3f}", flush=True)
    network.train()


def _told(parts: dict[str, float]) -> str:
    return ", ".join(f"{name} {value:.4f}" for name, value in parts.items())


def write_network(network: PlantNetwork, target: Path, weights: Path | None) -> None:
    """Write the network as OpenCV reads it, for input of any size, and if asked its weights to go on from."""
    import torch

    from tests.studies.plant_network import SEEN

    device = next(network.parameters()).device
    torch.onnx.export(
        network,
        (torch.zeros(1, SEEN, TRACED_BLOCKS, TRACED_BLOCKS, device=device),),
        str(target),
        opset_version=OPSET,
        input_names=["flat"],
        output_names=["maps"],
        dynamic_axes={"flat": {2: "h", 3: "w"}, "maps": {2: "h", 3: "w"}},
        dynamo=False,
    )
    if weights is not None:
        torch.save(network.state_dict(), weights)


def main() -> None:
    """Learn and write."""
    usual = Course()
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("labels", type=Path, help="folder of .npz files")
    parser.add_argument("target", type=Path, help="ONNX file to write")
    parser.add_argument("--steps", type=int, default=usual.steps, help="default: %(default)s")
    parser.add_argument("--crops", type=int, default=usual.crops, help="per step; default: %(default)s")
    parser.add_argument("--seed", type=int, default=usual.seed, help="default: %(default)s")
    parser.add_argument("--rate", type=float, default=usual.rate, help="learning rate; default: %(default)s")
    parser.add_argument("--go-on-from", type=Path, metavar="FILE", help="weights to begin with")
    parser.add_argument(
        "--weights", type=Path, metavar="FILE", help="write the weights as well, to go on from"
    )
    parser.add_argument("--teacher", type=Path, metavar="FILE", help="ONNX file of a network to learn from")
    parser.add_argument("--shallow", action="store_true", help="one convolution a level instead of two")
    parser.add_argument("--seconds", type=float, help="learn for so long instead")
    parser.add_argument("--hold-out", nargs="*", default=[], metavar="NAME", help="photos only to check with")
    options = parser.parse_args()
    import torch

    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    device = "cuda" if torch.cuda.is_available() else "cpu"
    with ThreadPoolExecutor(READERS) as readers:
        read = list(readers.map(lambda path: read_labels(path, device), sorted(options.labels.glob("*.npz"))))
    held_out = [photo for photo in read if photo.name in options.hold_out]
    photos = [photo for photo in read if photo.name not in options.hold_out and len(photo.plant_px)]
    if not photos:
        parser.error(f"no photo to learn from in {options.labels}")
    course = Course(
        options.steps,
        options.crops,
        options.seed,
        options.rate,
        options.go_on_from,
        options.teacher,
        not options.shallow,
        options.seconds,
    )
    write_network(learn(photos, held_out, course), options.target, options.weights)
    print(f"written {options.target}")


if __name__ == "__main__":
    main()
