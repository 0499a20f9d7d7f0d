"""A frame's boxes with the frames beside it as further looks: truth made by hand, noise drawn."""

from __future__ import annotations

import numpy as np
import pytest

from models.detector.detector import Boxes
from models.detector.in_time import OTHERS_CHANCE, agreed_in_time, over_film

MEN, FRAMES, NOISE_PX = 14, 30, 1.5


def true_boxes(frame: float, pan_px: float = 12.0) -> np.ndarray:
    """(MEN, 4) px: men in rows, each with his own speed, in a picture that pans."""
    number = np.arange(MEN)
    x = 120.0 * (number % 7) + frame * (number % 5 - 2.0) - frame * pan_px
    y = 200.0 * (number // 7) + frame * (number % 3 - 1.0)
    return np.stack([x, y, x + 26, y + 70], 1)


def look(frame: float, rng: np.random.Generator | None = None, **about: float) -> Boxes:
    corners = true_boxes(frame, **about)
    if rng is not None:
        corners = corners + rng.normal(0, NOISE_PX, corners.shape)
    return Boxes(corners.astype(np.float32), np.full(MEN, 0.8, np.float32), np.zeros(MEN, np.uint8))


def without(boxes: Boxes, *rows: int) -> Boxes:
    keep = np.setdiff1d(np.arange(len(boxes)), rows)
    return Boxes(boxes.xyxy_px[keep], boxes.confidence[keep], boxes.kind[keep])


@pytest.mark.parametrize("pan_px", [0.0, 12.0, -40.0])
def test_noise_shrinks_as_the_weights_say_and_motion_is_kept(pan_px: float) -> None:
    """Own share 0.67, two beside of 0.165 each: sd of the sum sqrt(0.67^2 + 2 * 0.165^2) = 0.71."""
    rng = np.random.default_rng(4)
    looks = [look(k, rng, pan_px=pan_px) for k in range(FRAMES)]
    raw, settled = [], []
    for k, boxes in enumerate(over_film(looks)):
        assert len(boxes) == MEN and boxes.confidence == pytest.approx(0.8)
        if 0 < k < FRAMES - 1:
            raw.append(looks[k].xyxy_px - true_boxes(k, pan_px))
            settled.append(boxes.xyxy_px - true_boxes(k, pan_px))
    assert np.std(settled) / np.std(raw) == pytest.approx(0.71, abs=0.04)
    assert abs(float(np.mean(settled))) < 0.1  # nobody lags behind


def test_a_man_missed_for_a_frame_is_there_and_one_gone_for_good_is_not() -> None:
    before, now, after = look(0), look(1), look(2)
    found, new = agreed_in_time(before, without(now, 5, 9), without(after, 9))
    assert new.tolist() == [[5, 5]]
    assert found.xyxy_px[-1] == pytest.approx(true_boxes(1)[5], abs=0.01)
    assert found.confidence[-1] == pytest.approx(0.8 * OTHERS_CHANCE) and found.kind[-1] == 0
    assert len(found) == MEN - 1


def test_a_box_that_no_frame_beside_it_shows_is_doubted() -> None:
    now = look(1)
    stray = Boxes(
        np.concatenate([now.xyxy_px, [[900, 600, 930, 680]]]).astype(np.float32),
        np.append(now.confidence, 0.6).astype(np.float32),
        np.append(now.kind, 0).astype(np.uint8),
    )
    found, _ = agreed_in_time(look(0), stray, look(2))
    assert found.confidence[-1] == pytest.approx(0.3) and found.confidence[:-1] == pytest.approx(0.8)
    assert found.xyxy_px[-1].tolist() == [900, 600, 930, 680]


def test_a_kind_said_once_gives_way() -> None:
    now = look(1)
    now.kind[3], now.confidence[3] = 1, 0.5
    found, _ = agreed_in_time(look(0), now, look(2))
    assert found.kind.tolist() == [0] * MEN and found.confidence[3] == pytest.approx(0.4)


def test_a_cut_changes_nothing_and_an_end_has_one_frame_beside_it() -> None:
    rng = np.random.default_rng(1)
    other = Boxes(
        (rng.uniform(0, 900, (MEN, 1)) + rng.uniform(0, 300, (MEN, 4)).cumsum(1)).astype(np.float32),
        np.full(MEN, 0.9, np.float32),
        np.zeros(MEN, np.uint8),
    )
    now = look(1)
    for before, after in ((other, other), (None, other), (None, None)):
        found, new = agreed_in_time(before, now, after)
        assert np.array_equal(found.xyxy_px, now.xyxy_px) and found.confidence == pytest.approx(0.8)
        assert not len(new)
    doubtful = look(1)
    doubtful.confidence[2] = 0.2
    found, _ = agreed_in_time(other, doubtful, look(2))  # a cut before it: the frame after still counts
    assert found.confidence[2] == pytest.approx(0.5) and np.array_equal(found.xyxy_px, doubtful.xyxy_px)


def test_balls_stay_as_they_are_and_frames_keep_their_order() -> None:
    looks = []
    for k in range(5):
        men = look(k)
        looks.append(
            Boxes(
                np.concatenate([men.xyxy_px, [[40.0 * k, 300, 40.0 * k + 9, 306]]]).astype(np.float32),
                np.append(men.confidence, 0.1 * k + 0.1).astype(np.float32),
                np.append(men.kind, 2).astype(np.uint8),
            )
        )
    for k, boxes in enumerate(over_film(looks)):
        ball = boxes.kind == 2
        assert ball.sum() == 1 and boxes.confidence[ball][0] == pytest.approx(0.1 * k + 0.1)
        assert boxes.xyxy_px[ball][0].tolist() == [40.0 * k, 300, 40.0 * k + 9, 306]
        assert (np.diff(boxes.confidence) <= 0).all()
    assert k == 4 and list(over_film([])) == [] and len(list(over_film(looks[:1]))) == 1


def test_pictures_without_anybody_and_boxes_of_no_size() -> None:
    nobody = Boxes(np.zeros((0, 4), np.float32), np.zeros(0, np.float32), np.zeros(0, np.uint8))
    assert len(agreed_in_time(nobody, nobody, nobody)[0]) == 0
    assert len(agreed_in_time(look(0), nobody, look(2))[0]) in (0, MEN)
    flat = look(1)
    flat.xyxy_px[4, 2] = flat.xyxy_px[4, 0]
    found, _ = agreed_in_time(look(0), flat, look(2))
    assert np.isfinite(found.xyxy_px).all() and len(found) >= MEN
