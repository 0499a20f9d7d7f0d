"""One man or two: columns worked by hand, the surest box is the right one, and what the network learns."""

from pathlib import Path

import numpy as np
import pytest
import torch
from torchvision.ops import box_iou

from models.detector.agreement import Agreement, agree
from models.detector.crowd import SHIPPED, Crowd, describe, shipped
from models.detector.detector import Boxes
from models.detector.storage import WeightsError
from models.training.train_crowd import figures, fit, right_boxes, rows_of

PLAYER, OFFICIAL, BALL = 0, 1, 2
SIZE = (1280, 720)


def boxes(xyxy: list[list[float]], confidence: list[float], kind: list[int]) -> Boxes:
    return Boxes(np.array(xyxy, np.float32), np.array(confidence, np.float32), np.array(kind, np.uint8))


def row_of_men(n: int = 8) -> list[list[float]]:
    return [[100 + 120 * k, 300, 125 + 120 * k, 350] for k in range(n)]


def test_mean_and_spread_of_the_looks_by_hand() -> None:
    looks = [boxes([[0, 0, 20, 50]], [0.6], [PLAYER]), boxes([[4, 0, 24, 50]], [0.2], [PLAYER])]
    seen = agree([*looks, boxes([[300, 0, 320, 50]], [0.8], [OFFICIAL])])
    np.testing.assert_allclose(seen.xyxy_px[0], [1, 0, 21, 50])  # 0.75 of one look, 0.25 of the other
    np.testing.assert_allclose(seen.spread_px[0], [np.sqrt(0.75 * 1 + 0.25 * 9), 0, np.sqrt(3), 0], atol=1e-6)
    np.testing.assert_allclose(seen.chance[:, :2], [[0.8 / 3, 0], [0, 0.8 / 3]], atol=1e-6)


def test_columns_of_a_box_beside_a_surer_one_by_hand() -> None:
    look = boxes([[100, 300, 120, 350], [105, 310, 125, 360]], [0.9, 0.4], [PLAYER, PLAYER])
    columns = describe(agree([look, look]), SIZE)
    assert columns.shape == (2, 24)
    iou = float(box_iou(*(torch.from_numpy(look.xyxy_px[k : k + 1]) for k in (0, 1))))
    np.testing.assert_allclose(columns[0, 13:20], 0, atol=1e-6)  # nobody is surer than the first
    np.testing.assert_allclose(
        columns[1, 13:21], [iou, 0.9, 10 / 50, 5 / 20, 0, 0, 0, 0], rtol=1e-5, atol=1e-6
    )
    np.testing.assert_allclose(columns[0, 20:22], [iou, 0], rtol=1e-5)
    assert columns[1, 21] == pytest.approx(15 * 40 / 1000)  # so much of him lies inside the first
    np.testing.assert_allclose(columns[:, :5], [[0.9, 0.9, 0, 0, 0.9], [0.4, 0.4, 0, 0, 0.4]], rtol=1e-5)
    assert columns[1, 5] == 1 and columns[0, 10] == pytest.approx(np.log(0.4))


def test_a_giant_among_men_stands_out_and_balls_are_nobodys_neighbours() -> None:
    men = [*row_of_men(), [700, 150, 760, 350], [100, 300, 125, 350.5]]
    columns = describe(agree([boxes(men, [0.9] * 8 + [0.3, 0.8], [PLAYER] * 9 + [BALL])]), SIZE)
    assert abs(columns[:8, 11]).max() < 0.01 and columns[8, 11] == pytest.approx(np.log(4), abs=0.01)
    assert columns[0, 13] == columns[0, 20] == 0


def test_the_surest_box_of_his_kind_is_right_and_no_other() -> None:
    men = [[0, 0, 20, 50], [2, 0, 22, 50], [100, 0, 120, 50], [200, 0, 220, 50]]
    seen = agree([boxes(men, [0.5, 0.8, 0.9, 0.9], [PLAYER, PLAYER, OFFICIAL, PLAYER])])
    true = np.array([[1, 0, 21, 50], [100, 0, 120, 50], [211, 0, 231, 50]])
    assert right_boxes(seen, true, np.array([PLAYER, PLAYER, PLAYER])).tolist() == [False, True, False, False]
    assert not right_boxes(seen, np.zeros((0, 4)), np.zeros(0, int)).any()


