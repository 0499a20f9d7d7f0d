"""The camera's own figures: made evidence with exact truth through the counting and the clicks way."""

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from calibration import Camera, get_standard
from calibration.clip import MEASURED, ClipCameras
from models.evaluation.camera import score_clip
from models.evaluation.tally import Tally
from vision import score_camera
from vision.score_camera import TrueClip, add_clip, camera_tally, named_points

sys.path.insert(0, str(Path(__file__).parents[1] / "calibration"))
from clip_sim import simulate_clip

NCAA = get_standard("ncaa")


def _cameras(truth: list[Camera], covariance: np.ndarray) -> ClipCameras:
    n = len(truth)
    return ClipCameras(
        truth[0].width_px, truth[0].height_px, NCAA.width_yd, np.full(n, MEASURED, np.uint8),
        np.array([c.parameters for c in truth]), np.tile(covariance, (n, 1, 1)), np.full(n, 0.3),
        view="sideline",
    )  # fmt: skip


def _feet(rng: np.random.Generator, truth: list[Camera]) -> pd.DataFrame:
    rows = []
    for frame in range(0, len(truth), 4):
        xy = np.column_stack([rng.uniform(20, 80, 60), rng.uniform(5, 48, 60)])
        px, ok = truth[frame].to_image(xy)
        ok &= (np.abs(px - [640, 360]) < [600, 340]).all(1)
        for (u, v), (x, y) in zip(px[ok], xy[ok], strict=True):
            rows.append((frame, u, v, x, y))
    return pd.DataFrame(rows, columns=["frame", "foot_x_px", "foot_y_px", "x_field_yd", "y_field_yd"])


def _clip(seed: int, name: str, place: Camera | None = None) -> tuple[TrueClip, list[Camera]]:
    rng = np.random.default_rng(seed)
    evidence, truth = simulate_clip(rng, NCAA, frames=40, place=place)
    film: Any = SimpleNamespace(clip_id=name, evidence=evidence, step=1, pts_s=np.arange(40) / 30)
    true = _cameras(truth, np.zeros((9, 9)))
    return TrueClip(Path(name), film, "sideline", None, true, _feet(rng, truth)), truth


def test_coverage_is_that_of_the_stated_covariance_alone() -> None:
    """Cameras drawn from a covariance: 95 % of the feet inside when it is stated, fewer when a quarter is."""
    rng = np.random.default_rng(3)
    clip, truth = _clip(5, "a")
    covariance = np.diag(np.array([0.05, 0.05, 0.05, 0.002, 1e-4, 0.05, 0.05, 0.05, 0.01]) ** 2)
    drawn = [c.with_parameters(rng.multivariate_normal(c.parameters, covariance)) for c in truth]
    shares = []
    for stated in (covariance, covariance / 4):
        row = score_clip(_cameras(drawn, stated), clip.truth, clip.feet, NCAA)
        shares.append(row["within_95"])
    assert 0.85 < shares[0] <= 1.0  # ten frames, each one draw
    assert shares[1] < 0.85 < shares[0]


def test_four_named_points_lie_on_two_lines_and_two_rows() -> None:
    clip, truth = _clip(7, "a")
    (frame, four), = named_points(clip, NCAA, 4, np.random.default_rng(0)).items()  # fmt: skip
    a = np.array(four)
    assert len(np.unique(a[:, 2])) == 2 and len(np.unique(a[:, 3])) == 2
    px, _ = truth[frame].to_image(a[:, 2:])
    miss = np.abs(px - a[:, :2])
    assert 0.1 < miss.max() < 10.0
    (one,) = named_points(clip, NCAA, 1, np.random.default_rng(0)).values()
    assert len(one) == 1


def test_a_game_is_counted_with_and_without_clicks(monkeypatch: pytest.MonkeyPatch) -> None:
    first, truth = _clip(11, "a")
    second, _ = _clip(12, "b", place=truth[0])
    game = [first, second]
    monkeypatch.setattr(score_camera, "true_clips", lambda *a: iter(game))
    monkeypatch.setattr(score_camera, "collecting_s", lambda *a: 0.01)
    figures = camera_tally(Path("."), Path("."), "ncaa", clicks=True).figures()
    assert figures["sideline: frames with a camera"] == {"value": 1.0, "n": 80}
    assert figures["sideline: with clicks: clips off by 5 or 10 yd"] == {"value": 0.0, "n": 2}
    assert figures["sideline: with clicks: refused"] == {"value": 0.0, "n": 2}
    assert figures["sideline: with clicks: camera error yd (clip medians)"]["median"] < 0.15
    assert figures["sideline: feet inside the stated 95 % ellipse"]["n"] > 100
    assert 20 < figures[score_camera.SPEED]["median"] < 200  # 2 cores / (0.01 s + solving)


def test_a_clip_off_by_five_yards_counts_unless_it_asks() -> None:
    clip, truth = _clip(5, "a")
    moved = [replace(c, centre_field_yd=c.centre_field_yd + np.array([5.0, 0, 0])) for c in truth]
    wrong, tally = _cameras(moved, np.eye(9) * 1e-4), Tally()
    for cameras in (wrong, replace(wrong, needs_click=True, _cache={})):
        add_clip(tally, "sideline", score_clip(cameras, clip.truth, clip.feet, NCAA))
    figures = tally.figures()
    assert figures["sideline: clips off by 5 or 10 yd"] == {"value": 0.5, "n": 2}
    assert figures["sideline: asks for a click"] == {"value": 0.5, "n": 2}
