"""What the detector is trained to do: two sets of people's heads, and the ball's heat map.

The *many* heads (each man claimed by up to ten cells) train the features; the *one* heads (each man
claimed by one cell, the others told to be silent) learn from the same features and are what ships: men
who overlap need no hard suppression of boxes. After Wang et al., YOLOv10 (arXiv 2405.14458), as in
Ultralytics' end-to-end heads. The ball: penalty-reduced focal loss of CenterNet (arXiv 1904.07850).
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any

import torch
from torch import nn

from models.detector.network import (
    BALL,
    BALL_PREFIX,
    COARSE,
    FINE,
    PLATT,
    BallHead,
    FilmDetector,
    architecture_of,
    build_network,
    feature_channels,
    keep_features,
)

ONE = "one2one_"


def add_one_to_one(people: nn.Module) -> None:
    """Give the network's last layer a second set of heads, a copy of the first as it is now."""
    head: Any = people.model[-1]  # type: ignore[index, union-attr]
    head.one2one_cv2, head.one2one_cv3 = copy.deepcopy(head.cv2), copy.deepcopy(head.cv3)


def ball_shape(start: Mapping[str, torch.Tensor]) -> tuple[int, bool]:
    """Width of the ball's head of a start state and whether it sees the picture; 24, False without a head."""
    first = start.get(f"{BALL_PREFIX}from_fine.weight")
    return (24 if first is None else len(first)), f"{BALL_PREFIX}from_pixels.weight" in start


class Student(nn.Module):
    """The network while it learns: people's network with both sets of heads, and the ball's head."""

    platt: torch.Tensor

    def __init__(
        self, start: dict[str, torch.Tensor], ball_width: int | None = None, pixels: bool | None = None
    ) -> None:
        """start: state to go on from (may lack layers). ball_width, pixels: None, as the ball's head there;
        a head of other shape begins anew."""
        super().__init__()
        had_width, had_pixels = ball_shape(start)
        ball_width = had_width if ball_width is None else ball_width
        pixels = had_pixels if pixels is None else pixels
        people = build_network(architecture=architecture_of(start))
        own = people.state_dict()
        fits = {k: (start[k] if k in start and start[k].shape == v.shape else v) for k, v in own.items()}
        people.load_state_dict(fits)
        add_one_to_one(people)
        people.args = SimpleNamespace(box=7.5, cls=0.5, dfl=1.5)  # type: ignore[assignment]
        self.people, self.ball = people, BallHead(*feature_channels(people), ball_width, pixels)
        ball = {k.removeprefix(BALL_PREFIX): v for k, v in start.items() if k.startswith(BALL_PREFIX)}
        if {k: v.shape for k, v in ball.items()} == {k: v.shape for k, v in self.ball.state_dict().items()}:
            self.ball.load_state_dict(ball)
        self.register_buffer("platt", start.get(PLATT, torch.tensor([1.0, 0.0])).float())
        self.seen: dict[int, torch.Tensor] = {}
        keep_features(people, self.seen)

    def forward(self, images: torch.Tensor) -> tuple[Any, torch.Tensor]:
        """Raw answers of both sets of heads, and of the ball's head (which trains the neck, not stride 4)."""
        answer = self.people(images)
        fine, coarse = self.seen.pop(FINE), self.seen.pop(COARSE)
        return answer, self.ball(fine.detach(), coarse, images)


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
        batch = {k: batch[k][people] for k in ("batch_idx", "cls", "bboxes")}
        one, parts = self.one.loss(answer["one2one"], batch)
        many, _ = self.many.loss(answer["one2many"], batch)
        return self.weights[0] * one.sum() + self.weights[1] * many.sum(), parts


