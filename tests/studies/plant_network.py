"""The network behind :mod:`grader.outline.plant`, and what it is to learn.  Needs ``pip install torch onnx``.

It sees the coded flat view at 0.2 mm (means of 2 x 2 pixels) in blocks of 2 x 2 of these cells (12 channels:
red, then green, then blue of the four), halves it four times more, and adds what it saw on the way down on
its way up.  Per block it answers 4 logits each of plant, foliage, bare axis and leafy axis, and one each of
base and tip.

It has a teacher: a network of the same form that looks twice as closely (0.1 mm) and takes five times as
long.  The teacher's answers for a changed crop are learned beside the labels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import torch
from torch import Tensor, nn
from torch.nn import functional

from grader.outline.plant import BLOCK_PX, CODE_GAIN, PAPER_CODE

if TYPE_CHECKING:
    from pathlib import Path

CHANNELS = (16, 24, 40, 64, 96)
"""Per halving (470,000 weights)."""
CELL_PX = 2
"""Pixels of the flat view a side that the network sees as one."""
BLOCK = 2
N_BLOCK = BLOCK * BLOCK
SEEN, ANSWERS = 3 * N_BLOCK, 4 * N_BLOCK + 2
PLANT, FOLIAGE, BARE, LEAFY, ENDS = (slice(0, 4), slice(4, 8), slice(8, 12), slice(12, 16), slice(16, 18))
"""Channels of the answers."""
TEACHER_ANSWERS = 2 * N_BLOCK + 4
"""Per block of 2 x 2 pixels: 4 of plant, 4 of foliage, and one each of bare axis, leafy axis, base, tip."""
TAUGHT_SHARE = 0.5
"""How much the teacher's answers count; the rest is for the labels."""
ANYWHERE_WEIGHT, EDGE_WEIGHT = 0.3, 1.5
"""Plain paper and the inside of crowns are easy; pixels within EDGE_REACH of a plant count more."""
EDGE_REACH, EDGE_FROM = 5, 0.3
"""Blocks, across; and the label from which a block counts as plant."""
AXIS_WEIGHT, ENDS_WEIGHT = 3.0, 8.0
"""Lines and spots cover few pixels: with these their losses are as large as that of plant."""


def convolution(n_in: int, n_out: int, stride: int = 1) -> nn.Sequential:
    """Return a 3 x 3 convolution with batch normalisation and rectifier."""
    return nn.Sequential(
        nn.Conv2d(n_in, n_out, 3, stride, 1, bias=False), nn.BatchNorm2d(n_out), nn.ReLU(inplace=True)
    )


class PlantNetwork(nn.Module):
    """Blocks (B, 12, h, w), h and w multiples of 16 -> logits (B, answers, h, w)."""

    def __init__(self, answers: int = ANSWERS, is_deep: bool = True) -> None:
        super().__init__()
        wide = CHANNELS
        levels = range(len(wide) - 1)
        self.first = convolution(SEEN, wide[0])
        self.down = nn.ModuleList(
            nn.Sequential(
                convolution(wide[k], wide[k + 1], 2),
                *([convolution(wide[k + 1], wide[k + 1])] if is_deep else []),
            )
            for k in levels
        )
        self.middle = nn.Sequential(convolution(wide[-1], wide[-1]), convolution(wide[-1], wide[-1]))
        self.narrow = nn.ModuleList(nn.Conv2d(wide[k + 1], wide[k], 1) for k in levels)
        self.up = nn.ModuleList(convolution(wide[k], wide[k]) for k in levels)
        self.last = nn.Conv2d(wide[0], answers, 1)

    def forward(self, blocks: Tensor) -> Tensor:
        """Return the logits."""
        seen = [self.first(blocks)]
        for down in self.down:
            seen.append(down(seen[-1]))
        answer = self.middle(seen[-1])
        for k in reversed(range(len(self.up))):
            larger = functional.interpolate(self.narrow[k](answer), scale_factor=2.0, mode="nearest")
            answer = self.up[k](larger + seen[k])
        return self.last(answer)


