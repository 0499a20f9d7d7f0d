"""End-to-end figures: perfect tables score 1, and each fault changes the figure it should, by hand."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from models.evaluation.chart import score_tables
from models.evaluation.play_figures import twelve
from models.evaluation.tally import Tally
from models.synthetic import tables
from models.synthetic.plays import simulate_play

SNAP_S, RATE = 2.0, 10.0


@cache
def script():
    """A pass with a throw that arrives and three receivers at least on routes."""
    for seed in range(900, 940):
        play = simulate_play(seed, "ncaa", "pass")
        if play.events.get("arrival_s") and len(play.routes) >= 4 and play.events.get("qb_drop"):
            return play
    raise AssertionError("no such play")


def truth(kind="pass"):
    """Truth tables of that play, ten times a second, with two officials; everybody is in the picture."""
    play, play_id = script(), "p1"
    rows = []
    t = np.arange(-SNAP_S, float(play.t_s[-1]), 1 / RATE)
    for p in play.people:
        xy = np.column_stack([np.interp(t, play.t_s, p.xy_field_yd[:, k]) for k in (0, 1)])
        speed = np.linalg.norm(np.gradient(xy, t, axis=0), axis=1)
        for k in range(len(t)):
            rows.append(("c1", play_id, k, f"{play_id}|{p.id}", p.team, *xy[k], speed[k], True))
    names = ["clip_id", "play_id", "frame", "player_id", "team", "x_field_yd", "y_field_yd",
             "speed_yd_per_s", "observed"]  # fmt: skip
    plays = pd.DataFrame([tables.play_row(play_id, play, SNAP_S, 1, 10, "middle")]).assign(kind=kind)
    clips = pd.DataFrame([{"clip_id": "c1", "play_id": play_id, "view": "sideline", "fps_num": 10,
                           "fps_den": 1}])  # fmt: skip
    return {
        "clips": clips, "plays": plays, "tracks": pd.DataFrame(rows, columns=names),
        "players": pd.DataFrame(tables.player_rows(play_id, play)),
        "routes": pd.DataFrame(tables.route_rows(play_id, play)),
        "matchups": pd.DataFrame(tables.matchup_rows(play_id, play)),
    }  # fmt: skip


def scored(**changed):
    return score_tables({**truth(), **changed}, truth()).figures()


def test_perfect_tables_score_one():
    figures = scored()
    for name in ("players found before the snap", "receivers with one identity, snap to arrival",
                 "underneath defenders with one identity, snap to arrival", "drop type right", "route right",
                 "play action right", "combination right", "route right, 12 classes", "role right",
                 "run or kick told from pass", "receiver number and side right",
                 "jersey number right when answered", "nearest defender at snap right"):  # fmt: skip
        assert figures[name]["value"] == 1.0, name
        assert figures[name]["n"] >= 1
    assert figures["official taken for player"]["value"] == 0.0
    assert figures["position error yd"]["p95"] == figures["speed error yd/s"]["median"] == 0.0
    assert figures["combination right"]["n"] == 2


def test_an_official_called_offense_is_counted_frame_by_frame():
    found = truth()["tracks"]
    officials = found.loc[found["team"] == "official", "player_id"].unique()
    one = found["player_id"] == officials[0]
    figures = scored(tracks=found.assign(team=found["team"].where(~one, "offense")))
    share = figures["official taken for player"]
    assert share["value"] == pytest.approx(1 / len(officials)) and share["n"] % len(officials) == 0


def test_an_official_beside_a_player_found_is_not_taken():
    """A player of ours at a true player's place stays his, though an official stands 0.5 yd away."""
    found, true = truth()["tracks"], truth()
    man = true["tracks"].loc[true["tracks"]["team"] == "offense", "player_id"].iloc[0]
    official = true["tracks"].loc[true["tracks"]["team"] == "official", "player_id"].iloc[0]
    rows = true["tracks"]
    place = rows[rows["player_id"] == man].set_index("frame")[["x_field_yd", "y_field_yd"]]
    mine = rows["player_id"] == official
    rows.loc[mine, "x_field_yd"] = rows.loc[mine, "frame"].map(place["x_field_yd"]) + 0.5
    rows.loc[mine, "y_field_yd"] = rows.loc[mine, "frame"].map(place["y_field_yd"])
    figures = score_tables({**truth(), "tracks": found[found["team"] != "official"]}, true).figures()
    assert figures["official taken for player"]["value"] == 0.0


def test_a_swap_after_the_throw_is_lost_to_arrival_only():
    found, play = truth()["tracks"], truth()["plays"].iloc[0]
    runners = list(truth()["routes"]["player_id"])[:2]
    late = found["frame"] > round(play["throw_s"] * RATE)
    swapped = found["player_id"].map(dict(zip(runners, runners[::-1], strict=True)))
    ids = found["player_id"].where(~(late & swapped.notna()), swapped)
    figures = scored(tracks=found.assign(player_id=ids))
    to_arrival = figures["receivers with one identity, snap to arrival"]
    lasting = figures["receivers with one lasting pair, snap to arrival"]
    for kept in (to_arrival, lasting):  # they part: an exchange by either count
        assert kept["n"] - round(kept["value"] * kept["n"]) == 2
    assert figures["receivers with one identity, snap to throw"]["value"] == 1.0


