"""Routes of a play: break geometry against the simulator's truth and hand-drawn paths; honest blanks."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from models.evaluation.routes import simulated_paths
from models.routes.classifier import RouteClassifier
from models.routes.features import GRID_S, RoutePath, to_grid
from vision.routes import name_paths, paths_of_play, read_routes


def straight_then(turn_deg: float, stem: float = 8.0, speed: float = 6.0, side: int = 1) -> RoutePath:
    """Constant speed, a sharp corner at a known place: the break time is geometry, not opinion."""
    t = np.arange(-0.5, 3.6, 1 / 30)
    s = speed * np.clip(t, 0, None)
    a = np.deg2rad(turn_deg)
    before, after = np.minimum(s, stem), np.clip(s - stem, 0, None)
    return RoutePath(
        t,
        np.stack([before + after * np.cos(a) - 1, side * (12 + after * np.sin(a))], 1),
        2.6,
        3.5,
        26.0,
        26.0,
        1,
    )


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("turn", [90.0, -90.0, 45.0, -45.0])
def test_break_of_a_drawn_route(turn, side):
    route = name_paths(["a"], [straight_then(turn, side=side)])["a"]
    assert abs(route.break_s - 8.0 / 6.0) <= 0.15
    assert abs(route.stem_depth_play_yd - 7.0) <= 0.8
    assert abs(route.break_angle_deg - turn) <= 12
    assert np.sign(route.break_lateral_play_yd) == side


def test_breaks_of_simulated_plays():
    data = simulated_paths(993_000, 25, "ncaa", 0.15)
    ids = [str(k) for k in range(len(data["path"]))]
    routes = name_paths(ids, data["path"])
    time, stem = [], []
    for k in ids:
        sharp = data["label"][int(k)] in ("out", "in", "slant", "post", "corner", "curl", "hitch", "comeback")
        if sharp and data["finished"][int(k)] and np.isfinite(routes[k].break_s):
            time.append(routes[k].break_s - data["break_s"][int(k)])
            stem.append(routes[k].stem_depth_play_yd - data["stem"][int(k)])
    assert len(time) >= 20
    assert np.median(np.abs(time)) < 0.25 and np.median(np.abs(stem)) < 1.0
    assert abs(np.median(time)) < 0.2


def test_a_go_has_no_break():
    t = np.arange(-0.5, 3.6, 0.1)
    go = RoutePath(t, np.stack([-1 + 7 * t.clip(0), np.full(len(t), 16.0)], 1), 2.6, 3.5, 26.0, 26.0, 1)
    route = name_paths(["a"], [go])["a"]
    assert route.best == "go" and np.isnan(route.break_s) and np.isnan(route.stem_depth_play_yd)
    assert abs(route.top_speed_yd_per_s - 7.0) < 0.2 and abs(route.end_lateral_play_yd - 16) < 0.1


def test_unseen_man_is_unknown_with_blanks():
    t = np.arange(0, 3, 0.1)
    route = name_paths(["a"], [RoutePath(t, np.full((len(t), 2), np.nan))])["a"]
    assert route.label == "unknown" and np.isnan(route.probability) and np.isnan(route.max_depth_play_yd)


def test_a_correction_stands():
    route = name_paths(["a"], [straight_then(90.0)], corrections={"a": "corner"})["a"]
    assert (route.label, route.probability, route.source) == ("corner", 1.0, "corrected")
    assert route.row("p1")["route"] == "corner"


def fake_play(direction: int) -> SimpleNamespace:
    """A play record with two eligible men; the field frame is turned about for direction -1."""
    t = np.arange(0.0, 7.0, 1 / 30)
    run = (t - 2.0).clip(0)
    depth, right = -1 + 6.5 * run, np.full(len(t), 14.0)
    x, y = 50 + direction * depth, 25 - direction * right
    xy = np.stack([np.stack([x, y], 1), np.stack([x, np.full(len(t), 25.0)], 1)])
    man = dict(role="WR", receiver_number=1, side="right", depth_play_yd=-1.0)
    value = lambda v: SimpleNamespace(value=v, known=np.isfinite(v), sd=0.05)  # noqa: E731
    tracks = SimpleNamespace(
        ids=("w", "z"), t_s=t, xy_field_yd=xy, sd_yd=np.repeat([[0.3], [0.1]], len(t), 1)
    )
    tracks.observed = np.ones((2, len(t)), bool)
    tracks.index = tracks.ids.index
    play = SimpleNamespace(
        tracks=tracks,
        understood=True,
        standard="ncaa",
        direction=direction,
        snap_s=value(2.0),
        throw_s=value(4.5),
        arrival_s=value(5.5),
        end_s=value(np.nan),
        los_field_yd=value(50.0),
        spot_y_field_yd=value(25.0),
        target_player_id="w",
        eligible=(
            SimpleNamespace(player_id="w", lateral_play_yd=14.0, **man),
            SimpleNamespace(player_id="gone", lateral_play_yd=5.0, **man),
        ),
    )
    play.to_play = lambda p: np.stack([direction * (p[..., 0] - 50), -direction * (p[..., 1] - 25)], -1)
    return play


@pytest.mark.parametrize("direction", [1, -1])
def test_from_a_play_record_either_way(direction):
    ids, paths = paths_of_play(fake_play(direction))
    assert ids == ["w"]
    # right side line of a 160/3 yd field: +1 attacks +x, its right is toward y = 0, 25 yd away
    assert abs(paths[0].room_right_yd - (25.0 if direction == 1 else 160 / 3 - 25)) < 1e-9
    assert abs(paths[0].throw_s - 2.5) < 1e-9 and abs(paths[0].end_s - 3.5) < 1e-9
    routes = read_routes(fake_play(direction))
    assert routes["w"].best == "go" and abs(routes["w"].end_lateral_play_yd - 14) < 0.2


def test_a_man_who_leaves_the_picture_is_not_followed_over_the_bridge():
    play = fake_play(1)
    t = play.tracks.t_s
    play.tracks.observed = np.tile((t < 3.5) | (t > 5.0), (2, 1))  # 1.5 s after the snap, for 1.5 s
    play.tracks.sd_yd[0, ~play.tracks.observed[0]] = 0.5
    grid = to_grid(paths_of_play(play)[1])
    looked_at = GRID_S[grid.seen[0]]
    assert grid.usable[0] and not ((looked_at > 1.6) & (looked_at < 2.9)).any()
    assert looked_at.max() == pytest.approx(3.5, abs=0.1)  # he is seen again before the ball comes
    play.tracks.observed = np.tile((t < 3.5) | (t > 3.9), (2, 1))  # hidden by another man
    assert to_grid(paths_of_play(play)[1]).end_s[0] == pytest.approx(3.5, abs=0.1)


def test_a_man_whom_only_the_other_film_sees_is_followed():
    play = fake_play(1)
    t = play.tracks.t_s
    play.tracks.observed = np.tile((t < 3.5) | (t > 5.0), (2, 1))  # looks of the first film
    looked_at = GRID_S[to_grid(paths_of_play(play)[1]).seen[0]]  # stated to 0.3 yd all along
    assert ((looked_at > 1.6) & (looked_at < 2.9)).sum() == 12


def test_a_whistle_read_before_the_throw_ends_nothing():
    play = fake_play(1)
    play.arrival_s, play.end_s = SimpleNamespace(value=np.nan, known=False), play.snap_s
    assert np.isnan(paths_of_play(play)[1][0].end_s)


def test_stated_errors_travel_with_the_path():
    ids, paths = paths_of_play(fake_play(1))
    assert ids == ["w"] and paths[0].sd_yd is not None and len(paths[0].sd_yd) == len(paths[0].t_s)
    # 1 / (1 + (0.3 / 0.5)^2) = 0.735
    assert to_grid(paths).firm[0].mean() == pytest.approx(0.735, abs=0.005)


def test_a_play_not_understood_has_no_routes():
    play = fake_play(1)
    play.understood = False
    assert read_routes(play) == {}


def test_the_coarser_name_stands_beside_the_trades():
    said = read_routes(fake_play(1))["w"]
    row = said.row("1")
    assert row["route_twelve"] == "GO" and row["route_twelve_probability"] == said.twelve_probability > 0.5
    corrected = read_routes(fake_play(1), corrections={"w": "post"})["w"]
    assert corrected.twelve == ""
    assert row["route_called_twelve"] == "GO" and row["route_called_twelve_probability"] > 0.5
    assert corrected.called_twelve == "POST" and corrected.called_twelve_probability == 1.0


def test_names_that_fall_together_are_counted_together():
    from vision.routes import called_twelve

    name, p = called_twelve({"go": 0.35, "hitch": 0.25, "hook": 0.2, "curl": 0.15, "block": 0.05})
    assert name == "HITCH" and p == pytest.approx(0.6)
    assert called_twelve({"block": 0.6, "go": 0.4})[0] == ""


def test_names_are_means_over_the_clocks_that_may_be_right():
    paths = simulated_paths(4_500, 2)["path"]
    ids = [str(k) for k in range(len(paths))]
    sharp, known, rough = (
        name_paths(ids, paths, clock_sd_s=c) for c in ((0.0, 0.0), (0.02, 0.5), (0.07, 0.2))
    )
    assert all(known[i].probability == sharp[i].probability for i in ids)
    assert any(abs(rough[i].probability - sharp[i].probability) > 1e-3 for i in ids)
    assert all(rough[i].probability <= 1.0 and sum(rough[i].chances.values()) <= 1.0 + 1e-6 for i in ids)


def test_men_of_one_play_are_read_side_by_side():
    t = np.arange(-0.5, 1.9, 0.1)  # thrown before anybody has broken
    path = [
        RoutePath(t, np.stack([-1 + 6.5 * t.clip(0), np.full(len(t), lateral)], 1), 1.7, 1.8, 26.0, 26.0, k)
        for k, lateral in ((1, 18.0), (2, 9.0))
    ]
    alone, together = (name_paths(["a", "b"], path, one_play=one) for one in (False, True))
    assert alone["a"].chances == together["a"].chances  # the network's own are kept
    assert alone["a"].probability != together["a"].probability
    fixed = name_paths(["a", "b"], path, corrections={"b": "corner"}, one_play=True)
    assert fixed["b"].label == "corner" and fixed["b"].probability == 1.0
    opposite = [path[0], RoutePath(t, path[1].depth_lateral_play_yd * [1, -1], 1.7, 1.8, 26.0, 26.0, 1)]
    apart = name_paths(["a", "b"], opposite, one_play=True)
    assert apart["a"].probability == pytest.approx(alone["a"].probability)


def test_the_coarse_name_is_a_mean_of_short_and_long_views():
    """Of a man not thrown to, who turns in after the throw: to the ball, or on his route."""
    t = np.arange(-0.5, 4.6, 0.1)
    depth = np.minimum(7.0 * np.clip(t - 0.2, 0, None) - 1.0, 10.0)
    across = 18.0 - 6.5 * np.clip(t - 1.8, 0, None)
    short = RoutePath(t, np.stack([depth, across], 1), 1.7, 4.0, 26.0, 26.0, 1, thrown_to=False)
    classifier = RouteClassifier.load()
    route = name_paths(["a"], [short], classifier)["a"]
    views = [short, replace(short, thrown_to=None)]
    chances = [dict(classifier.predict([v], "twelve").ranked(0, 12))[route.twelve] for v in views]
    assert chances[0] != pytest.approx(chances[1], abs=0.02)
    assert route.twelve_probability == pytest.approx(np.mean(chances), abs=1e-6)


def test_nobody_is_cut_short_where_the_target_is_not_known():
    play = fake_play(1)
    assert paths_of_play(play)[1][0].thrown_to is True
    play.target_player_id = "z"
    assert paths_of_play(play)[1][0].thrown_to is False
    play.target_player_id = ""
    assert paths_of_play(play)[1][0].thrown_to is None
