"""Understanding a play: worked examples on paper, then simulated plays the code was not tuned on."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.standards import get_standard
from models.evaluation.plays import Score, receiver_numbers
from models.synthetic.plays import simulate_play
from vision.plays import BallPath, Play, Value, to_play, understand_play
from vision.plays.ball import find_flight
from vision.plays.lineup import ANYWHERE, Spot
from vision.plays.motion import Blur, motion_of, own_sd
from vision.plays.passing import common_bite, fake_probability, quarterback_drop
from vision.plays.sheet import charted
from vision.plays.snap import fit_onset, snap_from_ball
from vision.plays.trial import tracks_of, trial
from vision.records import Tracks
from vision.tracking.identities import PathSettings
from vision.tracking.motion import smooth

# A formation on graph paper. The offense attacks -x from the line x = 60, ball at y = 30, so that
# depth = 60 - x and lateral (to its right) = y - 30. 2x2 from the gun, nickel defense.
OFFENSE = {
    "C": (60.8, 30.0), "LG": (61.0, 28.4), "RG": (61.0, 31.6), "LT": (61.2, 26.8), "RT": (61.2, 33.2),
    "QB": (65.0, 30.0), "RB": (65.2, 31.8), "X": (60.7, 8.0), "H": (61.2, 18.0), "Y": (60.9, 34.8),
    "Z": (61.1, 47.0),
}  # fmt: skip
DEFENSE = {
    "E1": (59.0, 25.2), "T1": (59.0, 28.8), "T2": (59.0, 31.5), "E2": (59.0, 35.6), "M": (55.5, 29.0),
    "W": (55.3, 34.0), "N": (55.0, 19.0), "C1": (53.5, 8.5), "C2": (53.0, 46.5), "F": (48.0, 22.0),
    "S": (47.5, 38.0),
}  # fmt: skip
SNAP = 3.0
REACTION_S = 0.1
"""linemen go with the ball, receivers about 0.15 s later (real ones pass 1 yd/s after 0.3 s)"""


def paper_play(kind: str = "pass", rate: float = 10.0, until: float = 6.5) -> Tracks:
    """The men stand until REACTION_S after SNAP, then go straight ways, speeding up at 5 yd/s^2."""
    t = np.arange(0.0, until, 1 / rate)
    go = np.maximum(0.0, t - SNAP - REACTION_S)

    def way(speed: float) -> np.ndarray:
        rise = speed / 5.0
        return np.where(go < rise, 2.5 * go**2, speed * (go - rise / 2))

    xy, ids, teams = [], [], []
    for names, team in ((OFFENSE, "A"), (DEFENSE, "B")):
        for name, (x, y) in names.items():
            path = np.tile([x, y], (len(t), 1)).astype(float)
            if name in ("C", "LG", "RG", "LT", "RT"):
                path[:, 0] += np.minimum(way(1.5), 3.0) if kind == "pass" else -way(1.5)
            elif name == "QB":
                path[:, 0] += np.minimum(way(3.0), 3.6) if kind == "pass" else np.minimum(way(1.0), 0.5)
            elif name in ("X", "H", "Y", "Z"):
                path[:, 0] -= way(6.0) if kind == "pass" else way(3.0)
            elif name in ("M", "W", "N", "C1", "C2", "F", "S"):
                path[:, 0] -= way(3.0) if kind == "pass" else -way(3.0)
            elif name[0] in "ET":
                path[:, 0] += np.minimum(way(2.0), 3.0) if kind == "pass" else -np.minimum(way(1.0), 1.0)
            else:
                path[:, 1] += way(2.0)
            xy.append(path)
            ids.append(name)
            teams.append(team)
    places = np.array(xy)
    n = places.shape[:2]
    return Tracks(
        tuple(ids), tuple(teams), places, np.gradient(places, t, axis=1), np.full(n, 0.1), np.ones(n, bool),
        np.zeros(n, bool), t,
    )  # fmt: skip


def test_play_frame_by_hand() -> None:
    # attacking -x from 60, ball at y 30: (50, 40) is 10 yd deep and 10 yd to the right
    assert to_play((50, 40), -1, 60, 30) == pytest.approx([10, 10])
    # attacking +x from 40: the same place is 10 yd deep and 10 yd to the LEFT
    assert to_play((50, 40), 1, 40, 30) == pytest.approx([10, -10])


def test_paper_formation_is_read() -> None:
    play = understand_play(paper_play(), "ncaa")
    assert play.direction == -1
    assert play.los_field_yd.value == pytest.approx(60.0, abs=0.3)
    assert play.spot_y_field_yd.value == pytest.approx(30.0, abs=0.05)
    assert play.snap_s.value == pytest.approx(SNAP, abs=0.1)
    assert play.kind == "pass"
    roles = {m.player_id: m.role for m in play.players}
    assert roles["QB"] == "QB" and roles["RB"] == "RB" and roles["Y"] == "TE"
    assert [roles[i] for i in ("C", "LG", "RG", "LT", "RT")] == ["OL"] * 5
    assert [roles[i] for i in ("X", "H", "Z")] == ["WR"] * 3
    assert [roles[i] for i in ("E1", "T1", "T2", "E2")] == ["DL"] * 4
    assert roles["M"] == roles["W"] == "LB" and roles["C1"] == roles["C2"] == "CB"
    assert roles["F"] == roles["S"] == "S"


def test_paper_numbers_splits_and_words() -> None:
    play = understand_play(paper_play(), "ncaa")
    men = {m.player_id: m for m in play.players}
    # offense attacks -x: y above the ball is its right. Right from outside: Z 47.0, Y 34.8, RB 31.8.
    assert [(men[i].receiver_number, men[i].side) for i in ("Z", "Y", "RB")] == [
        (1, "right"), (2, "right"), (3, "right"),
    ]  # fmt: skip
    assert [(men[i].receiver_number, men[i].side) for i in ("X", "H")] == [(1, "left"), (2, "left")]
    assert men["X"].split_yd == pytest.approx(8.0, abs=0.05)
    assert men["Z"].split_yd == pytest.approx(160 / 3 - 47.0, abs=0.05)
    # NCAA numbers lie 7 to 9 yd from the sideline
    assert men["X"].landmark == "on numbers" and men["Z"].landmark == "outside numbers"
    assert men["H"].landmark == "inside numbers" and men["Y"].landmark == "tackle"
    assert play.formation == "2x2" and play.backs == 1 and play.strength == "right"
    # the ball at y = 30 lies 3.3 yd right of the middle (26.67): right hash side, wide field on the left
    assert play.hash == "right" and play.field_side == "left"
    assert men["M"].job == "underneath" and men["F"].job == "deep" and men["T1"].job == "line"


def test_run_is_not_a_pass_and_row_is_complete() -> None:
    play = understand_play(paper_play("run"), "nfl")
    assert play.kind == "run" and not play.throw_s.known
    row = play.row()
    for name in ("snap_s", "snap_source", "snap_sd_s", "los_field_yd", "direction", "qb_drop", "formation"):
        assert name in row
    assert len(play.player_rows()) == 22


def test_mirrored_and_turned_field_give_the_same_play() -> None:
    first = understand_play(paper_play(), "ncaa")
    tracks = paper_play()
    turned = np.array([100.0, 160 / 3]) - np.asarray(tracks.xy_field_yd)
    velocity = -np.asarray(tracks.velocity_field_yd_per_s)
    other = understand_play(
        Tracks(
            tracks.ids,
            tracks.team,
            turned,
            velocity,
            tracks.sd_yd,
            tracks.observed,
            tracks.uncertain,
            tracks.t_s,
        ),
        "ncaa",
    )
    assert other.direction == -first.direction
    assert [(m.role, m.side, m.receiver_number) for m in other.players] == [
        (m.role, m.side, m.receiver_number) for m in first.players
    ]
    assert other.hash == first.hash


def test_sheet_is_laid_over_and_contradictions_are_said() -> None:
    row = {
        "play_id": "p7",
        "down": 3,
        "distance": 8,
        "hash": "R",
        "result": "Complete",
        "yards": "11",
        "los_field_yd": 65,
    }
    play = understand_play(paper_play(), "ncaa", row)
    assert (play.play_id, play.down, play.distance, play.result, play.yards) == ("p7", 3, 8, "complete", 11)
    assert play.result_source == "charted"
    # five yards off: said, not taken
    assert play.los_field_yd.value == pytest.approx(60.0, abs=0.3)
    assert any(
        "charted line of scrimmage is +5" in w or "charted line of scrimmage is +4.9" in w
        for w in play.warnings
    )


def test_charted_yard_line_counts_for_the_way_the_offense_goes() -> None:
    field = get_standard("ncaa")
    # own 40 lies at x 40 going +x and at 60 going -x: the paper offense goes -x from 60
    both = charted({"yard_line": "own 40", "hash": "left", "result": "Touchdown"}, field)
    assert both.los_by_direction == {1: 40.0, -1: 60.0} and math.isnan(both.los_field_yd)
    assert both.result == "touchdown"
    # left hash: the far one (y 33.3) going +x, the near one going -x (60 ft from the side line, NCAA rule 1)
    assert both.spot(field).charted_y_yd == pytest.approx({1: 100 / 3, -1: 20.0})
    assert charted({"yard_line": 50}, field).los_field_yd == 50.0
    assert charted({"yard_line": "40"}, field).los_by_direction == {}
    play = understand_play(paper_play(), "ncaa", {"yard_line": "own 40"})
    assert play.los_field_yd.sd < 0.35 and not any("charted line" in w for w in play.warnings)
    wrong = understand_play(paper_play(), "ncaa", {"yard_line": "opp 40"})
    assert any("charted line of scrimmage is -20" in w for w in wrong.warnings)


def test_ball_between_the_hash_rows() -> None:
    spot = Spot((20.0, 33.3), {1: 33.3, -1: 20.0}, {1: 40.0})
    assert spot.cost_across(26.7, 0) == 0.0
    assert spot.cost_across(36.8, 0) == pytest.approx(1.2 * 3.0)
    assert spot.cost_across(33.3, 1) == 0.0 < spot.cost_across(33.3, -1)
    assert spot.cost_along(41.0, 1) == 0.0 < spot.cost_along(45.0, 1) < 2.1
    assert ANYWHERE.cost_across(3.0, 1) == 0.0


def test_smoothing_spreads_a_rise_and_keeps_its_middle() -> None:
    # symmetric smoothing cannot move the half-way point of a straight rise
    for blur in (Blur(0.13), Blur(0.0, 0.15), Blur(0.13, 0.15)):
        t, height = blur.rise(0.4)
        assert np.interp(0.2, t, height) == pytest.approx(0.5, abs=0.01)
        assert np.interp(0.0, t, height) > 0.03
    assert np.interp(0.0, *Blur().rise(0.4)) == 0.0


def test_snap_of_followed_boxes_is_not_early() -> None:
    """The tracker's own smoother over noisy boxes of men who start a tenth after the snap."""
    exact = paper_play(rate=30.0)
    rng = np.random.default_rng(5)
    z = exact.xy_field_yd + rng.normal(0, 0.3, exact.xy_field_yd.shape)
    s = PathSettings()
    r = np.broadcast_to(0.3**2 * s.correlated * np.eye(2), (*z.shape[:2], 2, 2))
    x, p = smooth(z, r, np.ones(z.shape[:2], bool), exact.t_s, s.model)
    followed = replace(
        exact,
        xy_field_yd=x[..., :2],
        sd_yd=np.sqrt((p[..., 0, 0] + p[..., 1, 1]) / 2),
        box_index=np.zeros(z.shape[:2], int),
    )
    assert understand_play(followed, "ncaa").snap_s.value == pytest.approx(SNAP, abs=0.06)


