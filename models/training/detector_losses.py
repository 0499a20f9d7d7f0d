"""What the detector is trained to do: two sets of people's heads, and the ball's heat map.

The *many* heads (each man claimed by up to ten cells) train the features; the *one* heads (each man
claimed by one cell, the others told to be silent) learn from the same features and are what ships: men
who overlap need no hard suppression of boxes. After Wang et al., YOLOv10 (arXiv 2405.14458), as in
Ultralytics' end-to-end heads. The ball: penalty-reduced focal loss of CenterNet (arXiv 1904.07850).
"""

from __future__ import annotations

import copy
from types import SimpleNamespace
from typing import Any

import torch
from torch import nn

from models.detector.network import KINDS, PLATT, BallHead, FilmDetector, build_network, keep_features

BALL = KINDS.index("ball")
ONE = "one2one_"


def add_one_to_one(people: nn.Module) -> None:
    """Give the network's last layer a second set of heads, a copy of the first as it is now."""
    head: Any = people.model[-1]  # type: ignore[index, union-attr]
    head.one2one_cv2, head.one2one_cv3 = copy.deepcopy(head.cv2), copy.deepcopy(head.cv3)


class Student(nn.Module):
    """The network while it learns: people's network with both sets of heads, and the ball's head."""

    platt: torch.Tensor

    def __init__(self, start: dict[str, torch.Tensor]) -> None:
        super().__init__()
        people = build_network()
        own = people.state_dict()
        fits = {k: (start[k] if k in start and start[k].shape == v.shape else v) for k, v in own.items()}
        people.load_state_dict(fits)
        add_one_to_one(people)
        people.args = SimpleNamespace(box=7.5, cls=0.5, dfl=1.5)  # type: ignore[assignment]
        self.people, self.ball = people, BallHead()
        ball = {k.removeprefix("ball."): v for k, v in start.items() if k.startswith("ball.")}
        if ball:
            self.ball.load_state_dict(ball)
        self.register_buffer("platt", start.get(PLATT, torch.tensor([1.0, 0.0])).float())
        self.seen: dict[int, torch.Tensor] = {}
        keep_features(people, self.seen)

    def forward(self, images: torch.Tensor) -> tuple[Any, torch.Tensor]:
        """Raw answers of both sets of heads, and of the ball's head (its features are not trained by it)."""
        answer = self.people(images)
        fine, coarse = self.seen.pop(BallHead.fine), self.seen.pop(BallHead.coarse)
        return answer, self.ball(fine.detach(), coarse.detach())


class PeopleLoss:
    """Ultralytics' detection loss on both sets of heads."""

    def __init__(self, people: nn.Module, one_weight: float = 1.0, many_weight: float = 0.5) -> None:
        from ultralytics.utils.loss import v8DetectionLoss

        self.many = v8DetectionLoss(people, tal_topk=10)
        self.one = v8DetectionLoss(people, tal_topk=7, tal_topk2=1)
        self.weights = (one_weight, many_weight)

    def __call__(
        self, answer: dict[str, Any], batch: dict[str, torch.Tensor]
    ) -> tuple[torch.Tensor, dict[str, torch.Tensor]]:
        """Loss (summed over its parts) and the parts of the one-to-one heads."""
        people = batch["cls"] != BALL
        batch = {k: v[people] for k, v in batch.items()}
        one, parts = self.one.loss(answer["one2one"], batch)
        many, _ = self.many.loss(answer["one2many"], batch)
        return self.weights[0] * one.sum() + self.weights[1] * many.sum(), parts


def ball_loss(answer: torch.Tensor, batch: dict[str, torch.Tensor]) -> torch.Tensor:
    """Loss of the ball's head. answer (B, 5, h, w); batch: boxes as shares of the picture."""
    n, _, h, w = answer.shape
    target = torch.zeros(n, h, w, device=answer.device)
    mine = batch["cls"] == BALL
    which, boxes = batch["batch_idx"][mine].long(), batch["bboxes"][mine].to(answer.device)
    size = torch.tensor([w, h], device=answer.device, dtype=torch.float32)
    centre, extent = boxes[:, :2] * size, boxes[:, 2:] * size
    cell = torch.minimum(centre.floor().long().clamp_min(0), size.long() - 1)
    xs, ys = torch.arange(w, device=answer.device), torch.arange(h, device=answer.device)
    for i, at, e in zip(which.tolist(), cell, extent, strict=True):
        sigma = max(0.6, float(e.max()) / 4)
        blob = torch.exp(
            -((xs - at[0]) ** 2)[None] / (2 * sigma**2) - ((ys - at[1]) ** 2)[:, None] / (2 * sigma**2)
        )
        target[i] = torch.maximum(target[i], blob)
    heat = answer[:, 0].float().sigmoid().clamp(1e-5, 1 - 1e-5)
    peak = target >= 0.999
    right = -((1 - heat) ** 2) * heat.log() * peak
    wrong = -((1 - target) ** 4) * heat**2 * (1 - heat).log() * ~peak
    loss = (right.sum() + wrong.sum()) / max(1, len(which))
    if len(which):
        found = answer[which, 1:, cell[:, 1], cell[:, 0]].float()
        wanted = torch.cat([centre - cell - 0.5, (extent * BallHead.stride).clamp_min(1.0).log()], 1)
        loss = loss + nn.functional.l1_loss(found, wanted)
    return loss


def deployable(student: Student, heads: str = "one") -> FilmDetector:
    """The network that ships: people's network with one set of heads (`one` or `many`), the ball's head."""
    every = student.people.state_dict()
    state = {k: v for k, v in every.items() if ONE not in k}
    if heads == "one":
        state |= {k.replace(ONE, ""): v for k, v in every.items() if ONE in k}
    people = build_network()
    people.load_state_dict(state)
    ball = BallHead()
    ball.load_state_dict(student.ball.state_dict())
    device = next(student.parameters()).device
    return FilmDetector(people, ball, student.platt.clone()).to(device).eval()
