"""The detector's network: Ultralytics' yolov8s (or yolo11n, for processors) with our kinds and a ball head.

People come from Ultralytics' head. The ball is four to twelve pixels long, too small for boxes at stride 8:
a small head at stride 4 marks its centre in a heat map and gives its size.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import torch
from torch import nn

from models.detector.storage import WeightsError, file_hash, read_state, read_tensors

KINDS = ("player", "official", "ball", "other")
BALL = KINDS.index("ball")
ARCHITECTURE = "yolov8s.yaml"
ARCHITECTURES = {32: ARCHITECTURE, 16: "yolo11n.yaml"}
"""By the number of channels of the first convolution: a state names its network by its shapes."""
BALL_PREFIX, PLATT, EDGE = "ball.", "platt", "edge_px"
"""EDGE (2,): by how much the network's x and y lie right of and below the program's coordinates. Labels count
from the corner of the first pixel, the program (and its cameras) from the middle of it: half a pixel."""
FINE, COARSE = 4, 8
"""Strides of the two feature maps that the ball head reads."""


def architecture_of(state: Mapping[str, torch.Tensor]) -> str:
    """Which network a state dict belongs to; the small one when it does not say."""
    first = state.get("model.0.conv.weight")
    return ARCHITECTURES.get(len(first), ARCHITECTURE) if first is not None else ARCHITECTURE


def build_network(kinds: int = len(KINDS), architecture: str = ARCHITECTURE) -> nn.Module:
    """An untrained Ultralytics DetectionModel with ``kinds`` classes (strides 8, 16, 32)."""
    from ultralytics.nn.tasks import DetectionModel
    from ultralytics.utils import LOGGER

    level = LOGGER.level
    LOGGER.setLevel("ERROR")
    try:
        model = DetectionModel(architecture, nc=kinds, verbose=False)
    finally:
        LOGGER.setLevel(level)
    return model


class BallHead(nn.Module):
    """Where the ball is: heat map of its centre, its place in the cell and its size, at stride 4.

    Takes the features of stride 4 and of stride 8 (after the neck) and, with ``pixels``, the picture itself,
    whose finest detail the features have lost. Returns (B, 5, h, w): logit of the centre, place in the cell
    (2, in cells from its middle), log of width and height in input pixels. Loss and peaks follow
    CenterNet (Zhou et al., arXiv 1904.07850).
    """

    stride = 4

    def __init__(
        self, fine_channels: int = 64, coarse_channels: int = 128, width: int = 24, pixels: bool = False
    ) -> None:
        super().__init__()
        self.from_fine = nn.Conv2d(fine_channels, width, 1)
        self.from_coarse = nn.Conv2d(coarse_channels, width, 1)
        self.from_pixels = nn.Conv2d(3, width, 8, stride=4, padding=2) if pixels else None
        steps: list[nn.Module] = []
        for reach in (1, 2, 1) if pixels else (1, 1):
            steps += [nn.Conv2d(width, width, 3, padding=reach, dilation=reach), nn.SiLU()]
        self.mix = nn.Sequential(*steps)
        self.answer = nn.Conv2d(width, 5, 1)
        with torch.no_grad():  # balls are rare: start near 0.7 %; about seven pixels long
            self.answer.bias.copy_(torch.tensor([-5.0, 0.0, 0.0, 1.9, 1.9]))  # type: ignore[union-attr]

    @classmethod
    def like(cls, state: Mapping[str, torch.Tensor]) -> BallHead:
        """A head with the shapes and values of its own state dict."""
        width, fine = state["from_fine.weight"].shape[:2]
        head = cls(fine, state["from_coarse.weight"].shape[1], width, "from_pixels.weight" in state)
        head.load_state_dict(dict(state))
        return head

    def forward(self, fine: torch.Tensor, coarse: torch.Tensor, images: torch.Tensor) -> torch.Tensor:
        """Features (B, C, h, w), (B, D, h/2, w/2) and images (B, 3, 4h, 4w) 0..1 to (B, 5, h, w)."""
        up = nn.functional.interpolate(self.from_coarse(coarse), scale_factor=2.0, mode="nearest")
        seen = self.from_fine(fine) + up
        if self.from_pixels is not None:
            seen = seen + self.from_pixels(images)
        return self.answer(self.mix(nn.functional.silu(seen)))  # type: ignore[no-any-return]

    def rows(self, answer: torch.Tensor, most: int = 6) -> torch.Tensor:
        """The ``most`` best peaks as raw detector rows (B, 4 + kinds, most)."""
        heat = answer[:, :1].float().sigmoid()
        heat = heat * (heat >= nn.functional.max_pool2d(heat, 3, 1, 1)).to(heat.dtype)
        across = heat.shape[3]
        # the best peaks lie in the rows with the best peaks: two short sorts for a long one (6 ms)
        _, row = heat.amax(3).topk(most, dim=2)
        best = heat.gather(2, row[..., None].expand(-1, -1, -1, across)).flatten(2)
        score, at = best.topk(most, dim=2)
        at = row.gather(2, torch.div(at, across, rounding_mode="floor")) * across + at % across
        values = answer[:, 1:].float().flatten(2).gather(2, at.expand(-1, 4, -1))
        cell = torch.cat([at % across, torch.div(at, across, rounding_mode="floor")], 1).to(values.dtype)
        centre = (cell + 0.5 + values[:, :2]) * self.stride
        size = values[:, 2:].clamp(-1.0, 5.0).exp()
        none = torch.zeros_like(score)
        kinds = [score if kind == "ball" else none for kind in KINDS]
        return torch.cat([centre, size, *kinds], 1)


class FilmDetector(nn.Module):
    """People's network and, where the weights hold one, the ball's head: one raw answer (B, 4 + kinds, A).

    ``platt``: slope and offset that turn the logit of a person's score into that of the chance that the box
    is right (Platt scaling; fitted by ``models.training.calibrate_detector``). Identity when not fitted.
    """

    platt: torch.Tensor

    def __init__(self, people: nn.Module, ball: BallHead | None, platt: torch.Tensor | None = None) -> None:
        super().__init__()
        self.people, self.ball = people, ball
        self.register_buffer("platt", torch.tensor([1.0, 0.0]) if platt is None else platt.float())
        self.seen: dict[int, torch.Tensor] = {}
        if ball is not None:
            keep_features(people, self.seen)

    def forward(self, images: torch.Tensor) -> torch.Tensor:
        """Images (B, 3, H, W) 0..1 to raw rows; the ball's peaks come last."""
        raw = self.people(images)
        raw = raw[0] if isinstance(raw, (tuple, list)) else raw
        score = raw[:, 4:].float().clamp(1e-6, 1 - 1e-6)
        chance = torch.sigmoid(self.platt[0] * (score.log() - (1 - score).log()) + self.platt[1])
        raw = torch.cat([raw[:, :4].float(), chance], 1)
        if self.ball is None:
            return raw
        answer = self.ball(self.seen[FINE], self.seen[COARSE], images)
        return torch.cat([raw, self.ball.rows(answer).to(raw.dtype)], 2)