def test_given_events_win() -> None:
    play = understand_play(paper_play(), "ncaa", events={"snap": 3.1, "throw": 5.2, "arrival": 6.0})
    assert (play.snap_s.value, play.snap_s.source) == (3.1, "measured")
    assert play.time_to_throw_s.value == pytest.approx(2.1)
    assert play.launch_depth_play_yd.value == pytest.approx(-8.6, abs=0.4)  # gun 5.0 deep, 3.6 back


@pytest.mark.parametrize("start", [3.9, 4.4])
def test_clip_that_begins_after_the_snap_is_not_certain(start: float) -> None:
    tracks = paper_play(until=7.5)
    keep = np.asarray(tracks.t_s) >= start
    late = Tracks(
        tracks.ids, tracks.team, tracks.xy_field_yd[:, keep], tracks.velocity_field_yd_per_s[:, keep],
        tracks.sd_yd[:, keep], tracks.observed[:, keep], tracks.uncertain[:, keep], tracks.t_s[keep],
    )  # fmt: skip
    play = understand_play(late, "ncaa")
    assert not play.snap_s.known or play.snap_s.sd >= 0.4


def test_too_few_men_is_blank_with_a_reason() -> None:
    play = understand_play(paper_play().select(np.arange(6)), "ncaa")
    assert not play.understood and play.warnings and play.kind == "unknown"


