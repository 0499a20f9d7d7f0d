"""Receiver x defender at snap, break, throw and arrival: rows of the exported table `matchups`."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from vision.coverage.paths import Paths
from vision.coverage.relation import lane_distance, relation
from vision.plays.motion import F64
from vision.plays.record import PlayerInPlay

UNSEEN_SD_YD = 0.6
"""sd of the place of a man who stood still but was not seen at the snap itself"""


@dataclass(frozen=True)
class Matchup:
    """One receiver and one defender at one moment; see `vision.coverage.relation` for every yard.

    kind: nearest (defender off the line), underneath (nearest underneath defender), responsible.
    t_s: from the snap. lane_yd: at break, throw and arrival, from where the passer is then (launch point
    once the ball is thrown). sd_yd: of distance, cushion, inside and under alike, from both places' sd
    and the relative speed times the sd of the moment.
    """

    play_id: str
    receiver_id: str
    defender_id: str
    kind: str
    moment: str
    t_s: float
    distance_yd: float
    cushion_yd: float
    inside_yd: float
    under_yd: float
    leverage: str
    lane_yd: float
    sd_yd: float

    def row(self) -> dict[str, Any]:
        return asdict(self)


def moments_of(paths: Paths, route: dict[str, Any]) -> list[tuple[str, float, float]]:
    """(moment, s after the snap, sd) of what is known: a break after the throw is still a moment."""
    out = [("snap", 0.0, paths.play.snap_s.sd)]
    found = route.get("break_s")
    if found is not None and math.isfinite(float(found)):
        sd = route.get("break_sd_s")
        out.append(("break", float(found), float(sd) if sd is not None else 0.15))
    out += [("throw", paths.throw_s, paths.throw_sd_s), ("arrival", paths.arrival_s, paths.arrival_sd_s)]
    return [(m, t, sd if math.isfinite(sd) else 0.3) for m, t, sd in out if paths.inside_clock(t)]


def matchups_of(
    paths: Paths, receivers: list[PlayerInPlay], routes: dict[str, dict[str, Any]], charge: dict[str, str]
) -> list[Matchup]:
    """All rows of the play. charge: receiver id -> responsible defender's id."""
    cover = paths.defenders("underneath", "deep")
    under = [d for d in cover if d.job == "underneath"]
    out: list[Matchup] = []
    for r in receivers:
        for moment, t, sd_t in moments_of(paths, routes.get(r.player_id, {})):
            pairs = [("nearest", _nearest(paths, r, cover, moment, t))]
            pairs += [("underneath", _nearest(paths, r, under, moment, t))]
            pairs += [("responsible", charge.get(r.player_id, ""))]
            out += [_row(paths, r, paths.play.player(d), kind, moment, t, sd_t) for kind, d in pairs if d]
    return [m for m in out if math.isfinite(m.distance_yd)]


def _place(paths: Paths, man: PlayerInPlay, moment: str, t: float) -> F64:
    """(2,) where a man is at a moment; at the snap, unless he is in motion, where the line-up has him (the
    mean of the last quarter second, not yet smeared by his start)."""
    lined_up = np.array([man.depth_play_yd, man.lateral_play_yd])
    if moment == "snap" and not man.in_motion and np.isfinite(lined_up).all():
        return lined_up
    here = paths.at(man.player_id, t)
    return lined_up if moment == "snap" and not np.isfinite(here).all() else here


def _nearest(paths: Paths, receiver: PlayerInPlay, men: list[PlayerInPlay], moment: str, t: float) -> str:
    """Id of the man nearest to the receiver at a moment; '' when none is in view."""
    here = _place(paths, receiver, moment, t)
    far = [(float(np.hypot(*(_place(paths, d, moment, t) - here))), d.player_id) for d in men]
    known = [pair for pair in far if math.isfinite(pair[0])]
    return min(known)[1] if known else ""


def _row(
    paths: Paths, r: PlayerInPlay, man: PlayerInPlay, kind: str, moment: str, t: float, sd_t: float
) -> Matchup:
    here, there = _place(paths, r, moment, t), _place(paths, man, moment, t)
    defender = man.player_id
    found = relation(here, there, r.side)
    drift = paths.velocity_at(r.player_id, t) - paths.velocity_at(defender, t)
    speed = float(np.hypot(*drift)) if np.isfinite(drift).all() else 0.0
    sds = [paths.sd_at(m, t) for m in (r.player_id, defender)]
    sds = [s if math.isfinite(s) else UNSEEN_SD_YD for s in sds]
    sd = math.sqrt(sds[0] ** 2 + sds[1] ** 2 + (speed * sd_t) ** 2)
    lane = math.nan
    if moment != "snap":
        qb = paths.play.quarterback_id
        passer = (
            paths.launch
            if moment in ("throw", "arrival")
            else (paths.at(qb, t) if qb else np.full(2, np.nan))
        )
        lane = lane_distance(passer, here, there)
    return Matchup(
        paths.play.play_id, r.player_id, defender, kind, moment, t, found.distance_yd, found.cushion_yd,
        found.inside_yd, found.under_yd, found.words, lane, sd,
    )  # fmt: skip
