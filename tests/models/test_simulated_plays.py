"""Simulated plays against the shared motion facts, physics and the rules of the game."""

from __future__ import annotations

import numpy as np
import pytest

from models.synthetic.plays import (
    ACTIONS,
    FIELD_LENGTH_YD,
    FIELD_WIDTH_YD,
    HASH_FROM_SIDE_YD,
    ROUTES,
    simulate_play,
    to_field,
)
from models.synthetic.playsim_ball import GRAVITY_YD_PER_S2, flight_height
from models.synthetic.playsim_motion import step_velocity
from models.synthetic.playsim_sampler import sample_routes


@pytest.fixture(scope="module")
def passes():
    return [simulate_play(s, ("nfl", "ncaa", "nfhs", "canadian")[s % 4], "pass") for s in range(40)]


def speeds(xy: np.ndarray) -> np.ndarray:
    """10 Hz speed over 0.2 s, as league tables give it."""
    ten = np.asarray(xy, float)[::3]
    return np.linalg.norm(ten[2:] - ten[:-2], axis=1) / 0.2


def test_same_seed_same_play():
    a, b = simulate_play(11, "ncaa", "pass"), simulate_play(11, "ncaa", "pass")
    assert all(np.array_equal(p.xy_field_yd, q.xy_field_yd) for p, q in zip(a.people, b.people, strict=True))
    assert not np.array_equal(
        simulate_play(12, "ncaa", "pass").people[0].xy_field_yd, a.people[0].xy_field_yd[:1]
    )


@pytest.mark.parametrize("standard,side", [("nfl", 11), ("ncaa", 11), ("nfhs", 11), ("canadian", 12)])
@pytest.mark.parametrize("kind", ["pass", "run", "kick"])
def test_sides_have_the_men_the_rules_allow(standard, side, kind):
    play = simulate_play(3, standard, kind)
    assert sum(p.team == "offense" for p in play.people) == side
    assert sum(p.team == "defense" for p in play.people) == side
    assert 4 <= sum(p.team == "official" for p in play.people) <= 8


def test_script_is_well_formed(passes):
    for play in passes[:12]:
        n = len(play.t_s)
        assert np.allclose(np.diff(play.t_s), 1 / 30)
        assert play.t_s[0] <= -3.0 and play.t_s[-1] >= play.events["end_s"] + 1.0
        assert play.ball_field_yd.shape == (n, 3) and play.ball_state.shape == (n,)
        for p in play.people:
            assert p.xy_field_yd.shape == (n, 2) and np.isfinite(p.xy_field_yd).all()
            assert set(np.unique(p.action)) <= set(ACTIONS)
            assert (p.phase >= 0).all() and (p.phase < 1).all()
            with pytest.raises(ValueError, match="read-only"):
                p.xy_field_yd[0] = 0
        assert {r.label for r in play.routes.values()} <= set(ROUTES)
        for team in ("offense", "defense"):
            numbers = [p.jersey for p in play.people if p.team == team]
            assert len(set(numbers)) == len(numbers)


def test_offense_onside_at_the_snap(passes):
    # NCAA 7-1-3 / NFL 7-5-1: nobody of the offense beyond the ball, defense on its own side (from memory).
    for play in passes:
        k = int(np.searchsorted(play.t_s, 0.0))
        for p in play.people:
            depth = play.to_play(p.xy_field_yd[k])[0]
            if p.team == "offense":
                assert depth < 0.3, (p.id, depth)
            if p.team == "defense":
                assert depth > 0.0, (p.id, depth)


def test_nobody_moves_faster_than_men_do(passes):
    # shared motion facts: never above 10.8 yd/s, median peak on a route about 7.0
    peaks = []
    for play in passes:
        run = play.t_s > 0
        for p in play.people:
            v = speeds(p.xy_field_yd)
            assert v.max() < 11.5, (p.id, v.max())
            if p.id in play.routes and play.routes[p.id].label not in ("block", "screen", "checkdown"):
                stop = play.events.get("throw_s", play.events["end_s"]) + 0.5
                peaks.append(speeds(p.xy_field_yd[run & (play.t_s < stop)]).max())
    assert 5.8 < np.median(peaks) < 8.2
    assert np.percentile(peaks, 90) < 10.2


def test_time_to_throw_follows_the_facts(passes):
    throws = np.array([p.events["throw_s"] for p in passes if "throw_s" in p.events])
    assert len(throws) >= 25
    # facts: mean 2.7, 10th 1.7, 90th 3.8-4.1; n here is small, so wide bands
    assert 2.2 < throws.mean() < 3.2
    assert throws.min() > 1.0


def test_cushions_at_the_snap(passes):
    # facts: nearest defender of men split over 8 yd: median 4.4, quartiles 2.8 and 6.0
    gaps = []
    for play in passes:
        k = int(np.searchsorted(play.t_s, 0.0))
        defense = np.array([p.xy_field_yd[k] for p in play.people if p.team == "defense"])
        for p in play.people:
            if p.id in play.routes and p.role == "WR" and abs(play.to_play(p.xy_field_yd[k])[1]) > 8:
                gaps.append(np.linalg.norm(defense - p.xy_field_yd[k], axis=1).min())
    assert 3.2 < np.median(gaps) < 7.0


