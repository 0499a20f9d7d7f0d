"""Line-ups with men not seen, the man under the centre, who the offense is, the sheet's word: on paper."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_plays import DEFENSE, OFFENSE, SNAP, paper_play

from calibration.standards import get_standard
from vision.plays import understand_play
from vision.plays.defense import _counts
from vision.plays.lineup import ANYWHERE, Spot, read_lineup
from vision.plays.passing import infer_throw
from vision.plays.sheet import charted
from vision.plays.sides import FLOW_MOST, offense_evidence

NAMES = [*OFFENSE, *DEFENSE]
XY = np.array([*OFFENSE.values(), *DEFENSE.values()], float)
ROWS_O, ROWS_D = np.arange(11), np.arange(11, 22)


def rows(*names: str) -> list[int]:
    return [NAMES.index(n) for n in names]


def without(*names: str) -> np.ndarray:
    xy = XY.copy()
    xy[rows(*names)] = np.nan
    return xy


@pytest.mark.parametrize("hidden", [("C",), ("LT",), ("RG",), ("LG",), ("RT",), ("C", "RT"), ("LG", "RG")])
def test_hidden_linemen_leave_ball_and_passer_in_place(hidden):
    """With a lineman hidden on the far side the tight end makes a line one man over, behind which the back
    stands: his way forward tells that he is no passer."""
    xy = without(*hidden)
    later = xy.copy()
    later[rows("LG", "RG", "LT", "RT", "C"), 0] += 1.0
    later[rows("QB"), 0] += 2.0
    later[rows("RB"), 0] -= 3.0
    lineup = read_lineup(xy, ROWS_O, ROWS_D, later=later)
    assert lineup is not None and lineup.direction == -1
    assert NAMES[lineup.quarterback] == "QB"
    assert lineup.spot_y_yd == pytest.approx(30.0, abs=0.8)
    assert lineup.los_yd == pytest.approx(60.0, abs=0.5)
    assert set(lineup.line) <= set(rows("C", "LG", "RG", "LT", "RT"))


def test_tight_end_is_no_lineman_when_one_is_hidden():
    lineup = read_lineup(without("RG"), ROWS_O, ROWS_D)
    assert lineup is not None and rows("Y")[0] not in lineup.line


def test_lineman_behind_the_others_is_not_under_the_centre():
    """The left guard, half a yard behind, goes back like a lineman; the passer stands in the gun."""
    xy = without("C")
    xy[rows("LG")] = (61.4, 29.2)
    later = xy.copy()
    later[rows("LG", "RG", "LT", "RT"), 0] += 1.0
    later[rows("QB"), 0] += 2.0
    later[rows("RB"), 0] -= 3.0
    lineup = read_lineup(xy, ROWS_O, ROWS_D, later=later)
    assert lineup is not None and NAMES[lineup.quarterback] == "QB"


def test_man_under_the_centre_among_the_linemen():
    """From under the centre, feet beside the linemen's; a tailback stands where a passer in the gun would."""
    xy = XY.copy()
    xy[rows("QB")], xy[rows("RB")] = (61.3, 30.1), (64.6, 30.0)
    later = xy.copy()
    later[rows("C", "LG", "RG", "LT", "RT"), 0] -= 1.0  # they fire out
    later[rows("QB"), 0] += 1.8
    later[rows("RB"), 0] -= 3.0
    lineup = read_lineup(xy, ROWS_O, ROWS_D, later=later)
    assert lineup is not None and NAMES[lineup.quarterback] == "QB"
    assert set(lineup.line) == set(rows("C", "LG", "RG", "LT", "RT"))


def test_passer_lost_behind_the_centre_is_told_by_where_he_drops():
    """Under the centre he is hidden, and his feet are guessed at a man's width aside; a back stands where a
    passer in the gun would and runs to the flat."""
    xy = XY.copy()
    xy[rows("QB")], xy[rows("RB")] = (61.1, 31.4), (64.6, 29.9)
    later, late = xy.copy(), xy.copy()
    line = rows("C", "LG", "RG", "LT", "RT")
    later[line, 0] += 0.6
    late[line, 0] += 1.7
    later[rows("QB")], late[rows("QB")] = (65.0, 30.4), (68.5, 30.0)
    later[rows("RB")], late[rows("RB")] = (64.9, 32.6), (63.4, 37.4)
    lineup = read_lineup(xy, ROWS_O, ROWS_D, later=later, late=late)
    assert lineup is not None and NAMES[lineup.quarterback] == "QB" and set(lineup.line) == set(line)
    stands = read_lineup(xy, ROWS_O, ROWS_D, later=xy, late=xy)  # nobody moves: the man behind the line
    assert stands is not None and NAMES[stands.quarterback] == "RB"


