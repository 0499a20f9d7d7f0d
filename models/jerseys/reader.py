"""A small network that reads one crop: is a number seen, and which tens and ones digit it has.

One look is weak evidence and is never an answer: looks are voted over the clip (`vision.jerseys`).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

from models.jerseys.crops import CROP_PX, cut_torsos, normalise

NUMBERS = 100
TENS, ONES = 10, 10
"""Classes of the tens digit (0 = a number of one digit) and of the ones digit. 00 is read as 0."""
PLACES_SIDE = CROP_PX // 4
"""The network looks at PLACES_SIDE x PLACES_SIDE places of a crop."""
LOOK_COLUMNS = 1 + TENS + ONES
"""Columns of a look: log-probability that a number is seen whole, then of the tens, then of the ones."""
WIDTHS = (32, 48, 48, 96, 96, 96, 112)
WEIGHTS = Path(__file__).parents[1] / "weights" / "jerseys.pt"


def _block(c_in: int, c_out: int, size: int = 3, stride: int = 1) -> nn.Sequential:
    convolution = nn.Conv2d(c_in, c_out, size, stride, size // 2, bias=False)
    return nn.Sequential(convolution, nn.BatchNorm2d(c_out), nn.ReLU(inplace=True))


class JerseyNet(nn.Module):
    """(B,3,CROP_PX,CROP_PX) normalised crops -> logits (B,1) seen, (B,TENS), (B,ONES), (B,3,PLACES) where.

    Convolutions of the given widths, the first at half size, those after the third at a quarter; each head
    looks where it finds its digit (a softmax over PLACES = 12 x 12)."""

    def __init__(self, widths: Sequence[int] = WIDTHS) -> None:
        super().__init__()
        blocks: list[nn.Module] = [_block(3, widths[0], 5, 2)]
        blocks += [_block(a, b) for a, b in pairwise(widths)]
        self.body = nn.Sequential(*blocks[:3], nn.MaxPool2d(2), *blocks[3:])
        self.where = nn.Conv2d(widths[-1], 3, 1)
        self.drop = nn.Dropout(0.1)
        self.heads = nn.ModuleList([nn.Linear(widths[-1], n) for n in (1, TENS, ONES)])

    def forward(self, crops: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
        x = self.body(crops)
        where = self.where(x).flatten(2)
        pooled = self.drop(torch.einsum("bcp,bkp->bkc", x.flatten(2), where.softmax(2)))
        seen, tens, ones = (head(pooled[:, k]) for k, head in enumerate(self.heads))
        return seen, tens, ones, where


class JerseyReader:
    """A trained `JerseyNet`; temperature softens its digits (fitted on crops kept apart).

    Raises ValueError naming the file when weights cannot be read.
    """

    def __init__(self, net: JerseyNet, temperature: float = 1.0) -> None:
        self.net = net.eval().to(memory_format=torch.channels_last)  # type: ignore[call-overload]
        self.temperature = temperature

    @classmethod
    def load(cls, path: Path | str = WEIGHTS) -> JerseyReader:
        """From a file of tensors only."""
        path = Path(path)
        if not path.exists():
            raise ValueError(f"{path.name}: no such weights; train them with models.training.train_jerseys")
        try:
            raw = torch.load(path, map_location="cpu", weights_only=True)
            temperature = float(raw.pop("temperature"))
            net = JerseyNet([len(v) for k, v in raw.items() if k.startswith("body.") and v.ndim == 4])
            net.load_state_dict({k: (v.float() if v.is_floating_point() else v) for k, v in raw.items()})
        except Exception as error:
            reason = str(error).splitlines()[0][:120]
            raise ValueError(f"{path.name}: not a number reader's weights ({reason})") from error
        return cls(net, temperature)

    @torch.inference_mode()
    def read(self, crops: Any) -> np.ndarray:
        """(N,CROP_PX,CROP_PX,3) uint8 BGR crops -> (N,LOOK_COLUMNS) float32 log-probabilities."""
        crops = np.asarray(crops)
        if not len(crops):
            return np.zeros((0, LOOK_COLUMNS), np.float32)
        if crops.shape[1:] != (CROP_PX, CROP_PX, 3):
            raise ValueError(f"crops: expected (N,{CROP_PX},{CROP_PX},3), found {crops.shape}")
        seen, tens, ones, _ = self.net(
            torch.from_numpy(normalise(crops)).contiguous(memory_format=torch.channels_last)
        )
        parts = F.logsigmoid(seen), *((x / self.temperature).log_softmax(1) for x in (tens, ones))
        return torch.cat(parts, 1).numpy()

    def look(self, bgr: np.ndarray, xyxy_px: Any) -> np.ndarray:
        """Looks (N,LOOK_COLUMNS) at the men in boxes (N,4) of a picture (H,W,3) uint8 BGR."""
        return self.read(cut_torsos(bgr, xyxy_px))


def number_log_likelihood(looks: Any) -> np.ndarray:
    """(N,NUMBERS) log of how much likelier each look is under each number than without looking.

    A look says no more than it is sure of seeing a number: p = seen * digits + (1 - seen) * even chance.
    """
    looks = np.asarray(looks, float).reshape(-1, LOOK_COLUMNS)
    seen = np.exp(looks[:, :1])
    digits = looks[:, 1 : 1 + TENS, None] + looks[:, None, 1 + TENS :]
    return np.asarray(np.log(seen * np.exp(digits.reshape(-1, NUMBERS)) * NUMBERS + (1 - seen)))
