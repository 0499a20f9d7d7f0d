"""The record of one understood play: its moments, its line, its people.

Every value is a `Value`: number, standard deviation, source. NaN = not known (never invented). Frames:
`_field_yd` is the fixed field, `_play_yd` counts depth beyond the line of scrimmage and lateral from the
ball's spot, + to the offense's right. Times `_s` of moments are on the clock of the tracks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

SOURCES = ("measured", "charted", "corrected", "estimated", "")
"""measured: seen in the film or given by a table's events or ball; charted: from the sheet;
estimated: inferred from how the men move; '' = not known."""

ROLES = ("QB", "RB", "TE", "WR", "OL", "DL", "LB", "CB", "S")
ELIGIBLE = ("RB", "TE", "WR")
KINDS = ("pass", "run", "kick", "unknown")


@dataclass(frozen=True)
class Value:
    """A number, its standard deviation (NaN = not stated) and where it came from."""

    value: float = math.nan
    sd: float = math.nan
    source: str = ""

    def __post_init__(self) -> None:
        if self.source not in SOURCES:
            raise ValueError(f"source: expected one of {SOURCES}, found {self.source!r}")
        if self.known and not self.source:
            raise ValueError("a known value needs a source")

    @property
    def known(self) -> bool:
        return math.isfinite(self.value)

    def __float__(self) -> float:
        return float(self.value)


UNKNOWN = Value()


@dataclass(frozen=True)
class PlayerInPlay:
    """One man's part in the play.

    role out of `ROLES` or '' (not known), role_probability 0..1. receiver_number: 1 = nearest the
    sideline on his side, 0 = none. side: 'left' / 'right' of the ball as the offense sees it, '' = none.
    split_yd: distance from his nearer sideline at the snap. landmark: outside / on / inside numbers,
    hash, inside hash, tackle. depth / lateral_play_yd: place at the snap.
    job (defense): line, underneath, deep, '' = not known. in_motion: moving at or just before the snap.
    """

    player_id: str
    team: str
    role: str = ""
    role_probability: float = math.nan
    jersey: str = ""
    jersey_probability: float = math.nan
    receiver_number: int = 0
    side: str = ""
    split_yd: float = math.nan
    landmark: str = ""
    depth_play_yd: float = math.nan
    lateral_play_yd: float = math.nan
    job: str = ""
    in_motion: bool = False
    source: str = "estimated"

    @property
    def eligible(self) -> bool:
        return self.team == "offense" and self.role in ELIGIBLE


@dataclass(frozen=True)
class Play:
    """One play, understood. See the module's docstring for frames and sources.

    direction: +1 the offense attacks +x, -1 it attacks -x, 0 not known. kind: pass, run, kick or unknown
    with kind_probability. qb_drop: quick, three-step, five-step, seven-step, '' unknown. play_action, boot:
    True, False or None (unknown). formation by count such as '3x1'; strength: left, right, balanced, ''.
    line_set_s: the offense came to rest before the snap; qb_set_s: the quarterback ended his drop.
    field_side: side of the wide part of the field (left / right / middle). warnings: plain sentences.
    side_evidence: log-odds, from this play alone, that side A of the tracks is the offense (NaN: not told).
    """

    play_id: str
    standard: str
    direction: int
    los_field_yd: Value
    spot_y_field_yd: Value
    snap_s: Value
    line_set_s: Value = UNKNOWN
    qb_set_s: Value = UNKNOWN
    throw_s: Value = UNKNOWN
    arrival_s: Value = UNKNOWN
    end_s: Value = UNKNOWN
    kind: str = "unknown"
    kind_probability: float = math.nan
    players: tuple[PlayerInPlay, ...] = ()
    formation: str = ""
    backs: int = -1
    strength: str = ""
    hash: str = ""
    field_side: str = ""
    qb_drop: str = ""
    qb_drop_probability: float = math.nan
    qb_set_depth_play_yd: Value = UNKNOWN
    play_action: bool | None = None
    play_action_probability: float = math.nan
    boot: bool | None = None
    launch_depth_play_yd: Value = UNKNOWN
    launch_lateral_play_yd: Value = UNKNOWN
    arrival_depth_play_yd: Value = UNKNOWN
    arrival_lateral_play_yd: Value = UNKNOWN
    target_player_id: str = ""
    target_probability: float = math.nan
    result: str = ""
    result_source: str = ""
    yards: float = math.nan
    down: int = 0
    distance: float = math.nan
    warnings: tuple[str, ...] = ()
    side_evidence: float = math.nan
    tracks: Any = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.direction not in (-1, 0, 1):
            raise ValueError(f"direction: expected -1, 0 or 1, found {self.direction!r}")
        if self.kind not in KINDS:
            raise ValueError(f"kind: expected one of {KINDS}, found {self.kind!r}")

    @property
    def understood(self) -> bool:
        """A direction, a line and a snap are known, so that the play frame exists."""
        return self.direction != 0 and self.los_field_yd.known and self.snap_s.known

    @property
    def time_to_throw_s(self) -> Value:
        """Snap to throw, standard deviations added in squares."""
        if not (self.throw_s.known and self.snap_s.known):
            return UNKNOWN
        both = {self.throw_s.source, self.snap_s.source}
        source = "estimated" if "estimated" in both else self.throw_s.source
        sd = math.hypot(self.throw_s.sd, self.snap_s.sd)
        return Value(self.throw_s.value - self.snap_s.value, sd, source)

    def to_play(self, xy_field_yd: Any) -> F64:
        """Field yards (..., 2) to the play frame (..., 2): depth beyond the line, lateral + right."""
        return to_play(xy_field_yd, self.direction, self.los_field_yd.value, self.spot_y_field_yd.value)

    def player(self, player_id: str) -> PlayerInPlay:
        """The man with this id. Raises KeyError naming the ids there are."""
        for man in self.players:
            if man.player_id == player_id:
                return man
        raise KeyError(
            f"no player {player_id!r} in the play; there are {[m.player_id for m in self.players]}"
        )

    def of(self, team: str = "", *roles: str) -> tuple[PlayerInPlay, ...]:
        """The men of a team ('' = any) with one of the roles (none = any)."""
        return tuple(
            m for m in self.players if (not team or m.team == team) and (not roles or m.role in roles)
        )

    @property
    def quarterback_id(self) -> str:
        found = self.of("offense", "QB")
        return found[0].player_id if found else ""

    @property
    def eligible(self) -> tuple[PlayerInPlay, ...]:
        """Eligible receivers (RB, TE, WR), each side numbered from the sideline inward."""
        return tuple(m for m in self.players if m.eligible)

    def row(self) -> dict[str, Any]:
        """The play as a row of the exported table `plays` (combinations are added by the caller)."""
        out: dict[str, Any] = {"play_id": self.play_id}
        for name in ("snap_s", "throw_s", "arrival_s", "end_s"):
            value: Value = getattr(self, name)
            out[name], out[name[:-2] + "_source"], out[name[:-2] + "_sd_s"] = (
                value.value,
                value.source,
                value.sd,
            )
        out |= {
            "los_field_yd": self.los_field_yd.value,
            "direction": self.direction or None,
            "hash": self.hash,
            "down": self.down or None,
            "distance": self.distance,
            "qb_drop": self.qb_drop,
            "play_action": self.play_action,
            "launch_depth_play_yd": self.launch_depth_play_yd.value,
            "launch_lateral_play_yd": self.launch_lateral_play_yd.value,
            "time_to_throw_s": self.time_to_throw_s.value,
            "formation": self.formation,
            "left_combination": "",
            "right_combination": "",
            "target_player_id": self.target_player_id,
            "result": self.result,
            "result_source": self.result_source,
            "yards": self.yards,
            "spot_y_field_yd": self.spot_y_field_yd.value,
            "kind": self.kind,
            "kind_probability": self.kind_probability,
            "strength": self.strength,
            "field_side": self.field_side,
            "boot": self.boot,
            "qb_set_depth_play_yd": self.qb_set_depth_play_yd.value,
            "qb_set_s": self.qb_set_s.value,
            "target_probability": self.target_probability,
            "warnings": "; ".join(self.warnings),
        }
        return out

    def player_rows(self) -> list[dict[str, Any]]:
        """Rows of the exported table `players`."""
        return [
            {
                "play_id": self.play_id,
                "player_id": m.player_id,
                "team": m.team,
                "role": m.role,
                "jersey": m.jersey,
                "jersey_probability": m.jersey_probability,
                "receiver_number": m.receiver_number or None,
                "side": m.side,
                "split_yd": m.split_yd,
                "landmark": m.landmark,
                "role_probability": m.role_probability,
                "depth_play_yd": m.depth_play_yd,
                "lateral_play_yd": m.lateral_play_yd,
                "job": m.job,
                "in_motion": m.in_motion,
            }
            for m in self.players
        ]


def to_play(xy_field_yd: Any, direction: int, los_field_yd: float, spot_y_field_yd: float) -> F64:
    """Field yards (..., 2) to the play frame (..., 2).

    direction +1: depth = x - los, lateral = -(y - spot); -1: depth = los - x, lateral = y - spot.
    """
    xy = np.asarray(xy_field_yd, dtype=float)
    depth = direction * (xy[..., 0] - los_field_yd)
    lateral = -direction * (xy[..., 1] - spot_y_field_yd)
    return np.stack([depth, lateral], axis=-1)


def optional(row: Mapping[str, Any] | None, *names: str) -> Any:
    """The first filled value of a sheet row under one of these column names, else None."""
    for name in names:
        value = None if row is None else row.get(name)
        if value is None or (isinstance(value, float) and math.isnan(value)) or str(value).strip() == "":
            continue
        return value
    return None
