"""The judge's own questions of the ball, and what training does with balls that count neither way."""

from __future__ import annotations

import math

import pytest
import torch

from models.detector.network import KINDS
from models.training.detector_losses import ball_loss
from models.training.judge_detector import any_person, ball_figures
from models.training.style_mixing import mix_styles

BALL = KINDS.index("ball")


def _frame(found: list[list[float]], scores: list[float], true: list[list[float]]) -> dict[str, torch.Tensor]:
    return {
        "xyxy": torch.tensor(found).reshape(-1, 4), "confidence": torch.tensor(scores),
        "kind": torch.full((len(found),), BALL), "true_xyxy": torch.tensor(true).reshape(-1, 4),
        "true_kind": torch.full((len(true),), BALL),
    }  # fmt: skip


def test_recall_of_the_ball_at_a_precision_by_hand() -> None:
    ball = [100.0, 100.0, 108.0, 106.0]
    off = [104.0, 100.0, 112.0, 106.0]  # half a length away: IoU 1/3, but its centre is near enough
    frames = [
        _frame([ball], [0.9], [ball]),
        _frame([off], [0.8], [ball]),
        _frame([[300.0, 0.0, 308.0, 6.0], ball], [0.7, 0.2], [ball]),
        _frame([[50.0, 50.0, 54.0, 53.0]], [0.95], [[50.0, 50.0, 54.0, 53.0]]),  # 4 px long: not asked for
    ]
    got = ball_figures(frames, 1.0, precision=0.7)
    assert got["box"]["n"] == got["centre"]["n"] == 3
    assert got["box"]["recall"] == pytest.approx(1 / 3, abs=1e-3) and got["box"]["at_confidence"] == 0.9
    assert got["centre"]["recall"] == 1.0  # three right of four
    assert ball_figures(frames, 0.5)["box"]["n"] == 0  # four pixels long at half the size


def test_all_people_count_as_one_kind_and_the_ball_stays() -> None:
    frame = _frame([[0.0, 0.0, 9.0, 9.0]] * 2, [0.5, 0.4], [])
    frame["kind"] = torch.tensor([3, BALL])
    assert any_person([frame])[0]["kind"].tolist() == [0, BALL]


def test_a_ball_that_counts_neither_way_costs_nothing() -> None:
    answer = torch.zeros(1, 5, 20, 30)
    answer[:, 0] = -6.0
    answer[0, 0, 7, 12] = 5.0  # at (50, 30) px of 120 x 80
    none = {"batch_idx": torch.zeros(0), "cls": torch.zeros(0), "bboxes": torch.zeros(0, 4)}
    there = torch.tensor([[0.0, 50 / 120, 30 / 80, 8 / 120, 6 / 80]])
    elsewhere = torch.tensor([[0.0, 20 / 120, 60 / 80, 8 / 120, 6 / 80]])
    assert float(ball_loss(answer, none | {"ignored": there})) < 0.05
    assert float(ball_loss(answer, none | {"ignored": elsewhere})) > 1.0
    assert math.isclose(
        float(ball_loss(answer, none)), float(ball_loss(answer, none | {"ignored": elsewhere})), rel_tol=0.01
    )


def test_mixed_styles_keep_the_shape_and_lie_between_the_pictures() -> None:
    torch.manual_seed(4)
    features = torch.randn(6, 8, 12, 16) * torch.arange(1, 7).view(-1, 1, 1, 1) + 3
    mixed = mix_styles(features)
    assert not torch.allclose(mixed, features)
    low, high = features.mean((2, 3)).amin(0), features.mean((2, 3)).amax(0)
    assert bool(((mixed.mean((2, 3)) >= low - 1e-3) & (mixed.mean((2, 3)) <= high + 1e-3)).all())

    def bare(x: torch.Tensor) -> torch.Tensor:
        return (x - x.mean((2, 3), keepdim=True)) / x.std((2, 3), keepdim=True)

    assert torch.allclose(bare(mixed), bare(features), atol=1e-4)
