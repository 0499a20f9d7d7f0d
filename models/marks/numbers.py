"""Reading a painted number in an upright, rectified crop: which number, and on which side the arrow stands.

A crop covers CROP_WIDTH_YD x CROP_HEIGHT_YD of ground around the middle of a number, turned so that
the digits stand upright (far numbers by 180 degrees). One look is weak evidence; the clip votes.
"""

from __future__ import annotations

import numpy as np
import torch
from torch import nn

NUMBERS = ("none", "10", "20", "30", "40", "50", "middle")  # middle: C or 55 on the Canadian centre line
ARROWS = ("none", "left", "right")
CROP_WIDTH_YD, CROP_HEIGHT_YD = 7.0, 3.5
CROP_W, CROP_H = 64, 32


def _block(c_in: int, c_out: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(c_in, c_out, 3, padding=1, bias=False), nn.BatchNorm2d(c_out), nn.ReLU(), nn.MaxPool2d(2)
    )


class NumberNet(nn.Module):
    """Four convolutions on a normalised grey crop (B, 1, CROP_H, CROP_W) -> number and arrow logits."""

    def __init__(self) -> None:
        super().__init__()
        self.body = nn.Sequential(_block(1, 16), _block(16, 32), _block(32, 64), _block(64, 96))
        self.number = nn.Linear(96 * 2 * 4, len(NUMBERS))
        self.arrow = nn.Linear(96 * 2 * 4, len(ARROWS))
        self.drop = nn.Dropout(0.2)

    def forward(self, crops: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        x = self.drop(self.body(crops).flatten(1))
        return self.number(x), self.arrow(x)


def normalise(crops: np.ndarray) -> np.ndarray:
    """(N, H, W) grey of any kind -> float32, zero mean and unit spread per crop (robust to flat crops)."""
    x = np.asarray(crops, np.float32)
    mean = x.mean((1, 2), keepdims=True)
    return (x - mean) / (x.std((1, 2), keepdims=True) + 2.0)


class NumberReader:
    """A trained NumberNet; ``temperature`` softens its probabilities (fitted on crops kept apart)."""

    def __init__(self, net: NumberNet, temperature: float = 1.0) -> None:
        self.net = net.eval()
        self.temperature = temperature

    @classmethod
    def from_tensors(cls, raw: dict[str, torch.Tensor]) -> NumberReader:
        """From a state dict with ``temperature`` among its tensors."""
        net = NumberNet()
        net.load_state_dict(
            {k: (v.float() if v.is_floating_point() else v) for k, v in raw.items() if k != "temperature"}
        )
        return cls(net, float(raw.get("temperature", torch.tensor(1.0))))

    @torch.inference_mode()
    def log_probabilities(self, crops: np.ndarray) -> np.ndarray:
        """(N, CROP_H, CROP_W) grey -> (N, 7, 3) joint log-probability of number and arrow side."""
        number, arrow = self.net(torch.from_numpy(normalise(crops))[:, None])
        a = torch.log_softmax(number / self.temperature, 1)
        b = torch.log_softmax(arrow / self.temperature, 1)
        return (a[:, :, None] + b[:, None, :]).numpy()
