"""All coverage measures of one play: `measure(play, routes)` gives the matchups and the drops."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from vision.coverage.assignment import covers, responsible
from vision.coverage.drops import Drop, drop_of
from vision.coverage.matchups import Matchup, matchups_of
from vision.coverage.paths import Paths, paths_of, routes_by_player
from vision.coverage.relation import relation
from vision.plays.record import Play, PlayerInPlay


def measure(play: Play, routes: Any = None) -> tuple[list[Matchup], list[Drop]]:
    """(matchups, drops) of a pass play; both empty for a run, a kick or a play that was not understood.

    routes: {player_id: route}, a list of them or the exported table; each with `route` (or `label`) and
    `break_s` from the snap. A receiver whose route is 'block' has no matchups.
    """
    if not play.understood or play.kind in ("run", "kick") or play.tracks is None:
        return [], []
    paths = paths_of(play)
    known = routes_by_player(routes)
    receivers = [
        m
        for m in play.eligible
        if m.player_id in paths.row and known.get(m.player_id, {}).get("route") != "block"
    ]
    matchups = matchups_of(paths, receivers, known, responsible(paths, receivers))
    cover = covers(paths, receivers)
    drops = []
    for man in paths.defenders("underneath", "deep"):
        drop = drop_of(paths, man, cover.get(man.player_id))
        drops.append(_read_two_to_one(paths, man, drop, receivers, known))
    return matchups, drops


def _read_two_to_one(
    paths: Paths,
    man: PlayerInPlay,
    drop: Drop,
    receivers: list[PlayerInPlay],
    routes: dict[str, dict[str, Any]],
) -> Drop:
    """For an underneath defender: when #2 of his side went flat, when he widened, where he was to a curl
    of #1.

    #2 has gone flat when his sideways speed outward passes 2.5 yd/s while he is under 5 yd deep and it is
    # more
    than his upfield speed; the defender widens when his own outward speed passes 1.5 yd/s after that. At
    the throw his place against #1's curl (curl, hitch, hook or comeback) is given in yards.
    """
    if man.job != "underneath" or not math.isfinite(drop.start_lateral_play_yd):
        return drop
    side = "right" if drop.start_lateral_play_yd > 0 else "left"
    sign = 1.0 if side == "right" else -1.0
    here = {m.receiver_number: m for m in receivers if m.side == side}
    changes: dict[str, Any] = {}
    if 2 in here:
        flat = _first(paths, here[2].player_id, sign, 2.5, 0.0, 5.0)
        if math.isfinite(flat):
            changes["number2_flat_s"] = flat
            changes["widen_s"] = _first(paths, man.player_id, sign, 1.5, flat, 99.0)
    if 1 in here and routes.get(here[1].player_id, {}).get("route") in ("curl", "hitch", "hook", "comeback"):
        t = paths.throw_s
        found = relation(paths.at(here[1].player_id, t), paths.at(man.player_id, t), side)
        changes |= {"curl_inside_yd": found.inside_yd, "curl_under_yd": found.under_yd}
    return replace(drop, **changes)


def _first(paths: Paths, player_id: str, sign: float, least: float, after_s: float, under_yd: float) -> float:
    """First time after after_s at which a man goes outward faster than `least` and than upfield; NaN if
    never."""
    v = paths.velocity[paths.row[player_id]]
    out = sign * v[:, 1]
    last = paths.throw_s if math.isfinite(paths.throw_s) else paths.end_s
    ok = (paths.t_s >= after_s) & (paths.t_s <= last) & (out > least) & (out > np.abs(v[:, 0]))
    ok &= paths.of(player_id)[:, 0] < under_yd
    found = np.flatnonzero(ok)
    return float(paths.t_s[found[0]]) if len(found) else math.nan
