"""How a defender stands to a receiver at one moment: cushion, leverage, distance, throwing lane.

All in the play frame (depth beyond the line of scrimmage, lateral from the ball's spot, yards):

* distance: straight line.
* cushion = defender's depth - receiver's depth: + = the defender is deeper.
* under = receiver's depth - defender's depth: + = the defender is underneath (= -cushion).
* inside = s * (receiver's lateral - defender's lateral), s = +1 for a receiver right of the ball, -1 left
  of it: + = the defender is nearer the ball's lateral place than the receiver. Within 1 yd of the ball the
  receiver's side at the snap counts; without one inside is blank.
* lane: distance of the defender from the line between the passer and the receiver (nearest point of the
  piece between the two).

Words follow the yards, never alone: inside / head-up / outside (head-up within HEAD_UP_YD) and underneath /
level / over the top (level within LEVEL_YD). Thresholds: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

HEAD_UP_YD = 0.75
LEVEL_YD = 1.0


@dataclass(frozen=True)
class Relation:
    """Yards between one defender and one receiver; NaN = could not be seen."""

    distance_yd: float
    cushion_yd: float
    inside_yd: float
    under_yd: float

    @property
    def words(self) -> str:
        return leverage_words(self.inside_yd, self.under_yd)


def relation(receiver_play_yd: Any, defender_play_yd: Any, side: str = "") -> Relation:
    """The relation of two places (depth, lateral); side: the receiver's side at the snap ('left', 'right',
    '')."""
    r, d = np.asarray(receiver_play_yd, float), np.asarray(defender_play_yd, float)
    ahead, across = float(d[0] - r[0]), float(r[1] - d[1])
    if not (math.isfinite(ahead) and math.isfinite(across)):
        return Relation(math.nan, math.nan, math.nan, math.nan)
    if abs(r[1]) >= 1.0:
        sign = math.copysign(1.0, r[1])
    else:
        sign = {"right": 1.0, "left": -1.0}.get(side, math.nan)
    return Relation(math.hypot(ahead, across), ahead, sign * across, -ahead)


def leverage_words(inside_yd: float, under_yd: float) -> str:
    """'inside, underneath' and so on; a part that is not known is left out."""
    parts = []
    if math.isfinite(inside_yd):
        parts.append(
            "head-up" if abs(inside_yd) <= HEAD_UP_YD else ("inside" if inside_yd > 0 else "outside")
        )
    if math.isfinite(under_yd):
        parts.append(
            "level" if abs(under_yd) <= LEVEL_YD else ("underneath" if under_yd > 0 else "over the top")
        )
    return ", ".join(parts)


def lane_distance(passer: Any, receiver: Any, defender: Any) -> float:
    """Distance (yd) of the defender from the line piece passer-receiver; NaN when a place is missing."""
    a, b, p = (np.asarray(x, float) for x in (passer, receiver, defender))
    if not np.isfinite([a, b, p]).all():
        return math.nan
    along = b - a
    length2 = float(along @ along)
    share = 0.0 if length2 < 1e-9 else float(np.clip((p - a) @ along / length2, 0.0, 1.0))
    return float(np.hypot(*(p - (a + share * along))))
