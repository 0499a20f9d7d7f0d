"""People who are not of the play, and kits in uneven light."""

from __future__ import annotations

import numpy as np
import pytest

from vision.records import OTHER, PLAYER, Detections
from vision.tracking.bystanders import BystanderSettings, beside_field, signs_of, stillness
from vision.tracking.places import Places
from vision.tracking.teams import side_log_odds

S = BystanderSettings()
WIDTH = 160 / 3
T = np.arange(120) / 30.0


def a_crowd():
    """Eleven who run after 1 s, one who stands amid the field, two linemen who stand side by side."""
    men = 14
    x = np.zeros((men, len(T), 4))
    x[..., 0], x[..., 1] = 50.0 + 4.0 * np.arange(men)[:, None], 20.0
    x[:11, T > 1.0, 2] = 5.0
    x[:11, :, 0] += 5.0 * np.clip(T - 1.0, 0, None)
    x[11, :, :2], x[12, :, :2], x[13, :, :2] = (40.0, 45.0), (30.0, 10.0), (30.0, 11.0)
    return x


def test_who_stands_apart_while_the_others_run_is_told_and_linemen_are_not():
    x = a_crowd()
    inside = np.ones(x.shape[:2], bool)
    got = stillness(x[..., :2], np.linalg.norm(x[..., 2:], axis=-1), inside, T, S)
    assert got[11] > 4.0
    assert (got[:11] < -1.0).all()
    assert np.abs(got[12:]).max() == pytest.approx(0.0)


def test_nobody_is_suspected_while_all_stand():
    x = a_crowd()[:, :30]
    got = stillness(x[..., :2], np.linalg.norm(x[..., 2:], axis=-1), np.ones(x.shape[:2], bool), T[:30], S)
    assert np.abs(got).max() == pytest.approx(0.0)


def test_places_beside_the_field_speak_for_the_bench_by_how_sure_they_are():
    y = np.array([-2.0, 0.5, 0.5, 5.0, WIDTH / 2, WIDTH + 2.0])
    sd = np.array([0.3, 0.2, 1.5, 0.3, 0.3, 0.3])
    got = beside_field(y, sd, WIDTH, S)
    assert got[0] > 3 and got[-1] > 3
    assert got[1] < got[2] < got[0]
    assert np.abs(got[3:5]).max() < 0.1


def records(boxes_per_frame, kind, colour=None, xy=None):
    n = len(T) * boxes_per_frame
    frame = np.repeat(np.arange(len(T)), boxes_per_frame)
    xyxy = np.tile([10.0, 10.0, 30.0, 60.0], (n, 1))
    colour = np.zeros((n, 0)) if colour is None else colour
    d = Detections(frame, xyxy, np.full(n, 0.9), np.full(n, kind), colour, T, 1280, 720)
    flat = np.zeros(n)
    xy = np.column_stack([flat + 50.0, flat + 25.0]) if xy is None else xy
    yes, no = np.ones(n, bool), np.zeros(n, bool)
    near = np.tile(0.04 * np.eye(2), (n, 1, 1))
    places = Places(xy, near, flat + 2, flat, yes, flat, yes, no, flat, no, flat, np.zeros((n, 2)))
    return d, places


def test_what_the_detector_says_counts_up_to_a_limit():
    x = np.zeros((1, len(T), 4))
    x[..., :2] = 50.0, 25.0
    rows = [np.arange(len(T))]
    for kind, expected in ((OTHER, S.said_limit), (PLAYER, -S.said_limit)):
        d, places = records(1, kind)
        assert signs_of(rows, x, d, places, WIDTH, S)[0] == pytest.approx(expected, abs=0.1)


def test_kits_are_told_apart_where_the_light_changes_across_the_field():
    """Both kits grow darker toward the far side by as much as they differ: one threshold would fail there."""
    rng = np.random.default_rng(4)
    men = 22
    side = np.arange(men) % 2
    across = np.r_[rng.uniform(20, 33, 14), 4, 5, 8, 9, 45, 46, 49, 50]
    xy = np.column_stack([50.0 + 3.0 * np.where(side, 1, -1) + rng.uniform(-1, 1, men), across])
    n = len(T) * men
    shade = np.tile((across - WIDTH / 2) * 0.8, len(T))
    colour = rng.normal(0, 4, (n, 12)) + 0.0
    colour[:, 0] += 50 + 25 * np.tile(side, len(T)) - shade
    colour[:, 3] += 60 - shade  # the helmets are alike
    d, places = records(men, PLAYER, colour, np.tile(xy, (len(T), 1)))
    odds, parted = side_log_odds(d, places)
    right = (odds > 0) == np.tile(side == 1, len(T))
    assert parted > 2
    assert right.reshape(-1, men).mean(0).min() > 0.95


def test_a_crowd_of_few_says_nothing():
    x = a_crowd()[:3]
    speed = np.linalg.norm(x[..., 2:], axis=-1)
    assert np.abs(stillness(x[..., :2], speed, np.ones(speed.shape, bool), T, S)).max() == 0
