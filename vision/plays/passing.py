"""The quarterback and the pass: drop, set, run fake, boot; throw, arrival and target from the men alone.

Where the ball is not seen (`vision.plays.sightings`) the throw is inferred: defenders who watch the
quarterback turn and drive to one point a moment after the ball leaves, and the receivers it does not go to
stop running.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.plays.motion import F64, RATE_HZ, nan_mean

BALL_SPEED_YD_PER_S = 19.0
RELEASE_S = 0.12
"""mean ground speed of a pass, and the time the ball needs to get going (common practice; no source)"""

WINDOW_LAG_S = 0.09
"""how much later than the throw the windows of `infer_throw` match best (medians: 0.06 on simulated plays,
0.10 on fourteen tuning films, whose tracks are smoother)"""

SPREAD_COUNTS, SPREAD_FLOOR_S = 0.45, 0.1
"""how much of the spread of the likely times is error, and the least error (127 passes of 34 tuning films:
with them the truth lies inside the stated 90 % band of 94 %, before of all)"""

SURE_GAIN_YD_PER_S = 2.7
"""with a rusher on the passer, this much growth of the defenders' closing speed still tells a throw (of 35
simulated plays with such a rusher 18 of 22 throws lie above it, 11 of 13 sacks and scrambles below)"""

DROPS = ("quick", "three-step", "five-step", "seven-step")
_UNDER = {"quick": (2.2, 0.9), "three-step": (3.9, 1.4), "five-step": (5.9, 2.1), "seven-step": (8.0, 2.8)}
_GUN = {"quick": (0.6, 0.65), "three-step": (2.1, 1.15), "five-step": (3.6, 1.75), "seven-step": (5.2, 2.5)}
"""(retreat in yards from the place at the snap, set in s after the snap) of each drop, from under the
centre (set 3.3, 5, 7, 9.1 yd deep) and from the gun, where the first steps are saved; common practice, times
from memory."""
GUN_YD, DEEPER = 4.9, 0.5
"""where a passer in the gun stands as a rule; who stands deeper goes back so much less a yard, because the
depth from which he throws is given as well as his steps (by hand; the two count half and half)"""
DROP_SD_YD, DROP_SD_S = 0.8, 0.3
"""spread of passers about them (by hand, with the times from the gun and the two above: drops right .90 ->
.93 and .82 -> .87 in two halves of 85 passes of 21 tuning films, .92 -> .96 of 122 simulated ones)"""
CUT_SHORT_S = 3.0
"""film that ends sooner after the snap, with the passer still on his way, does not show his drop (the longest
takes 2.8 s)"""
LATEST_SD = 3.5
"""more than this a late set does not speak against a drop: passers wait, fakes take time"""


@dataclass(frozen=True)
class Drop:
    """Kind and probability of the drop; when (s after the snap, sd) and how deep the quarterback set."""

    kind: str
    probability: float
    set_after_snap_s: float
    set_sd_s: float
    set_depth_play_yd: float
    paused: bool
    """he stopped once on the way back for half a second or more"""
    late_s: float = np.nan
    """how much later he set than the steps for his retreat take"""


def quarterback_drop(t: F64, path: F64, speed: F64, last_s: float) -> Drop:
    """Read the drop from the quarterback's path (T,2) in the play frame; t (T,) from the snap.

    Set: the first time after 0.5 s that he no longer goes back (backward speed under 0.8 yd/s for 0.2 s)
    for good; the depth is the deepest of the next 0.3 s.
    """
    unknown = Drop("", np.nan, np.nan, np.nan, np.nan, False)
    use = (t >= -0.1) & (t <= min(last_s, 4.5)) & np.isfinite(path[:, 0])
    if use.sum() < 8:
        return unknown
    tt, d = t[use], path[use, 0]
    start = float(np.median(d[tt <= 0.1])) if (tt <= 0.1).any() else float(d[0])
    back = -np.gradient(d, tt)
    stops = [k for k in range(len(tt)) if tt[k] >= 0.5 and _has_stopped(tt, d, back, k)]
    # a stop from which he goes on over 1.2 yd further back (a fake, a hitch) was not the set
    lasting = [k for k in stops if d[k] - d[(tt >= tt[k]) & (tt <= tt[k] + 1.6)].min() < 1.2]
    if not lasting and t[-1] < CUT_SHORT_S:
        return unknown
    set_k = lasting[0] if lasting else len(tt) - 1
    paused = bool(stops) and bool(lasting) and tt[lasting[0]] - tt[stops[0]] > 0.5
    soon = (tt >= tt[set_k]) & (tt <= tt[set_k] + 0.3)
    set_s, depth = float(tt[set_k]), float(d[soon].min())
    retreat = start - depth
    table, steps_yd = (_UNDER, retreat) if start > -2.5 else (_GUN, retreat - DEEPER * (start + GUN_YD))
    scores = np.array(
        [
            -0.5 * (((steps_yd - r) / DROP_SD_YD) ** 2 + min((set_s - s) / DROP_SD_S, LATEST_SD) ** 2)
            for r, s in table.values()
        ]
    )
    p = np.exp(scores - scores.max())
    p /= p.sum()
    best = int(p.argmax())
    fits = scores.max() > -8.0
    steps = np.array(list(table.values()))
    late = set_s - float(np.interp(steps_yd, steps[:, 0], steps[:, 1])) if lasting else np.nan
    return Drop(DROPS[best] if fits else "", float(p[best]), set_s, 0.15, depth, paused, late)


def _has_stopped(t: F64, depth: F64, back: F64, k: int) -> bool:
    """No longer going back for 0.2 s from sample k, having gone back before (or 0.8 s have passed)."""
    ahead = back[k : k + max(2, int(0.2 * RATE_HZ))]
    return bool(ahead.max() < 0.8 and (back[:k].max(initial=0.0) > 1.2 or t[k] >= 0.8))


def play_fake(t: F64, quarterback: F64, backs: list[F64], throw_s: float) -> float:
    """Probability that a run was faked: a back and the quarterback met on the back's way to the line.

    Paths (T,2) in the play frame, t (T,) from the snap. Met: within 1.6 yd between 0.25 and 1.6 s after
    the snap while the back moves forward or across at over 2 yd/s, and the quarterback went on for half
    a second or more before he threw.
    """
    best = 0.0
    window = (t >= 0.25) & (t <= 1.6)
    if not window.any() or not np.isfinite(throw_s) or throw_s < 1.3:
        return 0.0 if window.any() else np.nan
    for back in backs:
        gap = np.hypot(*(back - quarterback).T)
        if not np.isfinite(gap[window]).any():
            continue
        k = int(np.flatnonzero(window)[np.nanargmin(gap[window])])
        velocity = np.gradient(back, t, axis=0)[k]
        toward = float(np.hypot(max(velocity[0], 0.0), 0.6 * velocity[1]))
        start = int(np.argmin(np.abs(t)))
        before, now = (
            back[start] - quarterback[start],
            back[min(k + 4, len(t) - 1)] - quarterback[min(k + 4, len(t) - 1)],
        )
        crossed = before[1] * now[1] < 0 or float(gap[start]) - float(gap[k]) > 1.0
        logit = 2.5 * (1.5 - float(gap[k])) + 1.2 * (toward - 1.8) + (1.0 if crossed else -2.0)
        best = max(best, float(1 / (1 + np.exp(-np.clip(logit, -20, 20)))))
    return best


def fake_probability(mesh: float, bite_yd: float, paused: bool, late_s: float = np.nan) -> float:
    """Probability of a run fake from four signs: backs' mesh (0..1), the linebackers' step up (yd, NaN
    unknown), the quarterback's pause on the way back, how much later he set than his steps take. Log-odds 4
    a yard of bite over 0.7 yd, 1 each for mesh and pause (by hand: linebackers step up first on a fake,
    common practice; half a yard is only a read step), 3 a second of lateness (of 119 simulated passes, half
    of them faked, 7 of the 10 fakes missed without it are found and none more is claimed)."""
    if not np.isfinite(mesh):
        return np.nan
    logit = (2.0 * mesh - 1.0) + (1.0 if paused else -0.2)
    logit += 4.0 * (np.clip(bite_yd, 0.0, 2.0) - 0.7) if np.isfinite(bite_yd) else 2.0 * (mesh - 0.8)
    if np.isfinite(late_s):
        logit += float(np.clip(3.0 * (late_s - 0.1), -1.5, 3.0))
    return float(1.0 / (1.0 + np.exp(-logit)))


def common_bite(t: F64, path: F64, backers: NDArray[np.intp]) -> float:
    """Yards that half of some men or more have stepped up in the first 1.4 s; NaN when none is seen. Of two
    men the one who bites counts: the other may have a receiver to cover."""
    early, now = (t >= 0) & (t <= 1.4), np.abs(t) <= 0.11
    if not len(backers) or not early.any() or not now.any():
        return np.nan
    depth = path[backers][..., 0]
    low = np.where(np.isfinite(depth[:, early]), depth[:, early], np.inf).min(1)
    start = nan_mean(depth[:, now], axis=1)
    bites = (start - low)[np.isfinite(start) & np.isfinite(low)]
    return float(np.sort(bites)[len(bites) // 2]) if len(bites) else np.nan


@dataclass(frozen=True)
class Throw:
    """Throw and arrival inferred from the men: times after the snap with sd (s), place, target row."""

    throw_s: float
    throw_sd_s: float
    arrival_s: float
    arrival_sd_s: float
    arrival_play_yd: F64
    target: int
    target_probability: float
    gain_yd_per_s: float
    """growth of the defenders' closing speed on the target"""


