"""The network: dilated convolutions over the grid, pooled, with hand features; one head per label set."""

from __future__ import annotations

from typing import Any

import torch
from torch import Tensor, nn

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
        if sequence.shape[1] > self.settings["channels"]:  # weights from before places were given a trust
            sequence = torch.cat([sequence[:, : self.settings["channels"] - 1], sequence[:, -1:]], 1)
        x = torch.nn.functional.silu(self.first(sequence))
        for block in self.blocks:
            x = x + block(x)
        seen = sequence[:, -1:, :]
        mean = (x * seen).sum(2) / seen.sum(2).clamp(min=1.0)
        top = (x * seen).amax(2)
        return self.mix(torch.cat([mean, top, hand], dim=1))

    def forward(self, sequence: Tensor, hand: Tensor) -> dict[str, Tensor]:
        f = self.features(sequence, hand)
        return {name: head(f) for name, head in self.heads.items()}
