"""Coverage measures: geometry done on paper, breaks and drops of made-up men, statistics of the stated sd."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision.coverage import lane_distance, leverage_words, measure, relation
from vision.coverage.drops import first_move
from vision.plays import Play, PlayerInPlay, Value
from vision.records import Tracks

SNAP = 2.0
LOS, SPOT = 40.0, 25.0
RATE = 20.0


def field(play_yd: np.ndarray) -> np.ndarray:
    """Play frame to field for an offense going +x from x = 40, ball at y = 25 (lateral + is -y)."""
    return np.stack([LOS + play_yd[..., 0], SPOT - play_yd[..., 1]], axis=-1)


def made_play(noise_yd: float = 0.0, throw_source: str = "measured", seed: int = 0) -> Play:
    """One curl by the right #1, a linebacker who drops, settles and breaks, a corner on top, a rusher.

    Times from the snap. Receiver: 7 yd/s^2 for 1 s (3.5 yd), then 7 yd/s to (12, 18), reached at 2.214 s.
    Linebacker from (4.5, 6): stands 0.25 s, goes 3 yd/s back until 1.75 s (4.5 yd: 9 deep), stays, throw at
    2.5, breaks at 2.8 s at 6 yd/s^2 straight toward (12, 18): 1.47 yd and 4.2 yd/s at the arrival (3.5 s).
    """
    t = np.arange(-SNAP, 5.0, 1 / RATE)
    after = np.maximum(t, 0)

    def stand(depth: float, lateral: float) -> np.ndarray:
        return np.tile([depth, lateral], (len(t), 1)).astype(float)

    receiver = stand(0, 18)
    receiver[:, 0] = np.minimum(np.where(after < 1, 3.5 * after**2, 7 * after - 3.5), 12)
    backer = stand(4.5, 6)
    backer[:, 0] += 3 * np.clip(t - 0.25, 0, 1.5)
    way = np.array([12.0, 18.0]) - backer[-1]
    length = float(np.hypot(*way))
    backer += (3 * np.clip(t - 2.8, 0, 1.3) ** 2 / length)[:, None] * way
    corner = stand(7, 19)
    corner[:, 0] += 4 * np.clip(t - 0.3, 0, 2.0)
    passer = stand(-5, 0)
    passer[:, 0] -= np.minimum(2 * after, 3)
    men = {"QB": passer, "Z": receiver, "W": backer, "C": corner, "E": stand(1, 4)}
    play_yd = np.array(list(men.values()))
    xy = field(play_yd) + np.random.default_rng(seed).normal(0, max(noise_yd, 1e-9), play_yd.shape)
    n = xy.shape[:2]
    clock = t + SNAP + 10
    team = ("offense", "offense", "defense", "defense", "defense")
    tracks = Tracks(
        tuple(men), team, xy, np.gradient(xy, clock, axis=1),
        np.full(n, max(noise_yd, 0.02)), np.ones(n, bool),
        np.zeros(n, bool), clock,
    )  # fmt: skip
    snap = 10 + SNAP
    players = (
        PlayerInPlay("QB", "offense", "QB", 1.0, depth_play_yd=-5, lateral_play_yd=0),
        PlayerInPlay(
            "Z", "offense", "WR", 1.0, receiver_number=1, side="right", depth_play_yd=0, lateral_play_yd=18
        ),
        PlayerInPlay("W", "defense", "LB", 1.0, job="underneath", depth_play_yd=4.5, lateral_play_yd=6),
        PlayerInPlay("C", "defense", "CB", 1.0, job="deep", depth_play_yd=7, lateral_play_yd=19),
        PlayerInPlay("E", "defense", "DL", 1.0, job="line", depth_play_yd=1, lateral_play_yd=4),
    )
    return Play(
        "p1", "ncaa", 1, Value(LOS, 0.1, "measured"), Value(SPOT, 0.1, "measured"),
        Value(snap, 0.03, "measured"),
        throw_s=Value(snap + 2.5, 0.05, throw_source), arrival_s=Value(snap + 3.5, 0.05, throw_source),
        kind="pass", kind_probability=1.0, players=players, field_side="left", tracks=tracks,
        qb_set_s=Value(snap + 1.5, 0.1, "estimated"),
        arrival_depth_play_yd=Value(12.0, 0.5, throw_source),
        arrival_lateral_play_yd=Value(18.0, 0.5, throw_source),
    )  # fmt: skip


ROUTES = [{"player_id": "Z", "route": "curl", "break_s": 2.2}]


def test_relation_on_paper_both_sides() -> None:
    # the curl of the trade: defender 2.5 inside and 2.5 underneath, 3.54 yd away
    right = relation((12, 18), (9.5, 15.5), "right")
    assert (right.inside_yd, right.under_yd, right.cushion_yd) == pytest.approx((2.5, 2.5, -2.5))
    assert right.distance_yd == pytest.approx(2.5 * math.sqrt(2))
    assert right.words == "inside, underneath"
    left = relation((12, -18), (9.5, -15.5), "left")
    assert (left.inside_yd, left.under_yd) == pytest.approx((2.5, 2.5))
    outside = relation((12, -18), (15, -20), "left")
    assert (outside.inside_yd, outside.under_yd) == pytest.approx((-2, -3))
    assert outside.words == "outside, over the top"


def test_relation_near_the_ball_and_unseen() -> None:
    # within 1 yd of the ball the side at the snap decides; without one, inside stays blank
    assert relation((5, 0.5), (5, -0.5), "right").inside_yd == pytest.approx(1.0)
    assert relation((5, 0.5), (5, -0.5), "left").inside_yd == pytest.approx(-1.0)
    assert math.isnan(relation((5, 0.5), (5, -0.5)).inside_yd)
    assert relation((5, 4), (math.nan, 1)).words == ""
    assert leverage_words(0.2, math.nan) == "head-up"


def test_lane_is_a_piece_of_a_line() -> None:
    # passer (0,0), receiver (8,6): direction (4,3)/5. Defender (1,7): foot (4,3), distance 5 (3-4-5 triangle)
    assert lane_distance((0, 0), (8, 6), (1, 7)) == pytest.approx(5.0)
    # beyond the receiver the distance is to him
    assert lane_distance((0, 0), (8, 6), (11, 10)) == pytest.approx(5.0)
    assert math.isnan(lane_distance((0, 0), (math.nan, 6), (1, 7)))


def test_matchups_by_hand() -> None:
    matchups, _ = measure(made_play(), ROUTES)
    rows = {(m.moment, m.kind): m for m in matchups}
    assert {m for m, _ in rows} == {"snap", "break", "throw", "arrival"}
    snap = rows["snap", "nearest"]
    assert snap.defender_id == "C" and snap.cushion_yd == pytest.approx(7.0, abs=0.15)
    assert snap.inside_yd == pytest.approx(-1.0, abs=0.1)  # corner at 19, receiver at 18: outside by one
    # at the throw the linebacker is at (9, 6): 3 under, 12 inside; the corner at (15, 19) is nearest
    throw = rows["throw", "underneath"]
    assert throw.defender_id == "W"
    assert (throw.under_yd, throw.inside_yd) == pytest.approx((3.0, 12.0), abs=0.2)
    assert rows["throw", "nearest"].defender_id == "C"
    assert rows["throw", "nearest"].distance_yd == pytest.approx(math.hypot(3, 1), abs=0.25)
    # lane from (-8, 0) to (12, 18), defender (9, 6): |20*6 - 18*17| / sqrt(20^2+18^2) = 186/26.9 = 6.91
    assert throw.lane_yd == pytest.approx(6.91, abs=0.2)
    # arrival at 3.5 s: the linebacker has driven 3 * 0.7^2 = 1.47 of 12.37 yd
    assert rows["arrival", "underneath"].distance_yd == pytest.approx(math.hypot(3, 12) - 1.47, abs=0.2)
    assert math.isnan(snap.lane_yd)
    assert set(snap.row()) >= {"play_id", "receiver_id", "defender_id", "kind", "moment", "sd_yd", "leverage"}


def test_drop_by_hand() -> None:
    _, drops = measure(made_play(), ROUTES)
    assert {d.player_id for d in drops} == {"W", "C"}  # the rusher has no drop
    drop = next(d for d in drops if d.player_id == "W")
    assert drop.start_depth_play_yd == pytest.approx(4.5, abs=0.1)
    # 3 yd/s from 0.25 s: at 0.5, 1.0, 1.5 s it is 0.75, 2.25, 3.75 yd deeper; 9 deep from 1.75 s on
    assert drop.depth_yd[:4] == pytest.approx([5.25, 6.75, 8.25, 9.0], abs=0.2)
    assert drop.first_second_speed_yd_per_s == pytest.approx(2.25, abs=0.2)
    assert drop.settle_s == pytest.approx(1.75, abs=0.15)
    assert drop.qb_set_s == pytest.approx(1.5)
    assert drop.throw_depth_play_yd == pytest.approx(9.0, abs=0.1)
    assert drop.deepest_play_yd == pytest.approx(9.0, abs=0.15)
    assert drop.bite_yd == pytest.approx(0.0, abs=0.1) and math.isnan(drop.turn_s)
    assert drop.reaction_s == pytest.approx(0.3, abs=0.12)
    assert drop.break_speed_yd_per_s == pytest.approx(4.2, abs=0.4)
    assert drop.path_efficiency == pytest.approx(1.0, abs=0.05)
    assert drop.arrival_distance_yd == pytest.approx(math.hypot(3, 12) - 1.47, abs=0.2)
    assert (drop.curl_inside_yd, drop.curl_under_yd) == pytest.approx((12.0, 3.0), abs=0.2)
    row = drop.row()
    assert row["depth_05_play_yd"] == drop.depth_yd[0] and "depth_30_play_yd" in row


def test_reaction_to_an_inferred_throw_stays_blank() -> None:
    """A throw read off the defenders cannot measure how late they were."""
    _, drops = measure(made_play(throw_source="estimated"), ROUTES)
    drop = next(d for d in drops if d.player_id == "W")
    assert math.isnan(drop.reaction_s) and math.isnan(drop.break_speed_yd_per_s)
    assert math.isfinite(drop.arrival_distance_yd)


def test_first_move_words() -> None:
    t = np.arange(-0.5, 2, 0.05)
    way = np.clip(t, 0, None)[:, None]
    # from (4.5, 6) on the right of the ball, wide field on the left
    start = np.array([[4.5, 6.0]])
    assert first_move(t, start + way * [[2.0, 0.0]], "left") == "back"
    assert first_move(t, start + way * [[0.0, 2.0]], "left") == "outside to boundary"
    assert first_move(t, start + way * [[0.0, -2.0]], "left") == "inside to field"
    assert first_move(t, start + way * [[-2.0, 0.0]], "left") == "up"
    assert first_move(t, start + way * [[0.0, 0.0]], "left") == ""


def test_stated_sd_covers_the_errors() -> None:
    """Distances from places shaken by 0.3 yd lie within two stated sd at least nine times in ten."""
    exact = {(m.kind, m.moment, m.defender_id): m for m in measure(made_play(), ROUTES)[0]}
    inside, total = 0, 0
    for seed in range(25):
        for m in measure(made_play(0.3, seed=seed), ROUTES)[0]:
            true = exact.get((m.kind, m.moment, m.defender_id))
            if true is not None:
                inside += abs(m.cushion_yd - true.cushion_yd) <= 2 * m.sd_yd
                total += 1
    assert total > 150 and inside / total >= 0.9


def test_runs_and_unread_plays_have_no_measures() -> None:
    empty = Play("p", "nfl", 0, Value(), Value(), Value())
    assert measure(empty, ROUTES) == ([], [])
