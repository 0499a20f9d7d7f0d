"""What the places of the defense say of its men's roles: a log-linear model of hinge functions.

One row a defender: where he stands at the snap (depth, distance outside the tackles, who is outside and
deeper, the receivers near him) and, where he is seen, where he has gone two seconds later. Fitted by
`python -m vision.plays.fit_defense` on simulated plays, places shaken by 0.8 yd so that no alignment is
learnt to the inch (`defense_roles.json`: knots and weights; readable). A sum of hinges a feature is a linear
spline (Hastie, Tibshirani, Friedman, The Elements of Statistical Learning, 2nd ed., 5.2).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from vision.plays.motion import F64

MODEL = Path(__file__).with_name("defense_roles.json")
ROLES = ("DL", "LB", "CB", "S")
AT_SNAP = (
    "depth", "outside", "aside", "outer", "to_widest", "to_any", "inside", "receivers", "wide", "deeper",
)  # fmt: skip
"""yd: depth, outside the nearer tackle, from the ball's place across; how many of the defense stand farther
out on his side; yd across from the widest and from the nearest receiver of his side, and that signed (+ he
stands outside him); receivers of his side; wide receivers of the offense; deeper men of the defense, as of
ten others"""
AFTER = ("back", "deeper_by", "wider_by", "near")
"""yd: gone back by 1.2 to 2.2 s; change of depth and of distance from the ball's place at 2 s; to the nearest
receiver then"""
NO_RECEIVER_YD, OTHERS = 6.0, 10
TOGETHER = ((2.5, 2.0), (2.5, 5.0), (6.0, 2.0), (6.0, 5.0))
OVER_HIM = ((4.5, 1.5), (4.5, 3.0), (8.0, 1.5), (8.0, 3.0))
"""products: deeper and farther outside than this; in front of this depth, this near a receiver and outside
the tackle by 2 yd"""
SCALE_YD = 5.0
FLOOR = -7.0
"""least log-chance of a role"""


def features(
    rows: Sequence[int],
    play_yd: F64,
    line: Sequence[int],
    receivers: Mapping[int, str],
    back_yd: F64,
    later_yd: F64,
) -> F64:
    """(len(rows), features) of defenders in the play frame: `AT_SNAP`, then `AFTER` (NaN: not seen then).

    play_yd, later_yd (P,2): places at the snap and two seconds later; back_yd (P,): see `given_ground`.
    line: rows of the linemen; receivers: {row: WR or TE}."""
    tackles = play_yd[list(line), 1]
    wide = sum(role == "WR" for role in receivers.values())
    ends = list(receivers)
    out = []
    for row in rows:
        depth, lateral = play_yd[row]
        sign = 1.0 if lateral > 0 else -1.0
        own = np.array([sign * play_yd[r, 1] for r in ends if sign * play_yd[r, 1] > 0])
        others = [r for r in rows if r != row]
        aside = np.abs(own - sign * lateral)
        nearest = int(aside.argmin()) if len(own) else -1
        gap = np.hypot(*(later_yd[ends] - later_yd[row]).T) if ends else np.zeros(0)
        out.append(
            (
                depth,
                max(lateral - tackles.max(), tackles.min() - lateral),
                abs(lateral),
                sum(sign * play_yd[r, 1] > sign * lateral for r in others),
                abs(own.max() - sign * lateral) if len(own) else NO_RECEIVER_YD,
                aside[nearest] if len(own) else NO_RECEIVER_YD,
                sign * lateral - own[nearest] if len(own) else 0.0,
                len(own),
                wide,
                sum(play_yd[r, 0] > depth for r in others) * OTHERS / max(1, len(others)),
                back_yd[row],
                later_yd[row, 0] - depth,
                abs(later_yd[row, 1]) - abs(lateral),
                np.nanmin(gap) if np.isfinite(gap).any() else np.nan,
            )
        )
    return np.array(out, float).reshape(len(out), len(AT_SNAP) + len(AFTER))


def basis(values: F64, knots: Mapping[str, Sequence[float]]) -> F64:
    """(N, columns) hinge functions of the features named in `knots`, and their products; NaN counts as the
    middle knot."""
    columns = []
    for k, name in enumerate((*AT_SNAP, *AFTER)):
        if name not in knots:
            continue
        at = np.asarray(knots[name], float)
        middle = at[len(at) // 2]
        v = np.clip(np.where(np.isfinite(values[:, k]), values[:, k], middle), at[0] - 3.0, at[-1] + 4.0)
        columns += [(v - middle) / SCALE_YD, *(np.maximum(0.0, v[:, None] - at) / SCALE_YD).T]
    depth, outside, to_any = (values[:, AT_SNAP.index(n)] for n in ("depth", "outside", "to_any"))
    columns += [(depth > d) & (outside > o) for d, o in TOGETHER]
    columns += [(depth < d) & (to_any < near) & (outside > 2.0) for d, near in OVER_HIM]
    return np.stack(columns, 1).astype(float)


@dataclass(frozen=True)
class PlaceModel:
    """knots: {feature: places of its hinges}; weights (4, columns) and offsets (4,) of `ROLES`."""

    knots: Mapping[str, Sequence[float]]
    weights: F64
    offsets: F64

    @classmethod
    def of(cls, given: Mapping[str, Any]) -> PlaceModel:
        return cls(given["knots"], np.array(given["weights"]), np.array(given["offsets"]))

    def logs(self, values: F64) -> F64:
        """(N,4) log-chance of each role."""
        score = basis(values, self.knots) @ self.weights.T + self.offsets
        score -= score.max(1, keepdims=True)
        return np.maximum(score - np.log(np.exp(score).sum(1, keepdims=True)), FLOOR)


@cache
def shipped() -> tuple[PlaceModel, PlaceModel]:
    """The models of the snap alone, and of the snap and what came after it."""
    given = json.loads(MODEL.read_text())
    return PlaceModel.of(given["snap"]), PlaceModel.of(given["snap and after"])


def role_logs(values: F64) -> F64:
    """(N,4) log-chance of `ROLES` for rows of `features`."""
    alone, both = shipped()
    seen = np.asarray(np.isfinite(values[:, len(AT_SNAP) :]).all(axis=1))
    return np.where(seen[:, None], both.logs(values), alone.logs(values))
