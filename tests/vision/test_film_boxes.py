"""The men's boxes once they are followed: smoothed, given to the right man, told where he is hidden."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.evaluation.boxes import CORNERS
from vision.film_boxes import BoxSettings, loose_boxes, with_film_boxes
from vision.records import Detections

RATE, PX_PER_YD = 30.0, 20.0
WIDE, TALL = 18.0, 50.0


class _Camera:
    def to_image(self, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return places * PX_PER_YD, np.ones(len(places), bool)


class _Cameras:
    """A camera straight above: a yard is twenty pixels. lost: frames without one."""

    width_px, height_px = 1280, 720

    def __init__(self, lost: tuple[int, ...] = ()) -> None:
        self.lost = lost

    def camera(self, frame: int) -> _Camera | None:
        return None if frame in self.lost else _Camera()


def box_at(foot_px: np.ndarray) -> np.ndarray:
    x, y = foot_px
    return np.array([x - WIDE / 2, y - TALL, x + WIDE / 2, y])


def film(
    paths: dict[str, np.ndarray], error_px: float = 0.0, hidden: dict[str, range] | None = None
) -> tuple[pd.DataFrame, Detections, np.ndarray, np.ndarray]:
    """Rows of tracks, detections, each row's detection and each row's true box (N, 4)."""
    rng, hidden = np.random.default_rng(4), hidden or {}
    frames = len(next(iter(paths.values())))
    rows, true, found = [], [], []
    for name, path in paths.items():
        for k, place in enumerate(path):
            true.append(box_at(place * PX_PER_YD))
            seen = k not in hidden.get(name, range(0))
            rows.append(
                {"player_id": name, "frame": k, "x_field_yd": place[0], "y_field_yd": place[1], "sd_yd": 0.1}
            )
            found.append((k, len(rows) - 1) if seen else None)
    order = sorted(f for f in found if f is not None)
    row = np.full(len(rows), -1)
    for index, (_, who) in enumerate(order):
        row[who] = index
    boxes = np.array([true[who] for _, who in order]) + rng.normal(0, error_px, (len(order), 4))
    n = len(order)
    d = Detections(
        np.array([k for k, _ in order]), boxes, np.full(n, 0.8), np.zeros(n, np.uint8), np.zeros((n, 0)),
        np.arange(frames) / RATE, 1280, 720, "clip",
    )  # fmt: skip
    table = pd.DataFrame(rows)
    table[CORNERS] = np.where(row[:, None] >= 0, d.xyxy_px[row], np.nan)
    return table, d, row, np.array(true)


def run(x: float, y: float, frames: int = 40, speed: float = 6.0) -> np.ndarray:
    return np.stack([x + speed * np.arange(frames) / RATE, np.full(frames, y)], 1)


def iou(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    low, high = np.maximum(a[:, :2], b[:, :2]), np.minimum(a[:, 2:], b[:, 2:])
    inter = np.clip(high - low, 0, None).prod(1)
    return inter / ((a[:, 2:] - a[:, :2]).prod(1) + (b[:, 2:] - b[:, :2]).prod(1) - inter)


def test_true_boxes_stay_as_they_are() -> None:
    rows, d, row, true = film({"A1": run(10, 20), "B1": run(20, 25, speed=-4)})
    out = with_film_boxes(rows, _Cameras(), d, row)  # type: ignore[arg-type]
    assert out[CORNERS].to_numpy(float) == pytest.approx(true, abs=0.05)
    assert (out["box_confidence"] > 0.95).all()
    assert not len(loose_boxes(out, d))


def test_unsteady_boxes_come_nearer_the_truth() -> None:
    rows, d, row, true = film({"A1": run(10, 20), "B1": run(20, 25, speed=-4)}, error_px=3.0)
    out = with_film_boxes(rows, _Cameras(), d, row)  # type: ignore[arg-type]
    before = iou(rows[CORNERS].to_numpy(float), true)
    after = iou(out[CORNERS].to_numpy(float), true)
    assert after.mean() > before.mean() + 0.08
    assert (after > before).mean() > 0.8


def test_a_box_on_the_wrong_man_goes_to_the_right_one() -> None:
    """Two men side by side whose boxes the tracker exchanged in three frames."""
    rows, d, row, true = film({"A1": run(10, 20), "A2": run(10.7, 20.3)})
    one, two = rows["player_id"] == "A1", rows["player_id"] == "A2"
    swapped = rows["frame"].isin([15, 16, 17]).to_numpy()
    given = row.copy()
    given[swapped & one], given[swapped & two] = row[swapped & two], row[swapped & one]
    rows[CORNERS] = d.xyxy_px[given]
    out = with_film_boxes(rows, _Cameras(), d, given)  # type: ignore[arg-type]
    assert out[CORNERS].to_numpy(float) == pytest.approx(true, abs=0.5)


def test_a_hidden_man_is_boxed_where_his_place_is_known() -> None:
    rows, d, row, true = film({"A1": run(10, 20), "B1": run(30, 25)}, hidden={"A1": range(12, 24)})
    gone = (rows["player_id"] == "A1") & rows["frame"].between(12, 23)
    rows.loc[gone & (rows["frame"] >= 18), "sd_yd"] = BoxSettings().most_sd_yd + 0.1
    out = with_film_boxes(rows, _Cameras(), d, row)  # type: ignore[arg-type]
    known = gone & (rows["frame"] < 18)
    assert out.loc[known, CORNERS].to_numpy(float) == pytest.approx(true[known.to_numpy()], abs=0.5)
    assert out.loc[gone & ~known, [*CORNERS, "box_confidence"]].isna().all().all()
    assert (out.loc[known, "box_confidence"] < out.loc[~gone, "box_confidence"].min()).all()


def test_a_seen_box_nobody_was_given_is_taken_by_the_man_it_fits() -> None:
    rows, d, row, true = film({"A1": run(10, 20), "B1": run(30, 25)})
    lost = ((rows["player_id"] == "A1") & (rows["frame"] == 20)).to_numpy()
    given = np.where(lost, -1, row)
    rows.loc[lost, CORNERS] = np.nan
    rows.loc[lost, "sd_yd"] = 2.0  # the path alone would tell nothing
    out = with_film_boxes(rows, _Cameras(), d, given)  # type: ignore[arg-type]
    assert out.loc[lost, CORNERS].to_numpy(float) == pytest.approx(true[lost], abs=0.5)


def test_frames_without_a_camera_and_boxes_at_the_border_keep_theirs() -> None:
    rows, d, row, _ = film({"A1": run(0.2, 20, speed=2), "B1": run(30, 25)}, error_px=3.0)
    out = with_film_boxes(rows, _Cameras(lost=(7,)), d, row)  # type: ignore[arg-type]
    own = d.xyxy_px[row]
    kept = ((rows["frame"] == 7) | (own[:, 0] < 2)).to_numpy()
    assert out.loc[kept, CORNERS].to_numpy(float) == pytest.approx(own[kept])
    assert not np.allclose(out.loc[~kept, CORNERS].to_numpy(float), own[~kept], atol=0.5)


def test_who_is_seen_and_not_followed_is_loose() -> None:
    rows, d, row, _ = film({"A1": run(10, 20), "B1": run(30, 25), "X1": run(40, 10)})
    followed = rows["player_id"] != "X1"
    out = with_film_boxes(rows[followed], _Cameras(), d, row[followed.to_numpy()])  # type: ignore[arg-type]
    loose = loose_boxes(out, d)
    assert loose["frame"].tolist() == list(range(40))
    assert loose[CORNERS].to_numpy(float) == pytest.approx(d.xyxy_px[row[~followed.to_numpy()]])
    assert loose["box_confidence"].tolist() == pytest.approx([0.8 * BoxSettings().loose_share] * 40)


def test_a_loose_official_is_likely_there_unless_he_overlaps_somebody_followed() -> None:
    men = {"A1": run(10, 20), "X1": run(10.3, 20), "X2": run(40, 10), "B1": run(30, 25)}
    rows, d, row, _ = film(men)
    followed = rows["player_id"].isin(["A1"]).to_numpy()
    official = np.isin(np.arange(len(d)), row[rows["player_id"].isin(["X1", "X2"]).to_numpy()])
    d = replace(d, kind=np.where(official, 1, 0))
    out = with_film_boxes(rows[followed], _Cameras(), d, row[followed])  # type: ignore[arg-type]
    loose = loose_boxes(out, d)
    chance = loose[loose["frame"] == 5].groupby("kind")["box_confidence"].apply(lambda c: sorted(c))
    beside, alone = chance["official"]
    fixed, by_confidence, _ = BoxSettings().loose_official
    assert alone == pytest.approx(1 / (1 + np.exp(-fixed - by_confidence * 0.8))) and alone > 0.6
    assert beside < alone / 2
    assert chance["player"] == pytest.approx([0.8 * BoxSettings().loose_share])


def test_nobody_at_all() -> None:
    rows, d, row, _ = film({"A1": run(10, 20)})
    out = with_film_boxes(rows.iloc[:0], _Cameras(), d, row[:0])  # type: ignore[arg-type]
    assert len(out) == 0 and "box_confidence" in out
    assert len(loose_boxes(out, d)) == 40
    empty = d.select(np.zeros(len(d), bool))
    bare = with_film_boxes(rows, _Cameras(), empty, np.full(len(rows), -1))  # type: ignore[arg-type]
    assert bare[CORNERS].isna().all().all() and not len(loose_boxes(bare, empty))