def closing_speed(path: F64, velocity: F64, defenders: NDArray[np.intp], point: F64, most: int = 5) -> F64:
    """(T,) mean speed of the `most` nearest defenders toward a moving point (T,2), their own motion only."""
    to = point[None] - path[defenders]
    far = np.hypot(to[..., 0], to[..., 1])
    toward = (velocity[defenders] * to).sum(-1) / np.maximum(far, 0.5)
    order = np.argsort(np.where(np.isfinite(far), far, 1e9), axis=0)[:most]
    return nan_mean(np.take_along_axis(toward, order, 0))


def infer_throw(
    t: F64,
    path: F64,
    velocity: F64,
    receivers: NDArray[np.intp],
    defenders: NDArray[np.intp],
    quarterback: int,
    set_s: float,
    rushers: NDArray[np.intp] | None = None,
    thrown: bool | None = None,
) -> Throw | None:
    """Throw, arrival and target from what all men do together; None when nothing stands out.

    path, velocity (P,T,2) play frame, t (T,) from the snap. For each time and receiver three changes are
    added up, each between just before and a reaction time after: the defenders' closing speed on that
    receiver
    grows, the other receivers slow down, the defenders' velocities change at once. Times weigh by how
    long real passers take (log-normal, median 2.55 s; published tracking) and by the passer's set. Where a
    rusher has the passer at that time and a second later, a sack is likelier and nothing is answered. thrown:
    what the charting sheet says (None = nothing).
    """
    if thrown is False:
        return None
    grid = t[(t >= 0.9) & (t <= 6.0) & (t <= t[-1] - 0.6)]
    if len(grid) < 5 or not len(receivers):
        return None
    speed = np.hypot(velocity[..., 0], velocity[..., 1])
    turn = _common_change(velocity[defenders])
    prior = -0.5 * (np.log(grid / 2.55) / 0.36) ** 2
    if np.isfinite(set_s):
        prior -= 0.5 * np.clip((set_s - 0.25 - grid) / 0.25, 0, 3) ** 2
    common = _step(t, turn, grid, (-0.35, 0.25), (0.4, 0.85)) / 0.8
    scores = np.full((len(receivers), len(grid)), -np.inf)
    gains = np.zeros_like(scores)
    for k, r in enumerate(receivers):
        closing = closing_speed(path, velocity, defenders, path[r])
        others = receivers[receivers != r]
        slow = nan_mean(speed[others]) if len(others) else np.full(len(t), np.nan)
        gain = _step(t, closing, grid, (-0.25, 0.25), (0.55, 1.25))
        gains[k] = gain
        later = _step(t, closing, grid, (-9.0, -9.0), (0.75, 1.35))
        scores[k] = (
            1.0 * gain
            + 0.35 * later
            - 1.0 * _step(t, slow, grid, (-0.1, 0.35), (0.7, 1.2))
            + common
            + 1.2 * prior
        )
    scores = np.where(np.isfinite(scores), scores, -99.0)
    k, j = (int(i) for i in np.unravel_index(int(scores.argmax()), scores.shape))
    best = float(scores[k, j])
    if best < 1.2 and not thrown:
        return None
    weights = np.exp(scores.max(axis=0) - best)
    throw = float((weights * grid).sum() / weights.sum()) if weights.sum() > 0 else float(grid[j])
    near = np.abs(grid - grid[j]) < 0.5
    throw = float((weights * grid)[near].sum() / weights[near].sum())
    sd = float(np.sqrt((weights * (grid - throw) ** 2).sum() / weights.sum()))
    throw -= WINDOW_LAG_S
    if not thrown and rushers is not None and quarterback >= 0:
        if gains[k, j] < SURE_GAIN_YD_PER_S and _sacked(t, path, rushers, quarterback, throw):
            return None
    chance = np.exp(1.3 * (scores[:, near].max(axis=1) - best))
    target = int(receivers[k])
    start = (
        path[quarterback, int(np.argmin(np.abs(t - throw)))] if quarterback >= 0 else np.array([-7.0, 0.0])
    )
    arrival = throw + 0.9
    place = np.full(2, np.nan)
    for _ in range(4):
        place = path[target, int(np.argmin(np.abs(t - arrival)))]
        if np.isfinite(place).all() and np.isfinite(start).all():
            arrival = (
                throw + RELEASE_S + float(np.clip(np.hypot(*(place - start)) / BALL_SPEED_YD_PER_S, 0.2, 2.5))
            )
    return Throw(
        throw,
        float(np.hypot(SPREAD_COUNTS * sd, SPREAD_FLOOR_S)),
        arrival,
        float(np.hypot(SPREAD_COUNTS * sd, 0.3)),
        place,
        target,
        float(1 / chance.sum()),
        float(gains[k, j]),
    )