def teacher_of(path: Path) -> PlantNetwork:
    """Return the teacher from an ONNX file, whose convolutions hold the normalisation already."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    stored = {part.name: numpy_helper.to_array(part) for part in graph.initializer}
    weights = [[stored[name] for name in node.input[1:]] for node in graph.node if node.op_type == "Conv"]
    teacher = PlantNetwork(TEACHER_ANSWERS)
    for module in teacher.modules():
        for name, child in module.named_children():
            if isinstance(child, nn.BatchNorm2d):
                setattr(module, name, nn.Identity())
    # The file has them in the order of the forward pass.
    levels = range(len(teacher.down))
    order: list[nn.Conv2d] = [teacher.first[0]]
    order += [part[0] for down in teacher.down for part in down]
    order += [part[0] for part in teacher.middle]
    for k in reversed(levels):
        order += [teacher.narrow[k], teacher.up[k][0]]
    order.append(teacher.last)
    for convolved, (weight, bias) in zip(order, weights, strict=True):
        convolved.weight = nn.Parameter(torch.from_numpy(weight.copy()))
        convolved.bias = nn.Parameter(torch.from_numpy(bias.copy()))
    return teacher.eval().requires_grad_(False)


def blocks_of(code: Tensor) -> Tensor:
    """Return coded pictures (B, 3, H, W), 0 to 1, of 0.1 mm pixels as the network takes them."""
    cells = functional.avg_pool2d(code, CELL_PX)
    return functional.pixel_unshuffle((cells - PAPER_CODE) * CODE_GAIN, BLOCK)


def taught(teacher: PlantNetwork, code: Tensor) -> Tensor:
    """Return the teacher's probabilities (B, 18, h, w) for the blocks of coded pictures."""
    found = torch.sigmoid(teacher(functional.pixel_unshuffle((code - PAPER_CODE) * CODE_GAIN, BLOCK)).float())
    plant, foliage = (found[:, 4 * k : 4 * k + 4].mean(1, keepdim=True) for k in (0, 1))
    cells = [
        functional.pixel_unshuffle(part, BLOCK) for part in (plant, foliage, found[:, 8:9], found[:, 9:10])
    ]
    return torch.cat([*cells, functional.avg_pool2d(found[:, 10:], BLOCK)], dim=1)


def labelled(labels: Tensor) -> Tensor:
    """Return the same from labels (B, 7, H, W): plant, foliage, lay, bare axis, leafy axis, base, tip."""
    cells = functional.avg_pool2d(labels, CELL_PX)
    fine = [functional.pixel_unshuffle(cells[:, k : k + 1], BLOCK) for k in (0, 1, 3, 4)]
    return torch.cat([*fine, functional.avg_pool2d(cells[:, 5:], BLOCK)], dim=1)


def losses(logits: Tensor, labels: Tensor, teaching: Tensor | None = None) -> dict[str, Tensor]:
    """Return weighted cross entropies of plant, foliage, axis and ends.

    Parameters
    ----------
    labels : (B, 7, H, W)
        Plant, foliage, lay, bare axis, leafy axis, base, tip; 0 to 1.
    teaching : (B, 18, h, w), optional
        The teacher's probabilities.
    """
    target = labelled(labels)
    plant = target[:, PLANT]
    near = functional.max_pool2d(plant.amax(1, keepdim=True), EDGE_REACH, 1, EDGE_REACH // 2) > EDGE_FROM
    lay = (functional.avg_pool2d(labels[:, 2:3], CELL_PX * BLOCK) > 0.5).float()
    weight = lay * (ANYWHERE_WEIGHT + EDGE_WEIGHT * near.float())
    if teaching is not None:
        target = torch.lerp(target, teaching, TAUGHT_SHARE)

    def entropy(part: slice, weight: Tensor) -> Tensor:
        each = functional.binary_cross_entropy_with_logits(logits[:, part], target[:, part], reduction="none")
        return (each * weight).mean()

    return {
        "plant": entropy(PLANT, weight),
        "foliage": entropy(FOLIAGE, weight),
        "axis": entropy(slice(BARE.start, LEAFY.stop), lay) * AXIS_WEIGHT,
        "ends": entropy(ENDS, lay) * ENDS_WEIGHT,
    }


def whole(code: Tensor, labels: Tensor) -> tuple[Tensor, Tensor]:
    """Return one photo and its labels, 8 bit, as a batch from 0 to 1 with sides the network takes."""
    height, width = (side // BLOCK_PX * BLOCK_PX for side in code.shape[1:])
    return tuple(part[None, :, :height, :width].float() / 255 for part in (code, labels))