def test_huddle_before_the_play_is_not_the_snap() -> None:
    """Men stand in a huddle, walk to the line (everybody moves at once), stand, and only then play."""
    tracks = paper_play(until=8.0)
    xy, t = np.asarray(tracks.xy_field_yd), np.asarray(tracks.t_s)
    early = np.arange(-12.0, 0.0, 0.1)
    huddle = (
        xy[:, :1] * 0.15
        + np.where(np.arange(len(xy))[:, None] < 11, [[70.0, 30.0]], [[52.0, 30.0]])[:, None] * 0.85
    )
    share = np.clip((early + 9.0) / 5.0, 0, 1)[None, :, None]
    walk = huddle + share * (xy[:, :1] - huddle)
    places, clock = np.concatenate([walk, xy], axis=1), np.concatenate([early, t]) + 12.0
    n = places.shape[:2]
    long = Tracks(
        tracks.ids, tracks.team,
        places, np.gradient(places, clock, axis=1), np.full(n, 0.1), np.ones(n, bool),
        np.zeros(n, bool), clock,
    )  # fmt: skip
    play = understand_play(long, "ncaa")
    assert play.snap_s.value == pytest.approx(12.0 + SNAP, abs=0.15)


def test_onset_of_a_known_rise() -> None:
    t = np.arange(0, 6, 0.05)
    level = 0.2 + np.clip((t - 3.0) * 4.0, 0, 1.8)
    knot, sd = fit_onset(t, level, 3.3)
    assert knot == pytest.approx(3.0, abs=0.03) and 0.02 < sd < 0.2
    assert math.isnan(fit_onset(t, np.full(len(t), 0.5), 3.0)[0])
    rng = np.random.default_rng(4)
    misses = [fit_onset(t, level + rng.normal(0, 0.2, len(t)), 3.2)[0] - 3.0 for _ in range(30)]
    assert np.median(np.abs(misses)) < 0.06


