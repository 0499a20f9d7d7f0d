"""Records of one simulated play: who was where, doing what, at every thirtieth of a second.

Positions are in the field frame (yards, see `calibration`): x along the field, y from the near
sideline. Times count from the snap. Nothing here draws; the renderer plays these scripts back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from models.routes.labels import LABELS

RATE_HZ = 30.0

BALL_DEAD, BALL_HELD, BALL_FLIGHT = 0, 1, 2

ROUTES = LABELS
"""Full label set of eligible receivers (without `unknown`, which is an answer, not a route)."""


def _frozen(values: Any, dtype: Any = None) -> np.ndarray:
    out = np.array(values, dtype=dtype)
    out.setflags(write=False)
    return out


@dataclass(frozen=True)
class RouteTruth:
    """What an eligible man was told to run and what came of it.

    stem_depth_play_yd: depth beyond the line of scrimmage where the break began (NaN if no break).
    break_s: seconds after the snap (NaN if the break was never reached before the whistle).
    break_angle_deg: change of heading at the break, + toward the near sideline of his side.
    finished: whether the break was run before the throw.
    """

    label: str
    stem_depth_play_yd: float
    break_s: float
    break_angle_deg: float
    finished: bool = True
    end_depth_play_yd: float = float("nan")
    end_lateral_play_yd: float = float("nan")


@dataclass(frozen=True)
class PersonScript:
    """One person over the whole clip. Arrays share the play's clock.

    id: 'O1'..'O12', 'D1'..'D12', 'X1'..'X8'. team: offense, defense, official.
    role: QB RB TE WR OL DL LB CB S for players; K P KR for kicks; R U H L F S B C for officials.
    xy_field_yd: (T, 2) float32. facing_rad: (T,) float32, 0 = +x, toward +y positive.
    action: (T,) strings from ACTIONS. phase: (T,) float32 in [0, 1), cycle phase (by distance run
    for cyclic actions, by time for the others).
    """

    id: str
    team: str
    role: str
    jersey: int | None
    shape: str
    xy_field_yd: np.ndarray
    facing_rad: np.ndarray
    action: np.ndarray
    phase: np.ndarray

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy_field_yd", _frozen(self.xy_field_yd, np.float32))
        object.__setattr__(self, "facing_rad", _frozen(self.facing_rad, np.float32))
        object.__setattr__(self, "action", _frozen(self.action))
        object.__setattr__(self, "phase", _frozen(self.phase, np.float32))


@dataclass(frozen=True)
class PlayScript:
    """One play with exact truth. See the module docstring for frames; t_s = 0 at the snap."""

    standard: str
    direction: int
    los_field_yd: float
    spot_y_field_yd: float
    kind: str
    t_s: np.ndarray
    people: tuple[PersonScript, ...]
    ball_field_yd: np.ndarray
    ball_state: np.ndarray
    events: dict[str, Any]
    formation: str
    combos: dict[str, str] = field(default_factory=dict)
    routes: dict[str, RouteTruth] = field(default_factory=dict)
    situation: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.direction not in (1, -1):
            raise ValueError(f"direction must be +1 or -1, got {self.direction!r}")
        object.__setattr__(self, "t_s", _frozen(self.t_s, np.float64))
        object.__setattr__(self, "ball_field_yd", _frozen(self.ball_field_yd, np.float32))
        object.__setattr__(self, "ball_state", _frozen(self.ball_state, np.uint8))

    def person(self, person_id: str) -> PersonScript:
        for p in self.people:
            if p.id == person_id:
                return p
        raise KeyError(f"no person {person_id!r} in this play; there are {[p.id for p in self.people]}")

    def to_play(self, xy_field_yd: np.ndarray) -> np.ndarray:
        """Field yards (..., 2) to the play frame (..., 2): depth beyond the line, lateral + right."""
        xy = np.asarray(xy_field_yd, dtype=float)
        depth = self.direction * (xy[..., 0] - self.los_field_yd)
        lateral = -self.direction * (xy[..., 1] - self.spot_y_field_yd)
        return np.stack([depth, lateral], axis=-1)


def to_field(play_yd: np.ndarray, direction: int, los_field_yd: float, spot_y_field_yd: float) -> np.ndarray:
    """Play frame (..., 2) to field yards (..., 2)."""
    p = np.asarray(play_yd, dtype=float)
    return np.stack([los_field_yd + direction * p[..., 0], spot_y_field_yd - direction * p[..., 1]], axis=-1)
