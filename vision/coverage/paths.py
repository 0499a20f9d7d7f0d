"""The men of one play on a clock that starts at the snap, in the play frame: what every measure reads."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from vision.plays.motion import F64, RATE_HZ, Motion, motion_of
from vision.plays.record import Play, PlayerInPlay


@dataclass(frozen=True)
class Paths:
    """t_s (T,) from the snap; path, velocity (P,T,2) play frame; sd_yd (P,T); rows by player id.

    Moments are seconds after the snap, NaN unknown, each with its sd.
    """

    play: Play
    motion: Motion
    t_s: F64
    path: F64
    velocity: F64
    sd_yd: F64
    row: dict[str, int]
    throw_s: float
    throw_sd_s: float
    arrival_s: float
    arrival_sd_s: float
    end_s: float

    def index(self, t_s: float) -> int:
        return int(np.clip(round((t_s - self.t_s[0]) * RATE_HZ), 0, len(self.t_s) - 1))

    def inside_clock(self, t_s: float) -> bool:
        return math.isfinite(t_s) and self.t_s[0] - 0.05 <= t_s <= self.t_s[-1] + 0.05

    def at(self, player_id: str, t_s: float) -> F64:
        """(2,) place at a time, NaN when unknown."""
        if player_id not in self.row or not self.inside_clock(t_s):
            return np.full(2, np.nan)
        return self.path[self.row[player_id], self.index(t_s)]

    def velocity_at(self, player_id: str, t_s: float) -> F64:
        if player_id not in self.row or not self.inside_clock(t_s):
            return np.full(2, np.nan)
        return self.velocity[self.row[player_id], self.index(t_s)]

    def sd_at(self, player_id: str, t_s: float) -> float:
        return float(self.sd_yd[self.row[player_id], self.index(t_s)])

    def of(self, player_id: str) -> F64:
        """(T,2) whole path."""
        return self.path[self.row[player_id]]

    @property
    def launch(self) -> F64:
        """(2,) where the ball left from, NaN when the throw is not known."""
        qb = self.play.quarterback_id
        return self.at(qb, self.throw_s) if qb else np.full(2, np.nan)

    @property
    def arrival(self) -> F64:
        """(2,) where the ball came down."""
        return np.array([self.play.arrival_depth_play_yd.value, self.play.arrival_lateral_play_yd.value])

    def defenders(self, *jobs: str) -> list[PlayerInPlay]:
        return [
            m for m in self.play.players if m.team == "defense" and m.job in jobs and m.player_id in self.row
        ]


def paths_of(play: Play) -> Paths:
    """Paths of an understood play. Raises ValueError when the play has no frame or no tracks."""
    if not play.understood or play.tracks is None:
        raise ValueError(f"play {play.play_id!r}: no direction, line or snap, so nothing can be measured")
    motion = motion_of(play.tracks)
    velocity = play.direction * motion.velocity * np.array([1.0, -1.0])
    snap = play.snap_s.value
    return Paths(
        play=play,
        motion=motion,
        t_s=motion.t_s - snap,
        path=play.to_play(motion.xy_yd),
        velocity=velocity,
        sd_yd=motion.sd_yd,
        row={i: k for k, i in enumerate(motion.ids)},
        throw_s=play.throw_s.value - snap,
        throw_sd_s=play.throw_s.sd,
        arrival_s=play.arrival_s.value - snap,
        arrival_sd_s=play.arrival_s.sd,
        end_s=play.end_s.value - snap if play.end_s.known else float(motion.t_s[-1] - snap),
    )


def routes_by_player(routes: Any) -> dict[str, dict[str, Any]]:
    """Routes as {player_id: {label, break_s, ...}} from a mapping or a list of records, dicts or table
    rows."""
    if routes is None:
        return {}
    if hasattr(routes, "to_dict") and hasattr(routes, "columns"):
        routes = routes.to_dict("records")
    items = routes.items() if isinstance(routes, Mapping) else ((None, r) for r in routes)
    out: dict[str, dict[str, Any]] = {}
    for key, route in items:
        names = ("player_id", "route", "label", "break_s", "break_sd_s", "stem_depth_play_yd", "probability")
        get = route.get if isinstance(route, Mapping) else lambda n, d=None, r=route: getattr(r, n, d)
        found = {n: get(n, None) for n in names}
        found["route"] = found["route"] or found["label"] or ""
        out[str(key if key is not None else found["player_id"])] = found
    return out