def test_a_receiver_never_found_is_not_kept():
    found = truth()["tracks"]
    man = truth()["routes"]["player_id"].iloc[0]
    figures = scored(tracks=found[found["player_id"] != man])
    kept = figures["receivers with one identity, snap to arrival"]
    assert kept["n"] - round(kept["value"] * kept["n"]) == 1


def test_blank_is_wrong_unless_asked_when_answered():
    plays = truth()["plays"].assign(qb_drop=None, play_action=None, left_combination=None)
    figures = scored(plays=plays)
    assert figures["drop type right"] == {"value": 0.0, "n": 1}
    assert "drop type right when answered" not in figures
    assert figures["play action right"]["value"] == 0.0
    assert figures["combination right"] == {"value": 0.5, "n": 2}
    assert figures["combination right when answered"] == {"value": 1.0, "n": 1}


def test_speed_and_number_faults_by_hand():
    found = truth()
    figures = scored(tracks=found["tracks"].assign(speed_yd_per_s=found["tracks"]["speed_yd_per_s"] + 0.3))
    assert figures["speed error yd/s"]["median"] == pytest.approx(0.3)
    players = found["players"]
    figures = scored(players=players.assign(jersey=players["jersey"].where(players["team"] == "offense")))
    assert figures["jersey number answered"]["value"] == pytest.approx(0.5)
    assert figures["jersey number right when answered"]["value"] == 1.0
    figures = scored(players=players.assign(side=players["side"].map({"left": "right", "right": "left"})))
    assert figures["receiver number and side right"]["value"] == 0.0


def test_unknown_kind_stays_with_the_passes():
    run = truth("run")
    for said, right in (("run", 1.0), ("kick", 1.0), ("pass", 0.0), ("unknown", 0.0)):
        figures = score_tables({**run, "plays": run["plays"].assign(kind=said)}, run).figures()
        assert figures["run or kick told from pass"] == {"value": right, "n": 1}
    assert scored(plays=truth("unknown")["plays"])["run or kick told from pass"]["value"] == 1.0


def test_a_kicks_snap_and_roles_count_apart():
    """A kick's moments and jobs are no pass play's: a late snap of one leaves the plays' figure alone."""
    plays = truth("kick")["plays"]
    kick = {**truth("kick"), "plays": plays.assign(snap_s=plays["snap_s"] + 0.15)}
    figures = score_tables(kick, truth("kick")).figures()
    assert figures["snap within 0.1 s on kicks"] == {"value": 0.0, "n": 1}
    assert figures["snap within 0.2 s on kicks"] == {"value": 1.0, "n": 1}
    assert figures["role right on kicks"]["value"] == 1.0
    assert not {"snap within 0.1 s", "snap error s", "role right"} & set(figures)
    late = truth()["plays"]
    run = scored(plays=late.assign(snap_s=late["snap_s"] + 0.15))
    assert run["snap within 0.1 s"] == {"value": 0.0, "n": 1} and "snap within 0.1 s on kicks" not in run


def test_twelve_classes_forgive_what_they_join():
    """Curl and comeback are one class in the set; a go is another (taxonomy_twelve.json)."""
    assert twelve().mapping["curl"] == twelve().mapping["comeback"] != twelve().mapping["go"]
    true = truth()
    true["routes"] = true["routes"].assign(route="curl")
    for said, right in (("comeback", 1.0), ("go", 0.0), ("unknown", 0.0)):
        found = {**true, "routes": true["routes"].assign(route=said)}
        figures = score_tables(found, true).figures()
        assert figures["route right, 12 classes"]["value"] == right
        assert figures["route right"]["value"] == 0.0
    for called, right in (("HITCH", 1.0), ("GO", 0.0), ("", 0.0), (float("nan"), 0.0)):
        found = {**true, "routes": true["routes"].assign(route="unknown", route_called_twelve=called)}
        assert score_tables(found, true).figures()["route right, 12 classes"]["value"] == right


def test_tallies_add_counts_before_ratios():
    a, b = Tally(), Tally()
    for right in (True, True, True):
        a.hit("x", right)
    b.hit("x", False)
    b.add("e", [1.0, float("nan"), 3.0])
    both = (a + b).figures()
    assert both["x"] == {"value": 0.75, "n": 4} and both["e"]["n"] == 2
    assert a.figures()["x"]["n"] == 3


def test_what_was_run_counts_beside_what_was_called():
    """`route_twelve` is held to the truth's own; a truth without it is not asked."""
    name = "route right, 12 classes by what was run"
    true = truth()
    assert scored()[name] == {"value": 1.0, "n": int(true["routes"]["route_twelve"].notna().sum())}
    said = {**true, "routes": true["routes"].assign(route_twelve="none of them")}
    assert score_tables(said, true).figures()[name]["value"] == 0.0
    bare = {**true, "routes": true["routes"].drop(columns="route_twelve")}
    assert name not in score_tables(true, bare).figures()