def test_ball_flight_is_a_projectile():
    # textbook: second difference of height equals -g dt^2; ends as asked
    u = np.linspace(0, 1.4, 57)
    z = np.array([flight_height(x, 1.4, 2.1, 1.0) for x in u])
    assert np.allclose(np.diff(z, 2) / (u[1] - u[0]) ** 2, -GRAVITY_YD_PER_S2, atol=1e-6)
    assert abs(z[0] - 2.1) < 1e-9 and abs(z[-1] - 1.0) < 1e-9
    assert abs(GRAVITY_YD_PER_S2 * 0.9144 - 9.80665) < 1e-3


def test_ball_goes_from_passer_to_receiver(passes):
    for play in passes:
        e = play.events
        if e.get("result") != "complete":
            continue
        k = int(np.searchsorted(play.t_s, e["arrival_s"]))
        target = play.person(e["target"]).xy_field_yd[k]
        assert np.linalg.norm(play.ball_field_yd[k, :2] - target) < 3.0
        flight = (play.t_s > e["throw_s"] + 0.05) & (play.t_s < e["arrival_s"] - 0.05)
        assert (play.ball_state[flight] == 2).all()


def test_spots_stand_between_the_hashes():
    for s in range(3):
        for standard, edge in HASH_FROM_SIDE_YD.items():
            play = simulate_play(s, standard, "kick")
            assert edge - 1e-6 <= play.spot_y_field_yd <= FIELD_WIDTH_YD[standard] - edge + 1e-6
            assert 0 < play.los_field_yd < FIELD_LENGTH_YD[standard]


@pytest.mark.parametrize("direction", [1, -1])
def test_play_frame_round_trip(direction):
    play = simulate_play(5, "ncaa", "pass", direction=direction)
    xy = play.people[3].xy_field_yd.astype(float)
    back = to_field(play.to_play(xy), direction, play.los_field_yd, play.spot_y_field_yd)
    assert np.allclose(back, xy)
    # contract: direction +1 attacks +x and its right is -y; direction -1 the other way round
    beyond = play.to_play(np.array([play.los_field_yd + 5 * direction, play.spot_y_field_yd - 3 * direction]))
    assert np.allclose(beyond, [5, 3])


def test_options_are_obeyed():
    play = simulate_play(8, "nfl", "pass", play_action=True, coverage="cover3", drop="five-step", boot=0)
    assert play.events["play_action"] and play.situation["coverage"] == "cover3"
    assert play.events["qb_drop"] == "five-step"
    assert simulate_play(2, "ncaa", "kick", style="punt").events["kick_style"] == "punt"


def test_unknown_words_are_refused():
    with pytest.raises(ValueError, match="unknown standard"):
        simulate_play(1, "arena")
    with pytest.raises(ValueError, match="unknown kind"):
        simulate_play(1, "ncaa", "dance")


def test_acceleration_never_beyond_the_limits():
    rng = np.random.default_rng(0)
    n = 500
    v = rng.normal(0, 4, (n, 2))
    top, accel, brake = np.full(n, 9.0), np.full(n, 6.0), np.full(n, 10.0)
    for _ in range(60):
        new = step_velocity(v, rng.normal(0, 8, (n, 2)), top, accel, brake, 1 / 30)
        assert (np.linalg.norm(new - v, axis=1) * 30 <= np.hypot(10.0, 10.0) + 1e-6).all()
        v = new


def test_single_routes_have_the_spreads_of_the_facts():
    routes = sample_routes(4, 3000)
    t, k = routes.t_s, int(np.searchsorted(routes.t_s, 0.0))
    stop = np.searchsorted(t, routes.throw_s + 0.8)
    deepest = np.array([p[k:e, 0].max() for p, e in zip(routes.path_yd, stop, strict=True)])
    # medians of depth in the facts, with room for what the window's end does
    for labels, low, high in (
        (("go",), 11, 20),
        (("hitch", "hook", "curl", "comeback"), 6, 10.5),
        (("in",), 9, 14),
        (("post",), 12, 19),
        (("corner",), 12, 19),
        (("flat", "swing"), -3.5, 3),
    ):
        rows = np.isin(routes.label, labels)
        assert low < np.median(deepest[rows]) < high, labels
    speed = np.linalg.norm(np.diff(routes.path_yd, axis=1), axis=2) * 30
    assert 0.2 < np.median((speed[:, k:] > 1).argmax(1)) / 30 < 0.4  # facts: about 0.3 s


def test_a_man_who_runs_up_and_then_shifts_keeps_his_route():
    """Of the calls here none has a split man block: before the snap he may move twice, his route stays."""
    split = set()
    for seed in range(60):
        play = simulate_play(seed, "canadian", "pass")
        calls = set(play.combos.values())
        if play.situation["motion"] not in ("motion", "shift") or calls & {"single", "none"}:
            continue
        if not any("screen" in call for call in calls):
            split |= {(seed, p.id, play.routes[p.id].label) for p in play.people if p.role in ("WR", "SB")}
    assert len(split) > 40
    assert not [man for man in split if man[2] == "block"]
