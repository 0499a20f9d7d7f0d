"""Mix the style of pictures inside the network: early features' means and spreads, from picture to picture.

A renderer's look lives largely in the statistics of early features; a network that meets them mixed leans
on shape instead. After Zhou et al., MixStyle (arXiv 2104.02008): in a random share of the batches, each
picture's channel means and spreads become a random blend of its own and another's.
"""

from __future__ import annotations

from types import TracebackType
from typing import Any

import torch
from torch import nn

LAYERS = (0, 2, 4)
"""After the first convolution and the blocks at strides 4 and 8."""


def mix_styles(features: torch.Tensor, shape: float = 0.1) -> torch.Tensor:
    """Features (B, C, H, W) with blended channel statistics (Beta(shape, shape), as in the paper)."""
    x = features.float()
    mean, spread = x.mean((2, 3), keepdim=True), x.std((2, 3), keepdim=True) + 1e-6
    order = torch.randperm(len(x), device=x.device)
    share = torch.distributions.Beta(shape, shape).sample((len(x), 1, 1, 1)).to(x.device)
    new_mean = share * mean + (1 - share) * mean[order]
    new_spread = share * spread + (1 - share) * spread[order]
    mixed = (x - mean.detach()) / spread.detach() * new_spread.detach() + new_mean.detach()
    return mixed.to(features.dtype)


class StyleMixer:
    """While entered, mixes styles after the early layers in a share ``chance`` of the forward passes."""

    def __init__(self, people: nn.Module, chance: float) -> None:
        self.chance, self.on = chance, False
        layers: Any = people.model
        if chance > 0:
            for layer in LAYERS:
                layers[layer].register_forward_hook(self._hook)

    def _hook(self, module: nn.Module, args: Any, output: torch.Tensor) -> torch.Tensor | None:
        return mix_styles(output) if self.on else None

    def __enter__(self) -> None:
        self.on = self.chance > 0 and float(torch.rand(())) < self.chance

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.on = False
