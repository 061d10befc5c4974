"""The network behind :mod:`grader.outline.plant`, and what it is to learn.  Needs ``pip install torch``.

It sees the coded flat view in blocks of 2 x 2 pixels (12 channels: red, then green, then blue of the
four), halves it four times more, and adds what it saw on the way down on its way up.  Per block it
answers 4 logits of plant, 4 of foliage, and one each of bare axis, leafy axis, base and tip.
"""

from __future__ import annotations

from torch import Tensor, nn
from torch.nn import functional

from grader.outline.plant import BLOCK_PX, CODE_GAIN, PAPER_CODE

CHANNELS = (16, 24, 40, 64, 96)
"""Per halving: what OpenCV runs in a second or two on a laptop for a whole tray (470,000 weights)."""
BLOCK = 2
N_BLOCK = BLOCK * BLOCK
SEEN, ANSWERS = 3 * N_BLOCK, 2 * N_BLOCK + 4
PLANT, FOLIAGE, AXIS, ENDS = slice(0, 4), slice(4, 8), slice(8, 10), slice(10, 12)
"""Channels of the answers."""
ANYWHERE_WEIGHT, EDGE_WEIGHT = 0.3, 1.5
"""Plain paper and the inside of crowns are easy; pixels within EDGE_REACH of a plant count more."""
EDGE_REACH, EDGE_FROM = 9, 0.3
"""Blocks, across; and the label from which a block counts as plant."""
AXIS_WEIGHT, ENDS_WEIGHT = 3.0, 8.0
"""Lines and spots cover few pixels: with these their losses are as large as that of plant."""


def convolution(n_in: int, n_out: int, stride: int = 1) -> nn.Sequential:
    """Return a 3 x 3 convolution with batch normalisation and rectifier."""
    return nn.Sequential(
        nn.Conv2d(n_in, n_out, 3, stride, 1, bias=False), nn.BatchNorm2d(n_out), nn.ReLU(inplace=True)
    )


class PlantNetwork(nn.Module):
    """Blocks (B, 12, H/2, W/2) -> logits of the same size; H and W multiples of BLOCK_PX."""

    def __init__(self) -> None:
        super().__init__()
        wide = CHANNELS
        levels = range(len(wide) - 1)
        self.first = convolution(SEEN, wide[0])
        self.down = nn.ModuleList(
            nn.Sequential(convolution(wide[k], wide[k + 1], 2), convolution(wide[k + 1], wide[k + 1]))
            for k in levels
        )
        self.middle = nn.Sequential(convolution(wide[-1], wide[-1]), convolution(wide[-1], wide[-1]))
        self.narrow = nn.ModuleList(nn.Conv2d(wide[k + 1], wide[k], 1) for k in levels)
        self.up = nn.ModuleList(convolution(wide[k], wide[k]) for k in levels)
        self.last = nn.Conv2d(wide[0], ANSWERS, 1)

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


def blocks_of(code: Tensor) -> Tensor:
    """Return coded pictures (B, 3, H, W), 0 to 1, as the network takes them."""
    return functional.pixel_unshuffle((code - PAPER_CODE) * CODE_GAIN, BLOCK)


def losses(logits: Tensor, labels: Tensor) -> dict[str, Tensor]:
    """Return weighted cross entropies of plant, foliage, axis and ends.

    Parameters
    ----------
    labels : (B, 7, H, W)
        Plant, foliage, lay, bare axis, leafy axis, base, tip; 0 to 1.
    """

    def entropy(part: slice, target: Tensor) -> Tensor:
        return functional.binary_cross_entropy_with_logits(logits[:, part], target, reduction="none")

    lay = (functional.avg_pool2d(labels[:, 2:3], BLOCK) > 0.5).float()
    plant, foliage = (functional.pixel_unshuffle(labels[:, k : k + 1], BLOCK) for k in (0, 1))
    coarse = functional.avg_pool2d(labels[:, 3:], BLOCK)
    near = functional.max_pool2d(plant.amax(1, keepdim=True), EDGE_REACH, 1, EDGE_REACH // 2) > EDGE_FROM
    weight = lay * (ANYWHERE_WEIGHT + EDGE_WEIGHT * near.float())
    return {
        "plant": (entropy(PLANT, plant) * weight).mean(),
        "foliage": (entropy(FOLIAGE, foliage) * weight).mean(),
        "axis": (entropy(AXIS, coarse[:, :2]) * lay).mean() * AXIS_WEIGHT,
        "ends": (entropy(ENDS, coarse[:, 2:]) * lay).mean() * ENDS_WEIGHT,
    }


def whole(code: Tensor, labels: Tensor) -> tuple[Tensor, Tensor]:
    """Return one photo and its labels, 8 bit, as a batch from 0 to 1 with sides the network takes."""
    height, width = (side // BLOCK_PX * BLOCK_PX for side in code.shape[1:])
    return tuple(part[None, :, :height, :width].float() / 255 for part in (code, labels))