def pictures(rng: np.random.Generator, n: int) -> list[tuple[Agreement, np.ndarray]]:
    """A row of men each, half of them with a second box: on a man seen by every look, doubles by one."""
    out = []
    for _ in range(n):
        men = np.array(row_of_men(), float) + rng.normal(0, 1, (8, 4))
        beside = men[:4] + [12, 0, 12, 0]
        looks = []
        for k in range(4):
            found, sure = [*men, *beside[:2]], [*rng.uniform(0.5, 0.9, 8), *rng.uniform(0.1, 0.4, 2)]
            if k == 0:
                found, sure = [*found, *beside[2:]], [*sure, *rng.uniform(0.5, 0.9, 2)]
            jitter = rng.normal(0, 0.5, (len(found), 4))
            looks.append(boxes(list(np.array(found) + jitter), sure, [PLAYER] * len(found)))
        out.append((agree(looks), np.concatenate([men, beside[:2]])))
    return out


def test_it_learns_to_tell_a_hidden_man_from_a_second_box_and_keeps_it(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    rows = [
        rows_of(seen, SIZE, true.astype(np.float32), np.zeros(len(true), int))
        for seen, true in pictures(rng, 60)
    ]
    columns, right, said = (np.concatenate(p) for p in zip(*rows, strict=True))
    crowd = fit(columns[:480], right[:480], 0)
    again = fit(columns[:480], right[:480], 0)
    chance = crowd.chance(columns[480:])
    np.testing.assert_array_equal(chance, again.chance(columns[480:]))
    assert ((chance > 0.5) == right[480:]).mean() > 0.97
    assert ((said[480:] > 0.25) == right[480:]).mean() < 0.95  # the looks' own chance does not tell
    assert "(240 boxes of 20 pictures)" in figures(crowd, rows[40:])
    crowd.save(tmp_path / "crowd.npz")
    np.testing.assert_array_equal(Crowd.load(tmp_path / "crowd.npz").chance(columns), crowd.chance(columns))


def test_what_ships_doubts_a_second_box_more_than_a_clear_man() -> None:
    men = [*row_of_men(), [107, 302, 131, 354], [500, 100, 508, 104]]
    looks = [boxes(men[:8] + men[9:], [0.8] * 8 + [0.5], [PLAYER] * 8 + [BALL]) for _ in range(3)]
    looks.append(boxes(men, [0.8] * 9 + [0.5], [PLAYER] * 9 + [BALL]))
    seen = agree(looks)
    double = int(np.abs(seen.xyxy_px - men[8]).sum(1).argmin())
    ball = int((seen.chance.argmax(1) == BALL).argmax())
    said, sure = seen.chance.max(1), shipped().confidence(seen, SIZE)
    clear = [k for k in range(len(said)) if k not in (double, ball)]
    assert sure[clear].min() > 0.75 and sure[double] < said[double] and sure[ball] == said[ball]
    assert seen.boxes(sure).confidence.tolist() == sorted(sure.astype(np.float32).tolist(), reverse=True)


def test_nothing_seen_and_a_foreign_file(tmp_path: Path) -> None:
    empty = agree([])
    assert len(empty.boxes(shipped().confidence(empty, SIZE))) == 0
    nothing = Boxes(np.zeros((0, 4), np.float32), np.zeros(0, np.float32), np.zeros(0, np.uint8))
    assert describe(agree([nothing, nothing]), SIZE).shape == (0, 24)
    (tmp_path / "text.npz").write_text("not an archive")
    with pytest.raises(WeightsError, match=r"text.npz"):
        Crowd.load(tmp_path / "text.npz")
    np.savez(tmp_path / "other.npz", a=np.zeros(3))
    with pytest.raises(WeightsError, match="not a network"):
        Crowd.load(tmp_path / "other.npz")


@pytest.mark.parametrize("damage", ["cut", "empty", "struck"])
def test_a_damaged_file_is_refused_with_its_name(tmp_path: Path, damage: str) -> None:
    whole = SHIPPED.read_bytes()
    struck = whole[:900] + bytes(40) + whole[940:]
    (tmp_path / "bad.npz").write_bytes({"cut": whole[:2000], "empty": b"", "struck": struck}[damage])
    with pytest.raises(WeightsError, match=r"bad.npz: not a network"):
        Crowd.load(tmp_path / "bad.npz")