def _sacked(t: F64, path: F64, rushers: NDArray[np.intp], quarterback: int, at_s: float) -> bool:
    """A rusher within 1.35 yd of the passer around a time and within 0.95 yd 0.5 to 1.2 s after it."""

    def nearest(after_s: float, until_s: float) -> float:
        use = (t > at_s + after_s) & (t < at_s + until_s)
        gap = path[rushers][:, use] - path[quarterback][use]
        far = np.hypot(gap[..., 0], gap[..., 1])
        return float(np.min(np.where(np.isfinite(far), far, 99.0), initial=99.0))

    return nearest(-0.3, 0.3) < 1.35 and nearest(0.5, 1.2) < 0.95


CAUGHT_YD, HELD_YD, HELD_S = 1.2, 1.6, 0.6
"""a rusher so near the passer, and from then on for so long no farther, has him (bodies' widths; common
practice)"""


def caught_s(t: F64, path: F64, rushers: NDArray[np.intp], quarterback: int) -> float:
    """When a rusher has the passer for good (s after the snap), NaN = never. path (P,T,2) play frame."""
    if quarterback < 0 or not len(rushers):
        return float("nan")
    gap = path[rushers] - path[quarterback]
    near = np.where(np.isfinite(gap[..., 0]), np.hypot(gap[..., 0], gap[..., 1]), 99.0).min(0)
    for k in np.flatnonzero((t > 1.0) & (near < CAUGHT_YD)):
        held = near[(t >= t[k]) & (t <= t[k] + HELD_S)]
        if held.max() < HELD_YD and len(held) >= 0.5 * HELD_S * RATE_HZ:
            return float(t[k])
    return float("nan")


def _common_change(velocity: F64, half_s: float = 0.25) -> F64:
    """(T,) mean size of the men's change of velocity between half_s before and half_s after each time."""
    h = max(1, int(half_s * RATE_HZ))
    out = np.full(velocity.shape[1], np.nan)
    if velocity.shape[1] > 2 * h:
        change = velocity[:, 2 * h :] - velocity[:, : -2 * h]
        out[h:-h] = nan_mean(np.hypot(change[..., 0], change[..., 1]))
    return out


def _step(t: F64, values: F64, grid: F64, before: tuple[float, float], after: tuple[float, float]) -> F64:
    """Mean over a window after each time less that over a window before (a window of no length counts 0)."""

    def mean(window: tuple[float, float]) -> F64:
        a, b = np.searchsorted(t, grid + window[0]), np.searchsorted(t, grid + window[1])
        total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(values))])
        count = np.concatenate([[0], np.cumsum(np.isfinite(values))])
        n = count[b] - count[a]
        return np.where(n > 0, (total[b] - total[a]) / np.maximum(n, 1), 0.0)

    return mean(after) - mean(before)
