"""The network: five halvings and back, two convolutions a level, the second one added to the first."""

from __future__ import annotations

from itertools import pairwise

import torch
from torch import Tensor, nn
from torch.nn import functional

from wlmeasure.detect.channels import Channel

__all__ = ["FILM_OUTPUTS", "WIDTHS", "Look", "weights_in"]

WIDTHS = (16, 32, 64, 96, 128, 160)
"""Channels of each level."""
FILM_OUTPUTS = 3
"""Of the film as a whole: logit of "periapical", log of the pixel size over 0.08 mm, log of that one's variance."""


class Block(nn.Module):
    """Two convolutions of 3 x 3, each normalised; the second's result is added to the first's."""

    def __init__(self, inward: int, outward: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(inward, outward, 3, padding=1, bias=False)
        self.first_norm = nn.BatchNorm2d(outward)
        self.second = nn.Conv2d(outward, outward, 3, padding=1, bias=False)
        self.second_norm = nn.BatchNorm2d(outward)

    def forward(self, x: Tensor) -> Tensor:
        x = functional.relu(self.first_norm(self.first(x)))
        return functional.relu(x + self.second_norm(self.second(x)))


class Look(nn.Module):
    """From greys (N, 1, rows, cols) to logits of the maps (N, 11, rows, cols) and of the film (N, 3, 1, 1)."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        super().__init__()
        inward = (1, *widths[:-1])
        self.down = nn.ModuleList(Block(i, o) for i, o in zip(inward, widths, strict=True))
        self.widen = nn.ModuleList(nn.ConvTranspose2d(deep, shallow, 2, 2) for shallow, deep in pairwise(widths))
        self.up = nn.ModuleList(Block(2 * width, width) for width in widths[:-1])
        self.maps = nn.Conv2d(widths[0], len(Channel), 1)
        self.film_first = nn.Conv2d(widths[-1], 48, 1)
        self.film = nn.Conv2d(48, FILM_OUTPUTS, 1)
        # Lines and points are rare: begin by saying no.
        nn.init.constant_(self.maps.bias, -3.0)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        kept = []
        for level, block in enumerate(self.down):
            if level:
                x = functional.max_pool2d(x, 2)
            x = block(x)
            kept.append(x)
        whole = functional.adaptive_avg_pool2d(functional.relu(self.film_first(x)), 1)
        for level in reversed(range(len(self.up))):
            x = self.up[level](torch.cat([self.widen[level](x), kept[level]], 1))
        return self.maps(x), self.film(whole)


def weights_in(network: nn.Module) -> int:
    """How many numbers are learnt."""
    return sum(p.numel() for p in network.parameters())