def ball_loss(answer: torch.Tensor, batch: dict[str, torch.Tensor]) -> torch.Tensor:
    """Loss of the ball's head. answer (B, 5, h, w); batch: boxes as shares of the picture.

    ``batch["ignored"]`` (M, 5), if there: picture and box (centre, size) of balls half hidden or too small,
    where the head may say what it likes.
    """
    n, _, h, w = answer.shape
    device = answer.device
    mine = batch["cls"] == BALL
    which, boxes = batch["batch_idx"][mine].long(), batch["bboxes"][mine].to(device)
    size = torch.tensor([w, h], device=device, dtype=torch.float32)
    centre, extent = boxes[:, :2] * size, boxes[:, 2:] * size
    cell = torch.minimum(centre.floor().long().clamp_min(0), size.long() - 1)
    xs, ys = torch.arange(w, device=device), torch.arange(h, device=device)
    spread = 2 * (extent.amax(1) / 4).clamp_min(0.6).square().view(-1, 1, 1) if len(which) else extent
    target = torch.zeros(n, h, w, device=device)
    if len(which):
        across = (xs[None] - cell[:, :1]).float().square()[:, None]
        down = (ys[None] - cell[:, 1:]).float().square()[:, :, None]
        target.index_reduce_(0, which, torch.exp(-(across + down) / spread), "amax")
    counts = torch.ones(n, h, w, device=device)
    ignored = batch.get("ignored")
    if ignored is not None and len(ignored):
        at, half = ignored[:, 1:3] * size, ignored[:, 3:] * size / 2 + 2
        near = ((xs[None] + 0.5 - at[:, :1]).abs() < half[:, :1])[:, None]
        near = near & ((ys[None] + 0.5 - at[:, 1:]).abs() < half[:, 1:])[:, :, None]
        counts.index_reduce_(0, ignored[:, 0].long(), 1 - near.float(), "amin")
    heat = answer[:, 0].float().sigmoid().clamp(1e-5, 1 - 1e-5)
    peak = target >= 0.999
    right = -((1 - heat) ** 2) * heat.log() * peak
    wrong = -((1 - target) ** 4) * heat**2 * (1 - heat).log() * ~peak * counts
    loss = (right.sum() + wrong.sum()) / max(1, len(which))
    if len(which):
        found = answer[which, 1:, cell[:, 1], cell[:, 0]].float()
        wanted = torch.cat([centre - cell - 0.5, (extent * BallHead.stride).clamp_min(1.0).log()], 1)
        loss = loss + nn.functional.l1_loss(found, wanted)
    return loss


def hold_norms(model: nn.Module) -> None:
    """Training mode with every batch-norm in eval mode (running statistics stay as they are)."""
    model.train()
    for module in model.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()


class TeacherLoss:
    """A larger detector's answers as soft targets for the one-to-one heads, cell by cell.

    Both networks answer on the same grid (strides 8, 16, 32). Kinds: cross entropy with the teacher's scores;
    boxes: divergence of the distributions of the four sides, weighted by the teacher's score (after Hinton
    et al., arXiv 1503.02531, and Zheng et al., localisation distillation, arXiv 2102.12252).
    """

    def __init__(self, state: dict[str, torch.Tensor], device: torch.device) -> None:
        self.teacher = Student(state).to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
        hold_norms(self.teacher)

    def __call__(self, images: torch.Tensor, answer: dict[str, Any]) -> torch.Tensor:
        """Loss (a sum over the batch, as Ultralytics') of the student's answer on images (B, 3, H, W)."""
        with torch.no_grad():
            said = self.teacher.people(images)["one2one"]
            self.teacher.seen.clear()
            chance = said["scores"].float().sigmoid()
            weight = chance.amax(1)
            sides = said["boxes"].float().unflatten(1, (4, -1)).softmax(2)
        mine = answer["one2one"]
        total = weight.sum().clamp_min(1.0)
        kinds = nn.functional.binary_cross_entropy_with_logits(
            mine["scores"].float(), chance, reduction="sum"
        )
        log_sides = mine["boxes"].float().unflatten(1, (4, -1)).log_softmax(2)
        apart = nn.functional.kl_div(log_sides, sides, reduction="none").sum(2).mean(1)
        return len(images) * (0.5 * kinds + 1.5 * (apart * weight).sum()) / total


def deployable(student: Student, heads: str = "one") -> FilmDetector:
    """The network that ships: people's network with one set of heads (`one` or `many`), the ball's head."""
    every = student.people.state_dict()
    state = {k: v for k, v in every.items() if ONE not in k}
    if heads == "one":
        state |= {k.replace(ONE, ""): v for k, v in every.items() if ONE in k}
    people = build_network(architecture=architecture_of(state))
    people.load_state_dict(state)
    ball = BallHead.like(student.ball.state_dict())
    device = next(student.parameters()).device
    return FilmDetector(people, ball, student.platt.clone()).to(device).eval()