def keep_features(people: nn.Module, seen: dict[int, torch.Tensor]) -> None:
    """Keep the ball head's two feature maps in ``seen`` whenever the people's network runs."""
    layers = people.model  # type: ignore[union-attr]
    for name, layer in ((FINE, 2), (COARSE, layers[-1].f[0])):  # type: ignore[index, union-attr]
        layers[layer].register_forward_hook(  # type: ignore[index, union-attr]
            lambda module, args, output, name=name: seen.__setitem__(name, output)
        )


def feature_channels(people: nn.Module) -> tuple[int, int]:
    """Channels of the ball head's two feature maps: at stride 4, and at stride 8 after the neck."""
    layers = people.model  # type: ignore[union-attr]
    maps = (layers[2], layers[layers[-1].f[0]])  # type: ignore[index, union-attr]
    return tuple(int(m.cv2.conv.out_channels) for m in maps)  # type: ignore[return-value, union-attr]


def edge_px(path: Path) -> np.ndarray:
    """(2,) pixels of the picture to take from the network's x and y; 0 for files that do not say."""
    return read_tensors(path).get(EDGE, torch.zeros(2)).float().numpy()


def load_network(path: Path) -> nn.Module:
    """Network with the weights of ``path``, convolutions and batch-norms fused, in eval mode."""
    state = read_state(path)
    model = build_network(architecture=architecture_of(state))
    own = model.state_dict()
    wrong = [k for k, v in own.items() if k not in state or state[k].shape != v.shape]
    if wrong:
        raise WeightsError(
            f"{path}: {len(wrong)} of {len(own)} tensors are missing or of other shape (first: {wrong[0]}); "
            f"expected yolov8s (or yolo11n) with the kinds {', '.join(KINDS)}"
        )
    model.load_state_dict({k: state[k] for k in own})
    head = {k.removeprefix(BALL_PREFIX): v for k, v in state.items() if k.startswith(BALL_PREFIX)}
    ball = BallHead.like(head) if head else None
    return FilmDetector(model.fuse(verbose=False), ball, state.get(PLATT)).eval()  # type: ignore[operator]


__all__ = [
    "BALL",
    "EDGE",
    "KINDS",
    "PLATT",
    "BallHead",
    "FilmDetector",
    "WeightsError",
    "file_hash",
    "load_network",
    "read_state",
]
