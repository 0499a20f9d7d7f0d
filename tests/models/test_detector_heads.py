"""The detector's heads: one answer a man, the ball's heat map, scores that are chances, bare textures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import torch

from models.detector.detector import SHIPPED, Boxes
from models.detector.network import KINDS, PLATT, BallHead, FilmDetector, build_network, load_network
from models.training.augment import textures
from models.training.calibrate_detector import fit_edge, fit_platt, right_boxes
from models.training.detector_losses import PeopleLoss, Student, ball_loss, deployable
from models.training.frames import LabelledFrame
from models.training.train_detector import save_state

BALL = KINDS.index("ball")


def _answer(h: int = 20, w: int = 30) -> torch.Tensor:
    answer = torch.zeros(1, 5, h, w)
    answer[:, 0] = -6.0
    return answer


def test_a_planted_peak_comes_out_as_a_ball_at_its_place() -> None:
    answer = _answer()
    answer[0, :, 7, 12] = torch.tensor([3.0, 0.25, -0.25, np.log(9.0), np.log(5.0)])
    rows = BallHead().rows(answer)[0]
    best = rows[:, rows[4 + BALL].argmax()]
    assert best[:4].tolist() == pytest.approx([(12 + 0.75) * 4, (7 + 0.25) * 4, 9.0, 5.0], rel=1e-4)
    assert best[4 + BALL] == pytest.approx(1 / (1 + np.exp(-3.0)), rel=1e-5)
    assert float(rows[4:].sum(0).sub(rows[4 + BALL]).abs().max()) == 0  # no other kind


def test_two_peaks_side_by_side_are_one_ball() -> None:
    answer = _answer()
    answer[0, 0, 7, 12], answer[0, 0, 7, 13] = 3.0, 2.5
    scores = BallHead().rows(answer)[0, 4 + BALL]
    assert int((scores > 0.5).sum()) == 1


def test_the_balls_loss_is_least_at_the_truth() -> None:
    box = torch.tensor([[50 / 120, 30 / 80, 8 / 120, 6 / 80]])  # centre (50, 30) px of 120 x 80
    batch = {"batch_idx": torch.zeros(1), "cls": torch.tensor([float(BALL)]), "bboxes": box}

    def loss(column: int, row: int) -> float:
        answer = _answer()
        answer[0, 0, row, column] = 5.0
        answer[0, 1:, row, column] = torch.tensor([0.0, 0.0, np.log(8.0), np.log(6.0)])
        return float(ball_loss(answer, batch))

    right = loss(12, 7)
    assert right < loss(13, 7) and right < loss(20, 15)
    none = {"batch_idx": torch.zeros(0), "cls": torch.zeros(0), "bboxes": torch.zeros(0, 4)}
    assert float(ball_loss(_answer(), none)) < 0.05  # nothing there and nothing said


def test_both_heads_learn_but_only_one_ships(tmp_path: Path) -> None:
    torch.manual_seed(0)
    student = Student({}).train()
    images = torch.rand(1, 3, 96, 128)
    batch = {
        "batch_idx": torch.zeros(2), "cls": torch.tensor([0.0, float(BALL)]),
        "bboxes": torch.tensor([[0.5, 0.5, 0.2, 0.4], [0.2, 0.2, 0.05, 0.05]]),
    }  # fmt: skip
    answer, ball = student(images)
    loss, _ = PeopleLoss(student.people)(answer, batch)
    (loss + ball_loss(ball, batch)).backward()
    head: Any = student.people.model[-1]  # type: ignore[index, union-attr]
    for part in (head.cv2, head.one2one_cv2, student.ball):
        assert any(p.grad is not None and float(p.grad.abs().max()) > 0 for p in part.parameters())
    with torch.no_grad():
        head.one2one_cv3[0][-1].bias += 1.0
    save_state(deployable(student.eval()), tmp_path / "one.pt")
    save_state(deployable(student, "many"), tmp_path / "many.pt")
    one, many = load_network(tmp_path / "one.pt"), load_network(tmp_path / "many.pt")
    with torch.inference_mode():
        a, b = one(images), many(images)
    assert a.shape == b.shape and not torch.allclose(a[:, 4:], b[:, 4:])


def test_scores_become_chances_in_order_and_weights_without_a_fit_stay_as_they_are() -> None:
    torch.manual_seed(1)
    people, images = build_network().eval(), torch.rand(1, 3, 64, 64)
    with torch.inference_mode():
        plain = FilmDetector(people, None)(images)[0, 4]
        fitted = FilmDetector(people, None, torch.tensor([2.0, 1.5]))(images)[0, 4]
        raw = people(images)[0][0, 4]
    assert torch.allclose(plain, raw, atol=1e-5)
    assert torch.equal(plain.argsort(), fitted.argsort())
    assert torch.allclose(fitted, torch.sigmoid(2 * torch.logit(raw, 1e-6) + 1.5), atol=1e-5)


def test_platt_scaling_finds_the_chances_behind_the_scores() -> None:
    rng = np.random.default_rng(3)
    score = rng.uniform(0.01, 0.99, 20000)
    chance = 1 / (1 + np.exp(-(1.7 * np.log(score / (1 - score)) + 0.8)))
    slope, offset = fit_platt(score, rng.random(20000) < chance)
    assert slope == pytest.approx(1.7, abs=0.08) and offset == pytest.approx(0.8, abs=0.08)


def test_a_second_box_on_a_man_is_not_right() -> None:
    true = torch.tensor([[0.0, 0.0, 10.0, 20.0]])
    boxes = torch.tensor([[1.0, 0.0, 11.0, 20.0], [0.0, 0.0, 10.0, 20.0], [50.0, 0.0, 60.0, 20.0]])
    assert right_boxes(boxes, torch.tensor([0.9, 0.8, 0.7]), true).tolist() == [True, False, False]


def test_textures_are_pictures_and_never_the_same() -> None:
    torch.manual_seed(2)
    made = textures(3, 48, 80, torch.device("cpu"))
    assert made.shape == (3, 3, 48, 80) and bool(torch.isfinite(made).all())
    assert float(made.min()) >= 0 and float(made.max()) <= 1 and float(made[0].std()) > 0.005
    assert not torch.allclose(made[0], made[1])


@pytest.mark.skipif(not SHIPPED.exists(), reason="no shipped weights in this checkout")
def test_the_shipped_weights_hold_a_ball_head_and_a_fit() -> None:
    network = load_network(SHIPPED)
    assert isinstance(network, FilmDetector) and network.ball is not None
    assert float(network.platt[0]) > 0 and PLATT in network.state_dict()


def test_the_offset_of_boxes_is_measured_in_pixels_of_the_picture(tmp_path: Path) -> None:
    """Truth half a pixel from the answers, counted from the corner: the fit gives back what was laid in."""
    cv2.imwrite(str(tmp_path / "a.jpg"), np.zeros((200, 300, 3), np.uint8))
    true = np.array([[20, 30, 50, 90], [100, 30, 130, 90], [200, 40, 240, 130]], np.float32)
    frame = LabelledFrame(tmp_path / "a.jpg", true, np.array([0, 1, 0]))

    class Answers:
        def detect(self, pictures: list[np.ndarray], least: float) -> list[Boxes]:
            laid = np.array([0.4, 0.1, 0.4, 0.1], np.float32)
            far = np.array([[150, 150, 170, 190]], np.float32)
            xyxy = np.concatenate([true - 0.5 + laid, far])
            return [Boxes(xyxy, np.full(4, 0.9, np.float32), np.zeros(4, np.uint8))]

    np.testing.assert_allclose(fit_edge(Answers(), [frame]), [0.4, 0.1], atol=0.011)  # type: ignore[arg-type]
    assert fit_edge(Answers(), []).tolist() == [0, 0]  # type: ignore[arg-type]