def test_ball_snap_and_flight_by_hand() -> None:
    # rests at (60, 30) until 3.0, then 5 yd back in 0.4 s; held; thrown at 5.0 toward (45, 45), 20 yd/s
    t = np.arange(0, 8, 0.1)
    xy = np.tile([60.0, 30.0], (len(t), 1))
    back = np.clip((t - 3.0) / 0.4, 0, 1)
    xy[:, 0] += 5 * back
    goal, start = np.array([45.0, 45.0]), np.array([65.0, 30.0])
    length = 25.0  # 20-15-25 triangle: 1.25 s at 20 yd/s
    share = np.clip((t - 5.0) * 20 / length, 0, 1)[:, None]
    xy = np.where(t[:, None] >= 5.0, start + share * (goal - start), xy)
    snap, _ = snap_from_ball(t, xy, 3.1)
    assert snap == pytest.approx(3.0, abs=0.06)
    flight = find_flight(BallPath(t, xy), t, np.tile(start, (len(t), 1)), 3.0)
    assert flight is not None
    assert flight.throw_s == pytest.approx(5.0, abs=0.1)
    assert flight.arrival_s == pytest.approx(6.25, abs=0.15)
    assert flight.arrival_xy_yd == pytest.approx(goal, abs=1.0)
    assert find_flight(BallPath(t, np.tile(start, (len(t), 1))), t, np.tile(start, (len(t), 1)), 3.0) is None


@pytest.mark.parametrize(
    ("start", "retreat", "set_s", "word"),
    [
        (-1.2, 3.9, 1.4, "three-step"),
        (-1.2, 5.9, 2.1, "five-step"),
        (-5.0, 2.1, 1.2, "three-step"),
        (-5.0, 0.5, 0.7, "quick"),
        (-6.0, 1.2, 1.0, "three-step"),  # sets 7.2 deep as others do who stand a yard nearer
        (-4.3, 1.2, 0.8, "quick"),
    ],
)
def test_drop_words(start: float, retreat: float, set_s: float, word: str) -> None:
    """Depths of the trade: 3, 5, 7 steps set at about 5, 7, 9 yd from under the centre (common practice)."""
    t = np.arange(-0.5, 4, 0.05)
    depth = start - retreat * np.clip(t / set_s, 0, 1)
    drop = quarterback_drop(t, np.stack([depth, 0 * t], axis=1), np.abs(np.gradient(depth, t)), 4.0)
    assert drop.kind == word
    assert drop.set_depth_play_yd == pytest.approx(start - retreat, abs=0.25)