def test_an_even_line_with_the_passer_in_it_is_no_line():
    """Of five evenly spaced men one drops six yards: beside him stands the fifth lineman, uneven as it is."""
    xy = XY.copy()
    places = {"LT": (61.1, 26.9), "LG": (61.1, 27.8), "QB": (61.1, 29.5), "C": (60.6, 30.3)}
    places |= {"RG": (61.1, 31.2), "RT": (61.2, 33.1), "RB": (64.8, 28.5), "Y": (60.7, 25.1)}
    for name, place in places.items():
        xy[rows(name)] = place
    later, late = xy.copy(), xy.copy()
    for name, back in zip(("LT", "LG", "C", "RG", "RT"), (0.1, 1.7, 0.3, 1.5, -0.4), strict=True):
        later[rows(name), 0] += back
    late[rows("LT", "LG", "C", "RG", "RT"), 0] += 1.7
    later[rows("QB")], late[rows("QB")] = (62.4, 29.6), (66.4, 29.8)  # after a fake
    later[rows("RB")], late[rows("RB")] = (65.2, 26.0), (64.0, 20.8)
    lineup = read_lineup(xy, ROWS_O, ROWS_D, later=later, late=late)
    assert lineup is not None and NAMES[lineup.quarterback] == "QB"
    assert set(lineup.line) == set(rows("C", "LG", "RG", "LT", "RT"))
    assert NAMES[read_lineup(xy, ROWS_O, ROWS_D, later=later).quarterback] == "RB"


@pytest.mark.parametrize("feet_yd", [0.1, 0.6])
def test_passer_seen_in_the_place_of_a_hidden_centre(feet_yd):
    """Only one of two men right behind each other is found, as far ahead as the guards or more: he who goes
    back when the linemen fire out is no centre. Eleven men in view are not all of a team of twelve."""
    xy = np.vstack([without("C"), [[61.0, 12.0]]])  # a twelfth man, split
    offense = np.append(ROWS_O, len(xy) - 1)
    xy[rows("QB")], xy[rows("RB")] = (61.0 - feet_yd, 30.0), (66.6, 30.0)
    later = xy.copy()
    later[rows("LG", "RG", "LT", "RT"), 0] -= 1.0
    later[rows("QB"), 0] += 2.3
    lineup = read_lineup(xy, offense, ROWS_D, later=later, spot=Spot(men=12))
    assert lineup is not None and NAMES[lineup.quarterback] == "QB"
    assert lineup.centre == -1 and set(lineup.line) == set(rows("LG", "RG", "LT", "RT"))
    assert charted({}, get_standard("canadian")).spot(get_standard("canadian")).men == 12
    later[rows("QB"), 0] = xy[rows("QB"), 0] - 1.0  # he who goes forward with them is one
    lineup = read_lineup(xy, offense, ROWS_D, later=later, spot=Spot(men=12))
    assert lineup is not None and NAMES[lineup.centre] == "QB"


def test_safety_behind_a_hidden_front_is_no_punter():
    """Read the wrong way round, a deep safety over three linemen must not pass for a punter."""
    xy = without("T1")
    xy[rows("S")] = (47.0, 31.0)
    wrong = read_lineup(xy, ROWS_D, ROWS_O)
    right = read_lineup(xy, ROWS_O, ROWS_D)
    assert right is not None and wrong is not None and wrong.cost - right.cost > 3.0


@pytest.mark.parametrize("hidden", [(), ("C", "LG", "RG"), ("C", "LG", "RT", "T1")])
def test_offense_is_told_by_motion_when_the_line_is_hidden(hidden):
    xy = without(*hidden)
    later, late = xy.copy(), xy.copy()
    for places, s in ((later, 1.2), (late, 2.2)):
        places[rows("X", "H", "Y", "Z"), 0] -= 3.0 * s
        places[rows("M", "W", "N", "C1", "C2", "F", "S"), 0] -= 2.0 * s
    a, b = read_lineup(xy, ROWS_O, ROWS_D), read_lineup(xy, ROWS_D, ROWS_O)
    odds, parts = offense_evidence(a, b, xy, later, late)
    back, _ = offense_evidence(b, a, xy, later, late)
    assert odds > 3.0 and parts["flow"] == FLOW_MOST
    assert back == pytest.approx(-odds, abs=0.5)  # the two readings put the line a little apart


