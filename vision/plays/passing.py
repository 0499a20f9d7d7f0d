"""The quarterback and the pass: drop, set, run fake, boot; throw, arrival and target from the men alone.

On film the throw is inferred: defenders who watch the quarterback turn and drive to one point a moment
after the ball leaves. The common closing speed on the receiver they end up at rises from that moment;
its knot, less a usual reaction time, is the throw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.plays.motion import F64, RATE_HZ, nan_mean
from vision.plays.snap import fit_onset

REACTION_S = 0.35
"""usual time from throw to the defenders' common break (in man coverage 0.2 s median to a receiver's
cut, shared motion facts; eyes on the quarterback a little more: common practice, no source)"""
BALL_SPEED_YD_PER_S = 19.0
"""mean ground speed of a pass (common practice; no source)"""

DROPS = ("quick", "three-step", "five-step", "seven-step")
_UNDER = {"quick": (2.8, 0.9), "three-step": (4.9, 1.4), "five-step": (7.2, 2.2), "seven-step": (9.4, 2.9)}
_GUN = {"quick": (0.6, 0.8), "three-step": (2.0, 1.4), "five-step": (3.6, 2.1), "seven-step": (5.4, 2.8)}
"""(retreat in yards from the place at the snap, set in s after the snap) of each drop, from under the
centre (set 3, 5, 7, 9 yd deep) and from the gun, where the first steps are saved; common practice, times
from memory."""


@dataclass(frozen=True)
class Drop:
    """Kind and probability of the drop; when (s after the snap, sd) and how deep the quarterback set."""

    kind: str
    probability: float
    set_after_snap_s: float
    set_sd_s: float
    set_depth_play_yd: float


def quarterback_drop(t: F64, path: F64, speed: F64, last_s: float) -> Drop:
    """Read the drop from the quarterback's path (T,2) in the play frame; t (T,) from the snap.

    Set: the first time after 0.5 s that he no longer goes back (backward speed under 0.8 yd/s for 0.2 s).
    """
    unknown = Drop("", np.nan, np.nan, np.nan, np.nan)
    use = (t >= -0.1) & (t <= min(last_s, 4.5)) & np.isfinite(path[:, 0])
    if use.sum() < 8:
        return unknown
    tt, d = t[use], path[use, 0]
    start = float(np.median(d[tt <= 0.1])) if (tt <= 0.1).any() else float(d[0])
    back = -np.gradient(d, tt)
    set_k = -1
    moved = False
    for k in range(len(tt)):
        moved = moved or back[k] > 1.2
        ahead = back[k : k + max(2, int(0.2 * RATE_HZ))]
        if tt[k] >= 0.5 and ahead.max() < 0.8 and (moved or tt[k] >= 0.8):
            set_k = k
            break
    if set_k < 0:
        set_k = len(tt) - 1
    set_s, depth = float(tt[set_k]), float(d[set_k])
    retreat = start - depth
    table = _UNDER if start > -2.5 else _GUN
    scores = np.array(
        [-0.5 * (((retreat - r) / 0.8) ** 2 + ((set_s - s) / 0.45) ** 2) for r, s in table.values()]
    )
    p = np.exp(scores - scores.max())
    p /= p.sum()
    best = int(p.argmax())
    fits = scores.max() > -6.0
    return Drop(DROPS[best] if fits else "", float(p[best]), set_s, 0.15, depth)


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
) -> Throw | None:
    """Throw, arrival and target from common closing speed; None when no receiver draws the defense.

    path, velocity (P,T,2) play frame, t (T,) from the snap. The throw is looked for from 0.8 s (and not
    before 0.3 s short of the quarterback's set) to 5 s.
    """
    first = max(0.8, (set_s if np.isfinite(set_s) else 1.2) - 0.6)
    found: list[tuple[float, float, float, int]] = []
    for r in receivers:
        level = closing_speed(path, velocity, defenders, path[r])
        use = (t >= first) & (t <= 6.0) & np.isfinite(level)
        if use.sum() < int(0.8 * RATE_HZ):
            continue
        tt, v = t[use], level[use]
        width = int(0.5 * RATE_HZ)
        smooth = np.convolve(v, np.ones(width) / width, "valid")
        later = (
            smooth[width:] - smooth[:-width] if len(smooth) > width else np.array([smooth[-1] - smooth[0]])
        )
        k = int(later.argmax())
        rise = float(later[k])
        peak = float(smooth[min(k + width, len(smooth) - 1)])
        knot, sd = fit_onset(tt, v, float(tt[min(k + width - 1, len(tt) - 1)]), 0.8, 0.7)
        if np.isfinite(knot):
            found.append((rise + 0.5 * peak, knot, sd, int(r)))
    if not found:
        return None
    found.sort(reverse=True)
    score, knot, sd, target = found[0]
    if score < 2.0:
        return None
    weights = np.exp(np.array([f[0] for f in found]) - score)
    throw = max(knot - REACTION_S, 0.6)
    start = (
        path[quarterback, int(np.argmin(np.abs(t - throw)))] if quarterback >= 0 else np.array([-7.0, 0.0])
    )
    arrival = throw + 0.6
    place = path[target, int(np.argmin(np.abs(t - arrival)))]
    for _ in range(3):
        place = path[target, int(np.argmin(np.abs(t - arrival)))]
        if np.isfinite(place).all() and np.isfinite(start).all():
            arrival = throw + float(np.clip(np.hypot(*(place - start)) / BALL_SPEED_YD_PER_S, 0.35, 2.5))
    return Throw(
        throw,
        float(np.hypot(sd, 0.3)),
        arrival,
        float(np.hypot(sd, 0.4)),
        place,
        target,
        float(1 / weights.sum()),
    )