def test_a_late_set_leaves_the_drop_named() -> None:
    """Seven steps from the gun with a fake between them, over a second later than they take."""
    t = np.arange(-0.5, 5, 0.05)
    depth = -5.0 - 2.0 * np.clip(t / 1.0, 0, 1) - 2.8 * np.clip((t - 1.6) / 2.1, 0, 1)
    drop = quarterback_drop(t, np.stack([depth, 0 * t], axis=1), np.abs(np.gradient(depth, t)), 4.5)
    assert drop.kind == "seven-step" and drop.paused and drop.set_after_snap_s > 3.6


def test_bite_of_half_the_backers() -> None:
    """One of two, two of three and two of four step up: a fake. One of three, or a read step of half a yard:
    none; a man who is not seen does not count."""
    t = np.arange(-0.5, 3, 0.05)

    def path(*yards: float) -> np.ndarray:
        up = np.array(yards)[:, None] * np.clip((t - 0.2) / 0.8, 0, 1)
        return np.stack([5.0 - up, 0 * up], axis=2)

    def bite(*yards: float) -> float:
        return common_bite(t, path(*yards), np.arange(len(yards)))

    assert bite(1.4, 0.0) == bite(1.4, 1.4, 0.0) == bite(0.0, 1.4, 0.0, 1.4) == pytest.approx(1.4)
    assert bite(1.4, 0.0, 0.0) == pytest.approx(0.0)
    assert bite(1.4, np.nan) == pytest.approx(1.4) and math.isnan(common_bite(t, path(1.0), np.arange(0)))
    assert fake_probability(0.2, bite(1.4, 0.0), False, 0.4) > 0.8
    assert fake_probability(0.2, bite(0.5, 0.5), False, 0.1) < 0.3


def test_values_need_a_source() -> None:
    with pytest.raises(ValueError, match="source"):
        Value(1.0, 0.1)
    with pytest.raises(ValueError, match="direction"):
        Play("p", "nfl", 2, Value(), Value(), Value())


def test_receiver_numbers_of_the_metric_by_hand() -> None:
    places = {"a": (18.0, "WR"), "b": (6.0, "TE"), "c": (-20.0, "WR"), "d": (0.2, "RB"), "e": (-9.0, "WR")}
    assert receiver_numbers(places) == {"a": 1, "b": 2, "c": 1, "e": 2, "d": 0}


def _share(score: Score, name: str) -> float:
    right, asked = score.hits[name]
    return right / max(asked, 1)


@pytest.mark.parametrize(("kind", "ball"), [("table", True), ("table", False), ("film", False)])
def test_simulated_plays_held_out(kind: str, ball: bool) -> None:
    """Seeds from 50,000 on are looked at by this test only; bounds leave room for the small number of
    plays."""
    score = trial(range(50_000, 50_024), kind, ball)
    text = "\n".join(score.lines())
    assert _share(score, "direction") >= 0.95, text
    assert _share(score, "team") >= 0.95, text
    assert _share(score, "kind") >= 0.85, text
    assert _share(score, "snap s within 0.2") >= 0.9, text
    assert _share(score, "role offense") >= 0.93, text
    assert _share(score, "role defense") >= 0.82, text
    assert _share(score, "receiver number") >= 0.93, text
    assert _share(score, "cushion at snap yd within 0.7") >= 0.85, text
    if ball:
        assert _share(score, "throw s within 0.2") >= 0.9, text


def test_what_the_camera_adds_to_all_men_is_not_their_own_error():
    script = simulate_play(41, "ncaa", "pass")
    tracks = tracks_of(script, np.random.default_rng(1), "clean")
    sd = np.full(tracks.sd_yd.shape, 0.1)
    sd[3] = 0.5
    shared = replace(tracks, sd_yd=np.hypot(sd, 0.8))
    assert np.allclose(own_sd(replace(tracks, sd_yd=sd)), sd)
    assert np.allclose(own_sd(shared), sd, atol=1e-6)
    assert motion_of(shared).blur == motion_of(replace(tracks, sd_yd=sd)).blur


@pytest.mark.parametrize("until", [0.4, 1.0, 1.7, 2.5])
def test_film_that_ends_soon_after_the_snap_is_read_as_far_as_it_goes(until):
    """The passer of this play goes back for 1.6 s and throws after that."""
    play = understand_play(paper_play(until=SNAP + until), "ncaa")
    assert play.snap_s.value == pytest.approx(SNAP, abs=0.25)
    assert {p.player_id for p in play.players if p.role == "QB"} == {"QB"}
    assert bool(play.qb_drop) == (until > 2.0)
    assert play.throw_s.known == (until > 2.0)
