"""Roles over a whole game, where a table keeps one id a man: a safety who walks down stays a safety.

From one play a man's place alone tells his role; over many plays the places he never takes tell more (no
linebacker stands 12 yd deep). Only men of one group change into each other: backs, ends and wide men;
linemen, backers, corners and safeties of the defense. Passers and offensive linemen are what they stand for.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision.plays.record import Play, PlayerInPlay

GROUPS = (("RB", "TE", "WR"), ("DL", "LB", "CB", "S"))
_GROUP = {role: group for group in GROUPS for role in group}
FEWEST_PLAYS = 3
LEAST_CHANCE, WEIGHT = 0.02, 0.6
"""chance of a role in one play is never taken for less; plays of one man tell less than independent ones
would (by hand)"""
MEN_ON_FIELD = 24
ONE_SIDE = 0.9


def with_game_roles(plays: Sequence[Play]) -> list[Play]:
    """The plays of one game with every man's role the one that all his plays together make likeliest.

    Ids that do not last (numbered anew in each play: no more of them than men on the field, or men now on one
    side, now on the other) leave all as it was. Roles that a table gave (`charted`) stay.
    """
    chances, sides = _evidence(plays)
    if len(chances) <= MEN_ON_FIELD:
        return list(plays)
    settled: dict[str, tuple[str, float]] = {}
    for who, group_logs in chances.items():
        offense = sides[who]
        if ONE_SIDE > np.mean(offense) > 1 - ONE_SIDE:
            continue
        for group, logs in group_logs.items():
            if len(logs) < FEWEST_PLAYS:
                continue
            total = WEIGHT * np.sum(logs, axis=0)
            p = np.exp(total - total.max())
            settled[who + group[0]] = group[int(p.argmax())], float(p.max() / p.sum())
    return [replace(p, players=tuple(_settle(m, settled) for m in p.players)) for p in plays]


def _evidence(
    plays: Sequence[Play],
) -> tuple[dict[str, dict[tuple[str, ...], list[np.ndarray]]], dict[str, list[bool]]]:
    """Per man and group the log-chances of its roles, play by play; per man whether he was on offense."""
    chances: dict[str, dict[tuple[str, ...], list[np.ndarray]]] = defaultdict(lambda: defaultdict(list))
    sides: dict[str, list[bool]] = defaultdict(list)
    for play in plays:
        for man in play.players:
            if not man.role:
                continue
            sides[man.player_id].append(man.team == "offense")
            group = _GROUP.get(man.role)
            here = chances[man.player_id]
            if group is not None and np.isfinite(man.role_probability):
                p = float(np.clip(man.role_probability, 1 / len(group), 0.97))
                rest = (1 - p) / (len(group) - 1)
                each = np.where(np.array(group) == man.role, p, rest)
                here[group].append(np.log(np.maximum(each, LEAST_CHANCE)))
    return chances, sides


def _settle(man: PlayerInPlay, settled: dict[str, tuple[str, float]]) -> PlayerInPlay:
    group = _GROUP.get(man.role)
    found = settled.get(man.player_id + group[0]) if group else None
    if found is None or man.source == "charted":
        return man
    return replace(man, role=found[0], role_probability=found[1])
