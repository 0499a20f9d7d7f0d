"""The detector's network: Ultralytics' yolov8s with our kinds, a ball head, and safe reading of weights.

People come from Ultralytics' head. The ball is four to twelve pixels long, too small for boxes at stride 8:
a small head at stride 4 marks its centre in a heat map and gives its size.

Weights are files of tensors only (``torch.load(weights_only=True)``): nothing in them can run code.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import torch
from torch import nn

KINDS = ("player", "official", "ball", "other")
ARCHITECTURE = "yolov8s.yaml"
BALL_PREFIX, PLATT = "ball.", "platt"


class WeightsError(ValueError):
    """A weights file that cannot be used: the message names the file, the reason and the remedy."""


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

    Takes the features of layers 2 (stride 4) and 15 (stride 8). Returns (B, 5, h, w): logit of the centre,
    place in the cell (2, in cells from its middle), log of width and height in input pixels. Loss and
    peaks follow CenterNet (Zhou et al., arXiv 1904.07850).
    """

    fine, coarse, stride = 2, 15, 4

    def __init__(self, fine_channels: int = 64, coarse_channels: int = 128, width: int = 24) -> None:
        super().__init__()
        self.from_fine = nn.Conv2d(fine_channels, width, 1)
        self.from_coarse = nn.Conv2d(coarse_channels, width, 1)
        self.mix = nn.Sequential(
            nn.Conv2d(width, width, 3, padding=1), nn.SiLU(), nn.Conv2d(width, width, 3, padding=1), nn.SiLU()
        )
        self.answer = nn.Conv2d(width, 5, 1)
        with torch.no_grad():  # balls are rare: start near 0.7 %; about seven pixels long
            self.answer.bias.copy_(torch.tensor([-5.0, 0.0, 0.0, 1.9, 1.9]))  # type: ignore[union-attr]

    def forward(self, fine: torch.Tensor, coarse: torch.Tensor) -> torch.Tensor:
        """Features (B, 64, h, w) and (B, 128, h/2, w/2) to (B, 5, h, w)."""
        up = nn.functional.interpolate(self.from_coarse(coarse), scale_factor=2.0, mode="nearest")
        return self.answer(self.mix(nn.functional.silu(self.from_fine(fine) + up)))  # type: ignore[no-any-return]

    def rows(self, answer: torch.Tensor, most: int = 6) -> torch.Tensor:
        """The ``most`` best peaks as raw detector rows (B, 4 + kinds, most)."""
        heat = answer[:, :1].float().sigmoid()
        heat = heat * (heat >= nn.functional.max_pool2d(heat, 3, 1, 1)).to(heat.dtype)
        score, at = heat.flatten(2).topk(most, dim=2)
        values = answer[:, 1:].float().flatten(2).gather(2, at.expand(-1, 4, -1))
        across = heat.shape[3]
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
        answer = self.ball(self.seen[BallHead.fine], self.seen[BallHead.coarse])
        return torch.cat([raw, self.ball.rows(answer).to(raw.dtype)], 2)


def keep_features(people: nn.Module, seen: dict[int, torch.Tensor]) -> None:
    """Keep the ball head's two feature maps in ``seen`` whenever the people's network runs."""
    for layer in (BallHead.fine, BallHead.coarse):
        people.model[layer].register_forward_hook(  # type: ignore[index, union-attr]
            lambda module, args, output, layer=layer: seen.__setitem__(layer, output)
        )


def _all_tensors(raw: Any) -> bool:
    return isinstance(raw, dict) and bool(raw) and all(isinstance(v, torch.Tensor) for v in raw.values())


def read_state(path: Path) -> dict[str, torch.Tensor]:
    """State dict (float32) from a tensors-only file; refuses anything else with a plain reason."""
    path = Path(path)
    if not path.exists():
        raise WeightsError(f"{path}: no such weights file; the shipped ones are in models/weights")
    try:
        raw = torch.load(path, map_location="cpu", weights_only=True)
    except Exception as error:
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise WeightsError(
            f"{path}: not a tensors-only weights file ({reason}); expected a file written by "
            "`underneath train detector`, or pass --from a state dict saved with torch.save"
        ) from error
    if isinstance(raw, dict) and "state" in raw:
        raw = raw["state"]
    if not _all_tensors(raw):
        raise WeightsError(
            f"{path}: holds no state dict of tensors; expected one of yolov8s with {len(KINDS)} kinds"
        )
    return {k: (v.float() if v.is_floating_point() else v) for k, v in raw.items()}


def load_network(path: Path) -> nn.Module:
    """Network with the weights of ``path``, convolutions and batch-norms fused, in eval mode."""
    state = read_state(path)
    model = build_network()
    own = model.state_dict()
    wrong = [k for k, v in own.items() if k not in state or state[k].shape != v.shape]
    if wrong:
        raise WeightsError(
            f"{path}: {len(wrong)} of {len(own)} tensors are missing or of other shape (first: {wrong[0]}); "
            f"expected yolov8s with the kinds {', '.join(KINDS)}"
        )
    model.load_state_dict({k: state[k] for k in own})
    head = {k.removeprefix(BALL_PREFIX): v for k, v in state.items() if k.startswith(BALL_PREFIX)}
    ball = BallHead() if head else None
    if ball is not None:
        ball.load_state_dict(head)
    return FilmDetector(model.fuse(verbose=False), ball, state.get(PLATT)).eval()  # type: ignore[operator]


def file_hash(path: Path) -> str:
    """First 16 hexadecimal digits of the file's SHA-256: the weights' name in every run record."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()[:16]
