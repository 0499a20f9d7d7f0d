"""Which of two teams is the offense: the lines, the way the men flow after the snap, the charted line."""

from __future__ import annotations

import numpy as np

from vision.plays.lineup import ANYWHERE, Lineup, Spot
from vision.plays.motion import F64

LATE_S = 2.2
"""second time after the snap (beside `lineup.LATER_S`) at which the flow is looked at"""
FLOW_MOST = 3.5
"""log-odds that the flow counts at most: a defense may charge as one"""


def offense_evidence(
    as_a: Lineup | None,
    as_b: Lineup | None,
    xy: F64,
    later: F64,
    late: F64 | None = None,
    spot: Spot = ANYWHERE,
) -> tuple[float, dict[str, float]]:
    """Log-odds that the first team is the offense, with the parts that make it.

    as_a: the reading with the first team as offense, as_b with the second. later, late (P,2): places LATER_S
    and LATE_S after the snap. What counts, in log-odds a yard: the line's misfit 0.5; how far the men off the
    two lines have moved on average toward the defense's side (receivers run there, the men who cover them
    give ground) 1.2 and 2.3; how much farther from the line the other team stands 0.5. Weights by logistic
    regression on 480 line-ups of simulated plays with up to half of the linemen not seen (right 0.997
    there), rounded. A charted line that only one direction puts where the men stand counts 3.
    """
    parts = {"line": 0.0, "flow": 0.0, "depth": 0.0, "charted": 0.0}
    one = as_a or as_b
    if one is None:
        return 0.0, parts
    sign = 1 if as_a is not None else -1  # the parts below are for the team that `one` takes as the offense
    if as_a is None or as_b is None:
        parts["line"] = sign * 3.0 * max(0.0, 1.0 - one.cost / 7.0)
    else:
        parts["line"] = 0.5 * float(np.clip(as_b.cost - as_a.cost, -6, 6))
    both = np.concatenate([one.offense, one.defense])
    off_line = (np.abs(xy[both, 0] - one.los_yd) > 2.0) | (np.abs(xy[both, 1] - one.spot_y_yd) > 6.0)
    for weight, places in ((1.2, later), (2.3, late)):
        if places is None:
            continue
        moved = one.direction * (places - xy)[both[off_line], 0]
        moved = moved[np.isfinite(moved)]
        if len(moved) >= 3:
            parts["flow"] += sign * weight * float(np.clip(moved, -6, 6).mean())
    parts["flow"] = float(np.clip(parts["flow"], -FLOW_MOST, FLOW_MOST))
    spread = [float(np.median(np.abs(xy[g, 0] - one.los_yd))) for g in (one.offense, one.defense)]
    parts["depth"] = sign * 0.5 * float(np.clip(spread[1] - spread[0], -4, 4))
    parts["charted"] = sign * _charted_way(one, spot)
    return sum(parts.values()), parts


def _charted_way(lineup: Lineup, spot: Spot) -> float:
    """+3 when only this lineup's direction puts the charted line where it stands, -3 when only the other."""
    off = {d: abs(x - lineup.los_yd) for d, x in spot.charted_x_yd.items()}
    if len(off) < 2:
        return 0.0
    here, there = off[lineup.direction], off[-lineup.direction]
    if min(here, there) > 1.5 or max(here, there) < 3.0:
        return 0.0
    return 3.0 if here < there else -3.0
