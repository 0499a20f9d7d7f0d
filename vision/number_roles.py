"""Numbers and roles tell of each other: the rules and the roster say who may wear what.

On a scrimmage play at least five men of the offense's line wear 50 to 79, and who is eligible for a pass does
not (NCAA rules 7-1-4-a-3 and 7-3-3; NFHS 7-2-5 and 7-5-6; NFL 5-1-2, where a lineman may report as eligible;
scrimmage kicks are excepted, so that kicks are left alone). Canadian rules number the ineligible from 40 or
50 up by competition (from memory). A roster with positions says it of every single number.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from models.jerseys.reader import NUMBERS
from vision.jerseys import NOT_LISTED, SURE, listed_men, misread, name_numbers, plain_name, rosters_of
from vision.plays.record import ELIGIBLE, ROLES, Play
from vision.plays.roles import RoleLogs
from vision.records import Tracks
from vision.table_words import OFFENSE_ROLES

INELIGIBLE, CANADIAN_INELIGIBLE = (50, 80), (40, 80)
LINE_OTHERWISE, ELIGIBLE_OTHERWISE = 0.03, 0.05
"""weight of a number that the rules do not give a lineman, an eligible man (exceptions, typing errors)"""
OTHER_UNIT, OTHER_GROUP, NEAR_GROUP = 0.05, 0.1, 0.25
"""weight of a number listed at a position of the other unit or of line against eligible men; at another
position; at one that is played from the same places (guesses from common sense)"""
NEAR = ({"CB", "S"}, {"RB", "TE"}, {"WR", "TE"}, {"WR", "RB"}, {"DL", "LB"}, {"LB", "S"})
NOT_A_ROLE_UNDER = 0.3
SURE_OF_LINEMEN = 0.985
"""linemen stand in each other's way, and a look at one may show another's number: least chance of an answer
(41 tuning games: .9815 of 758 answers right from 0.97 on, .987 of 618 from here; other men .995 of 1,058)"""
LINEMEN = ("OL", "DL")
SAYS_MOST = 3.0
"""log-odds that a roster says at most of a man's role: men play out of position, sheets err"""


def roster_says(
    tracks: Tracks, roster: Sequence[Mapping[str, Any]] = (), row: Mapping[str, Any] | None = None
) -> RoleLogs:
    """{player id: {role: log-likelihood}} of what the looks at each man's number and the positions listed say
    of his role, of the offense's roles if his team has the ball and the defense's if not; {} without
    positions or looks.

    Bayes' rule over the numbers: a role's men wear the numbers listed at it (weights of `_fits`), or one not
    listed at all."""
    if not np.any(tracks.number_evidence):
        return {}
    listed = {unit: _positions(roster, (row or {}).get(unit)) for unit in ("offense", "defense")}
    if not all(listed.values()):
        return {}
    wears = {r: _worn(r, listed[_unit(r)]) for r in ROLES}
    evidence = misread(tracks.number_evidence)
    said: dict[str, dict[str, float]] = {}
    for k, player_id in enumerate(tracks.ids):
        if np.any(tracks.number_evidence[k]):
            looks = np.exp(evidence[k] - evidence[k].max())
            logs = {role: math.log(float(looks @ worn)) for role, worn in wears.items()}
            said[player_id] = {
                role: max(log - max(logs[r] for r in logs if _unit(r) == _unit(role)), -SAYS_MOST)
                for role, log in logs.items()
            }
    return said


def _unit(role: str) -> str:
    return "offense" if role in OFFENSE_ROLES else "defense"


def _worn(role: str, listed: Mapping[int, set[str]]) -> np.ndarray:
    """(NUMBERS,) chance of each number for a man of this role."""
    chance = np.full(NUMBERS, NOT_LISTED / max(NUMBERS - len(listed), 1))
    weight = np.array([max(_fits(role, position) for position in positions) for positions in listed.values()])
    chance[list(listed)] = (1 - NOT_LISTED) * weight / weight.sum()
    return chance


def renumbered(
    play: Play, roster: Sequence[Mapping[str, Any]] = (), row: Mapping[str, Any] | None = None
) -> Play:
    """The play with numbers voted on again under its men's roles; a kick or a play not understood stays.

    roster: rows of team, jersey, position. row: the sheet's row, which names the teams."""
    tracks = play.tracks
    if tracks is None or not play.understood or play.kind == "kick" or not np.any(tracks.number_evidence):
        return play
    positions = {team: _positions(roster, (row or {}).get(team)) for team in ("offense", "defense")}
    weights, least = np.ones((len(tracks.ids), NUMBERS)), np.full(len(tracks.ids), SURE)
    for man in play.players:
        k = tracks.index(man.player_id)
        weights[k] = number_weights(
            man.role, man.role_probability, play.standard, positions.get(man.team, {})
        )
        least[k] = SURE_OF_LINEMEN if man.role in LINEMEN else SURE
    blank = replace(
        tracks, jersey=("",) * len(tracks.ids), jersey_probability=np.full(len(tracks.ids), math.nan)
    )
    named = name_numbers(blank, rosters_of(roster, row), weights, least)
    players = []
    for man in play.players:
        k = named.index(man.player_id)
        sure = float(named.jersey_probability[k])
        players.append(replace(man, jersey=named.jersey[k], jersey_probability=sure))
    return replace(play, players=tuple(players), tracks=named)


def number_weights(
    role: str, probability: float, standard: str, positions: Mapping[int, set[str]]
) -> np.ndarray:
    """(NUMBERS,) how likely each number is for a man of this role (1 = as likely as any).

    positions: what the roster says of each number of his team."""
    weight = np.ones(NUMBERS)
    if not role or not probability >= NOT_A_ROLE_UNDER:
        return weight
    low, high = CANADIAN_INELIGIBLE if standard == "canadian" else INELIGIBLE
    line = (np.arange(NUMBERS) >= low) & (np.arange(NUMBERS) < high)
    if role == "OL":
        weight[~line] = LINE_OTHERWISE
    elif role == "QB" or role in ELIGIBLE:
        weight[INELIGIBLE[0] : INELIGIBLE[1]] = ELIGIBLE_OTHERWISE
    for number, listed in positions.items():
        weight[number] = min(weight[number], max(_fits(role, position) for position in listed))
    return np.asarray(probability * weight + (1 - probability))


def _fits(role: str, position: str) -> float:
    """Weight of a man listed at a position playing a role."""
    if role == position:
        return 1.0
    if (role in OFFENSE_ROLES) != (position in OFFENSE_ROLES) or "OL" in (role, position):
        return OTHER_UNIT
    return NEAR_GROUP if {role, position} in NEAR else OTHER_GROUP


def _positions(roster: Sequence[Mapping[str, Any]], team: object) -> dict[int, set[str]]:
    """Number -> positions that the roster lists for it in a team; {} where the team is not named."""
    out: dict[int, set[str]] = {}
    for name, number, role in listed_men(roster):
        if role and name and name == plain_name(team):
            out.setdefault(number, set()).add(role)
    return out
