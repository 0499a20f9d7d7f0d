"""Who covered whom: the defender responsible for each receiver, and man or zone.

Man: the defender's way copies the receiver's (their difference hardly changes, their velocities agree).
Zone: he goes his own way to a place. Scores by hand, checked against simulated coverages; the words
are estimates and carry a probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.coverage.paths import Paths
from vision.plays.record import PlayerInPlay

MOST_YD = 8.0
"""a defender whose mean distance is larger is not held responsible"""


@dataclass(frozen=True)
class Cover:
    """What one defender did with the receiver he was nearest to: 'man', 'zone' or '', and its probability."""

    receiver_id: str
    coverage: str
    probability: float
    mean_distance_yd: float


def _follow(
    paths: Paths, defender: str, receiver: str, start: float, stop: float
) -> tuple[float, float, float]:
    """(mean distance, spread of the difference, agreement of velocities -1..1) over a time span."""
    use = (paths.t_s >= start) & (paths.t_s <= stop)
    d, r = paths.of(defender)[use], paths.of(receiver)[use]
    gap = d - r
    known = np.isfinite(gap).all(1)
    if known.sum() < 6:
        return math.nan, math.nan, math.nan
    gap = gap[known]
    vd = paths.velocity[paths.row[defender]][use][known]
    vr = paths.velocity[paths.row[receiver]][use][known]
    size = np.sqrt((vd**2).sum(1) * (vr**2).sum(1))
    agree = float((vd * vr).sum() / max(size.sum(), 1e-6))
    spread = float(np.sqrt(((gap - gap.mean(0)) ** 2).sum(1).mean()))
    return float(np.hypot(*gap.T).mean()), spread, agree


def responsible(paths: Paths, receivers: list[PlayerInPlay]) -> dict[str, str]:
    """Receiver id -> id of the responsible defender: one each, the least sum of mean distances from 0.8 s to
    the throw (2.5 s when unknown) less a credit for going along with him."""
    defenders = paths.defenders("underneath", "deep")
    stop = paths.throw_s if math.isfinite(paths.throw_s) else min(2.5, paths.end_s)
    if not defenders or not receivers or stop < 0.6:
        return {}
    cost = np.full((len(receivers), len(defenders)), 40.0)
    far = cost.copy()
    for i, r in enumerate(receivers):
        for j, d in enumerate(defenders):
            mean, spread, agree = _follow(paths, d.player_id, r.player_id, min(0.8, stop - 0.5), stop + 0.2)
            if math.isfinite(mean):
                far[i, j] = mean
                cost[i, j] = mean - 1.5 * agree + 0.3 * spread
    rows, columns = linear_sum_assignment(np.minimum(cost, 15.0))
    return {
        receivers[i].player_id: defenders[j].player_id
        for i, j in zip(rows, columns, strict=False)
        if far[i, j] <= MOST_YD
    }


def covers(paths: Paths, receivers: list[PlayerInPlay]) -> dict[str, Cover]:
    """Defender id -> whom he went with and whether as a man or a zone defender."""
    stop = paths.throw_s if math.isfinite(paths.throw_s) else min(2.5, paths.end_s)
    out: dict[str, Cover] = {}
    for d in paths.defenders("underneath", "deep"):
        best: tuple[float, str, float] | None = None
        for r in receivers:
            mean, spread, agree = _follow(paths, d.player_id, r.player_id, 0.4, stop)
            if not math.isfinite(mean):
                continue
            logit = 1.0 + 2.2 * agree - 0.9 * spread - 0.45 * (mean - 2.5)
            if best is None or logit > best[0]:
                best = (logit, r.player_id, mean)
        if best is None:
            continue
        p = 1.0 / (1.0 + math.exp(-best[0]))
        word = "" if 0.35 < p < 0.65 else ("man" if p >= 0.65 else "zone")
        out[d.player_id] = Cover(best[1], word, max(p, 1 - p), best[2])
    return out
