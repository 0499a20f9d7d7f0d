"""The network: dilated convolutions over the grid, pooled, with hand features; one head per label set."""

from __future__ import annotations

import copy
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

CHANNELS = 13


class RouteNet(nn.Module):
    """Inputs: sequence (N, CHANNELS, G), hand features (N, F) standardised. Output: logits per head."""

    def __init__(
        self,
        n_hand: int,
        heads: dict[str, int],
        width: int = 40,
        hidden: int = 96,
        dropout: float = 0.15,
        channels: int = 12,
    ):
        super().__init__()
        self.settings: dict[str, Any] = {
            "n_hand": n_hand,
            "heads": dict(heads),
            "width": width,
            "hidden": hidden,
            "dropout": dropout,
            "channels": channels,
        }
        self.first = nn.Conv1d(channels, width, 5, padding=2)
        self.blocks = nn.ModuleList(
            nn.Sequential(nn.Conv1d(width, width, 3, padding=d, dilation=d), nn.BatchNorm1d(width), nn.SiLU())
            for d in (1, 2, 4, 8)
        )
        self.mix = nn.Sequential(
            nn.Linear(2 * width + n_hand, hidden),
            nn.SiLU(),
            nn.Dropout(dropout),
            nn.Linear(hidden, hidden),
            nn.SiLU(),
            nn.Dropout(dropout),
        )
        self.heads = nn.ModuleDict({name: nn.Linear(hidden, n) for name, n in heads.items()})

    def features(self, sequence: Tensor, hand: Tensor) -> Tensor:
        sequence = known_channels(sequence, self.settings["channels"])
        x = torch.nn.functional.silu(self.first(sequence))
        for block in self.blocks:
            x = x + block(x)
        return self.pooled(x, sequence, hand)

    def pooled(self, x: Tensor, sequence: Tensor, hand: Tensor) -> Tensor:
        """Features of (N, width, G) and what is known beside: mean and greatest over the looks."""
        seen = sequence[:, -1:, :]
        mean = (x * seen).sum(2) / seen.sum(2).clamp(min=1.0)
        top = (x * seen).amax(2)
        out: Tensor = self.mix(torch.cat([mean, top, hand], dim=1))
        return out

    def forward(self, sequence: Tensor, hand: Tensor) -> dict[str, Tensor]:
        f = self.features(sequence, hand)
        return {name: head(f) for name, head in self.heads.items()}


class FoldedNet(nn.Module):
    """A trained RouteNet for answering only, on CPUs about twice as fast: its normalisation is folded into
    its convolutions, and these run on pictures of one row, channels last. Same inputs and answers (to
    rounding), on the CPU; later changes of the net are not seen."""

    def __init__(self, net: RouteNet) -> None:
        super().__init__()
        net = copy.deepcopy(net).cpu().eval()
        self.net = net
        self.first = _one_row(net.first)
        self.blocks = nn.ModuleList(_one_row(fuse_conv_bn_eval(b[0], b[1])) for b in net.blocks)  # type: ignore[index]

    def forward(self, sequence: Tensor, hand: Tensor) -> dict[str, Tensor]:
        sequence = known_channels(sequence, self.net.settings["channels"])
        x = sequence[:, :, None].contiguous(memory_format=torch.channels_last)
        x = nn.functional.silu(self.first(x), inplace=True)
        for block in self.blocks:
            x = x + nn.functional.silu(block(x), inplace=True)
        f = self.net.pooled(x[:, :, 0], sequence, hand)
        return {name: head(f) for name, head in self.net.heads.items()}


def _one_row(conv: nn.Conv1d) -> nn.Conv2d:
    """The same convolution for pictures (N, C, 1, G), channels last."""
    out = nn.Conv2d(
        conv.in_channels,
        conv.out_channels,
        (1, conv.kernel_size[0]),
        padding=(0, int(conv.padding[0])),
        dilation=(1, conv.dilation[0]),
    )
    out.weight.data, out.bias = conv.weight.data[:, :, None], conv.bias
    return out.to(memory_format=torch.channels_last)  # type: ignore[call-overload, no-any-return]


def known_channels(sequence: Tensor, channels: int) -> Tensor:
    """The channels that a net was trained on (weights from before places were given a trust)."""
    if sequence.shape[1] > channels:
        return torch.cat([sequence[:, : channels - 1], sequence[:, -1:]], 1)
    return sequence
