"""What a roster's positions say of the roles of men whose numbers are read, more or less surely."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_plays import paper_play

from models.jerseys.reader import NUMBERS
from vision.number_roles import NEAR_GROUP, OTHER_GROUP, OTHER_UNIT, roster_says
from vision.plays import understand_play
from vision.records import Tracks

ROW = {"offense": "X", "defense": "Y"}
LISTED = {"X": ((62, "OL"), (17, "WR"), (42, "RB")), "Y": ((24, "CB"), (31, "S"), (55, "LB"), (90, "DL"))}
ROSTER = [{"team": t, "jersey": n, "position": p} for t, men in LISTED.items() for n, p in men]


def numbered(**numbers: int) -> Tracks:
    """The paper play's men, some of whose numbers the looks say plainly."""
    tracks = paper_play()
    evidence = np.zeros((len(tracks.ids), NUMBERS))
    for who, number in numbers.items():
        evidence[tracks.index(who), number] = 40.0
    return replace(tracks, number_evidence=evidence)


def test_roster_says_by_hand() -> None:
    """Number 31 is the one listed safety. A safety wears it 1 of 1 + .25 (corner's) + .25 (backer's) + .1
    times, a corner .25 of 1 + .25 + .1 + .1, a lineman .1 of as many (each .97: 3 % are not listed)."""
    said = roster_says(numbered(F=31), ROSTER, ROW)
    assert set(said) == {"F"}
    assert (NEAR_GROUP, OTHER_GROUP) == (0.25, 0.1)
    assert said["F"]["S"] == 0.0
    assert said["F"]["CB"] == pytest.approx(math.log(0.25 / 1.45 * 1.6), abs=0.02)
    assert said["F"]["DL"] == pytest.approx(math.log(0.1 / 1.45 * 1.6), abs=0.05)
    # as a man of the offense he wears a number that his team does not list: nothing is said
    assert [said["F"][r] for r in ("QB", "RB", "WR")] == pytest.approx([0.0] * 3, abs=0.01)
    # a lineman of the offense and its back: 62 is worn by the one, hardly ever by the other
    guard = roster_says(numbered(LG=62), ROSTER, ROW)["LG"]
    assert guard["OL"] == 0.0 and guard["RB"] < math.log(0.1) and OTHER_UNIT < OTHER_GROUP


def test_nothing_is_said_without_looks_positions_or_named_teams() -> None:
    bare = [{k: v for k, v in man.items() if k != "position"} for man in ROSTER]
    tracks = numbered(F=31)
    assert roster_says(tracks, bare, ROW) == {} == roster_says(tracks, ROSTER, {})
    assert roster_says(paper_play(), ROSTER, ROW) == {}


def test_a_number_listed_at_another_position_turns_a_doubtful_role_and_no_plain_one() -> None:
    """The nickel stands 7 yd deep over the slot, a corner or a safety by his place; F, 12 yd deep, stays a
    safety whatever the roster says, and E1 in his stance a lineman."""
    paper = numbered(N=31, F=55, E1=24)
    xy = np.array(paper.xy_field_yd)
    xy[paper.index("N"), :, 0] -= 7.0 - 5.0
    tracks = replace(paper, xy_field_yd=xy)
    by_place = {m.player_id: m.role for m in understand_play(tracks, "ncaa").players}
    assert (by_place["N"], by_place["F"], by_place["E1"]) == ("CB", "S", "DL")
    play = understand_play(tracks, "ncaa", says=roster_says(tracks, ROSTER, ROW))
    roles = {m.player_id: m.role for m in play.players}
    assert (roles["N"], roles["F"], roles["E1"]) == ("S", "S", "DL")
    assert {k: v for k, v in roles.items() if k != "N"} == {k: v for k, v in by_place.items() if k != "N"}