def test_charted_line_tells_the_way_when_only_one_fits():
    a, b = read_lineup(XY, ROWS_O, ROWS_D), read_lineup(XY, ROWS_D, ROWS_O)
    told = Spot(charted_x_yd={1: 40.0, -1: 60.0})
    assert offense_evidence(a, b, XY, XY, None, told)[1]["charted"] == 3.0
    swapped = Spot(charted_x_yd={1: 60.0, -1: 40.0})
    assert offense_evidence(a, b, XY, XY, None, swapped)[1]["charted"] == -3.0
    # a camera that is lines off fits neither: no word
    assert offense_evidence(a, b, XY, XY, None, Spot(charted_x_yd={1: 45.0, -1: 55.0}))[1]["charted"] == 0.0
    assert offense_evidence(a, b, XY, XY, None, ANYWHERE)[1]["charted"] == 0.0


def test_direction_stays_open_when_nothing_tells_it():
    """Two like fronts, nobody moves one way or the other: no direction is given, with the reason."""
    tracks = paper_play()
    xy = np.array(tracks.xy_field_yd)
    for a, b in zip(
        range(11), range(11, 22), strict=True
    ):  # the second team is the first turned about x = 60
        xy[b] = xy[a]
        xy[b, :, 0] = 120.0 - xy[a, :, 0]
    play = understand_play(replace(tracks, xy_field_yd=xy), "ncaa")
    assert play.direction == 0 and not play.understood
    assert any("which team is the offense" in w for w in play.warnings)


def test_soft_counts_of_a_defense():
    table = dict(_counts(11, 3))
    assert all(sum(c) == 11 for c in table) and (4, 3, 2, 2) in table
    assert table[(4, 3, 2, 2)] > table[(6, 3, 1, 1)] + 5
    assert all(sum(c) == n for n in (9, 12) for c, _ in _counts(n, 3))


@pytest.mark.parametrize(
    ("row", "thrown"),
    [
        ({"result": "complete"}, True), ({"result": "incomplete"}, True), ({"result": "interception"}, True),
        ({"result": "touchdown", "kind": "pass"}, True), ({"result": "touchdown"}, None),
        ({"result": "sack"}, False), ({"kind": "run"}, False), ({}, None),
    ],
)  # fmt: skip
def test_the_sheet_says_whether_the_ball_was_thrown(row, thrown):
    assert charted(row, get_standard("nfl")).thrown is thrown


def scene(drive: float) -> tuple:
    """Two receivers, three defenders, a passer and a rusher; all react 2.9 s after the snap."""
    t = np.arange(-0.5, 6.0, 0.05)
    n = 7
    path = np.zeros((n, len(t), 2))
    go = np.clip(t, 0, None)
    path[0] = np.stack([np.minimum(5.5 * go, 12), np.full(len(t), -15.0)], 1)
    path[1] = np.stack([6 * np.minimum(go, 3.1) - 1, np.full(len(t), 14.0)], 1)
    after = np.clip(t - 2.9, 0, 1.2)
    for k, (x, y) in zip((2, 3, 4), ((14.0, -6.0), (16.0, -16.0), (12.0, 4.0)), strict=True):
        to = path[0, -1] - (x, y)
        path[k] = np.array([x, y]) + np.outer(drive * after / np.hypot(*to), to)
    path[5] = (-7.0, 0.0)
    close = np.clip(2.6 * go, 0, 6.4)
    path[6] = np.stack([-close, np.zeros(len(t))], 1)
    velocity = np.gradient(path, t, axis=1)
    receivers, defenders = np.array([0, 1]), np.array([2, 3, 4])
    return t, path, velocity, receivers, defenders, 5, 1.6, np.array([6])


def test_a_strong_drive_is_a_throw_although_the_rusher_arrives():
    weak, strong = infer_throw(*scene(2.0)), infer_throw(*scene(6.0))
    assert weak is None
    assert strong is not None and abs(strong.throw_s - 2.65) < 0.5
    said = infer_throw(*scene(2.0), thrown=True)
    assert said is not None and math.isfinite(said.throw_s)
    assert infer_throw(*scene(6.0), thrown=False) is None


def test_charted_pass_is_searched_for_its_throw_although_the_men_ran():
    play = understand_play(paper_play("run"), "nfl", {"kind": "pass", "result": "incomplete"})
    assert play.kind == "pass" and play.snap_s.value == pytest.approx(SNAP, abs=0.15)
    assert play.qb_set_s.known or play.throw_s.known
