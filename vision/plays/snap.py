"""When was the ball snapped? Read from the men: a set line, then everybody moves at once.

The onset is where the men's speed along the ways they take leaves its quiet level: flat, straight rise,
flat is fitted around each candidate, the rise blurred as the tracks are (the tracker's smoother and the
smoothing of `motion_of` both see the future, so that a smoothed man starts before the real one). Men start a
little after the ball: real receivers pass 1 yd/s about 0.3 s after the snap (published tracking). Three
groups whose errors have nothing to do with each other are asked apart: the receivers, who know the count, the
men who cover them, who answer them, and the defensive front, which goes with the ball.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.plays.lineup import Lineup
from vision.plays.motion import F64, RATE_HZ, Blur, Motion, nan_mean, nan_median

ONSET_AFTER_SNAP_S = 0.085
"""how long after the snap the straight rise begins (median of simulated plays, the same within 0.02 s for
exact, 10 Hz and rough tracks)"""
START_RISE_S = (0.4,)
"""length of the rise of speeds held at FASTEST_YD_PER_S at the snap"""
FASTEST_YD_PER_S = 2.0
LEAST_NOISE_YD_PER_S = 0.1
GROUP_AFTER_S = (0.075, 0.185, -0.045)
GROUP_WEIGHT = (2.0, 1.0, 1.0)
"""when, after the snap, the straight rise of receivers, cover and front begins (a rusher is stopped so soon
that his rise is short), and what each group counts. 117 pass and run plays of 21 tuning films: spread of the
three alone .06, .09, .09 s, together .045 (ordinary film .033), all men in one .06; weights and times fitted
on half of the films: on the other half .96 of the snaps within 0.1 s, .90 before. Exact simulated tracks,
whose rises are not blurred, agree within .02 s but for the front (.1 s later)."""
GROUP_APART_S = 0.3
"""a group farther than this from the groups' weighted median, or the groups from all men, is not believed"""
FRONT_YD, BOX_YD, SPLIT_YD = 2.2, 3.5, 0.8
"""the front stands so near the line and at most so far outside the tackles, receivers at least so far"""


@dataclass(frozen=True)
class SnapCandidate:
    """A moment when stillness turns into motion: time, how strongly, how still it was before (yd/s)."""

    t_s: float
    strength: float
    before: float
    after: float
    seen_before_s: float


def snap_candidates(motion: Motion, most: int = 4) -> list[SnapCandidate]:
    """Moments ordered by strength: motion in the 0.4-1.4 s after less twice that in the 0.7 s before."""
    t = motion.t_s
    if len(t) < int(0.8 * RATE_HZ) or not len(motion.ids):
        return []
    level = nan_median(np.minimum(motion.speed, 5.0))
    level = np.where(np.isfinite(level), level, 0.0)
    total = np.concatenate([[0.0], np.cumsum(level)])

    def mean(a: NDArray[np.intp], b: NDArray[np.intp]) -> F64:
        a, b = np.clip(a, 0, len(t)), np.clip(b, 0, len(t))
        return np.where(b > a, (total[b] - total[a]) / np.maximum(b - a, 1), np.nan)

    i = np.arange(len(t))
    before = mean(i - int(0.7 * RATE_HZ), i + 1)
    after = mean(i + int(0.4 * RATE_HZ), i + int(1.4 * RATE_HZ))
    strength = np.where(np.isfinite(after) & np.isfinite(before), after - 2.0 * before, -np.inf)
    out: list[SnapCandidate] = []
    left = strength.copy()
    for _ in range(most):
        k = int(np.argmax(left))
        if not np.isfinite(left[k]) or left[k] < 0.25:
            break
        out.append(SnapCandidate(float(t[k]), float(left[k]), float(before[k]), float(after[k]), k / RATE_HZ))
        left[np.abs(t - t[k]) < 1.2] = -np.inf
    return out


RISES_S = (0.3, 0.45, 0.6)
"""lengths of rise tried: a man at rest reaches a cruising speed within about this time"""


def fit_onset(
    t_s: F64,
    level: F64,
    around_s: float,
    before_s: float = 0.9,
    after_s: float = 0.75,
    rises_s: tuple[float, ...] = RISES_S,
    blur: Blur | None = None,
) -> tuple[float, float]:
    """Knot of a level that is flat, rises straight and is flat again, fitted near a time, and its sd (s).

    level ~ a + b * clip((t - knot) / rise, 0, 1), a and b by least squares for every knot on a 0.02 s grid
    and every rise of RISES_S; with `blur` the rise is spread as the level was. sd from the knots whose
    squared error is not significantly worse (four samples taken as one independent); at least 0.03 s.
    (NaN, NaN) when there is no rise.
    """
    near = (t_s >= around_s - before_s) & (t_s <= around_s + after_s) & np.isfinite(level)
    t, v = t_s[near], level[near]
    if len(t) < 8:
        return np.nan, np.nan
    knots = np.arange(max(around_s - 0.7, t[0] - 0.1), min(around_s + 0.6, t[-1] - 0.2), 0.02)
    if not len(knots):
        return np.nan, np.nan
    best_errors = np.full(len(knots), np.inf)
    heights = np.zeros(len(knots))
    for rise in rises_s:
        ramp = np.clip((t[None] - knots[:, None]) / rise, 0.0, 1.0)
        if blur is not None:
            ramp = np.interp(t[None] - knots[:, None], *blur.rise(rise))
        centred = ramp - ramp.mean(1, keepdims=True)
        power = (centred**2).sum(1)
        height = centred @ (v - v.mean()) / np.maximum(power, 1e-6)
        errors = ((v - v.mean())[None] - height[:, None] * centred) ** 2
        mean = np.where(power > 0.05, errors.mean(1), np.inf)
        better = mean < best_errors
        best_errors, heights = np.where(better, mean, best_errors), np.where(better, height, heights)
    k = int(np.argmin(best_errors))
    if not np.isfinite(best_errors[k]) or heights[k] < 0.4:
        return np.nan, np.nan
    noise = max(float(best_errors[k]), 1e-4)
    worse = np.flatnonzero(best_errors <= best_errors[k] + noise * 4.0 / max(len(t) / 4, 1))
    spread = 0.5 * (knots[worse[-1]] - knots[worse[0]]) if len(worse) > 1 else 0.02
    return float(knots[k]), float(max(0.03, spread))


def snap_from_men(motion: Motion, rows: NDArray[np.intp], candidate: SnapCandidate) -> tuple[float, float]:
    """Snap time and sd from the men `rows` around a candidate; NaN when no rise fits.

    Fitted twice, because the ways the men take are read from where the snap is thought to be.
    """
    knot, sd = candidate.t_s, np.nan
    for _ in range(2):
        level = along_own_way(motion, rows, knot)
        found, sd = fit_onset(motion.t_s, level, knot, rises_s=START_RISE_S, blur=motion.blur)
        if not np.isfinite(found):
            return np.nan, np.nan
        knot = found
    return max(knot - ONSET_AFTER_SNAP_S, float(motion.t_s[0])), float(np.hypot(sd, 0.05))


def snap_groups(lineup: Lineup, play_yd: F64) -> tuple[NDArray[np.intp], ...]:
    """Rows of the receivers, of the men who cover and of the defensive front; play_yd (P,2) at the snap."""
    tackles = play_yd[list(lineup.line), 1]
    outside = np.maximum(play_yd[:, 1] - tackles.max(), tackles.min() - play_yd[:, 1])
    rest = np.setdiff1d(lineup.offense, [*lineup.line, lineup.quarterback])
    front = (play_yd[lineup.defense, 0] < FRONT_YD) & (outside[lineup.defense] < BOX_YD)
    return rest[outside[rest] > SPLIT_YD], lineup.defense[~front], lineup.defense[front]


def snap_from_groups(
    motion: Motion, groups: tuple[NDArray[np.intp], ...], candidate: SnapCandidate
) -> tuple[float, float]:
    """Snap time and sd from the groups' own onsets (see GROUP_AFTER_S); NaN where fewer than two start."""
    found = []
    for rows, after_s, weight in zip(groups, GROUP_AFTER_S, GROUP_WEIGHT, strict=True):
        t, _ = snap_from_men(motion, rows, candidate) if len(rows) else (np.nan, np.nan)
        if np.isfinite(t):
            found.append((t + ONSET_AFTER_SNAP_S - after_s, weight))
    if len(found) < 2:
        return np.nan, np.nan
    found.sort()
    each, weights = np.array(found).T
    middle = each[int(np.searchsorted(np.cumsum(weights), weights.sum() / 2))]
    near = np.abs(each - middle) < GROUP_APART_S
    mean = float(np.average(each[near], weights=weights[near]))
    spread = float(np.sqrt(np.average((each[near] - mean) ** 2, weights=weights[near])))
    return max(mean, float(motion.t_s[0])), float(np.hypot(0.04, 0.5 * spread))


def along_own_way(motion: Motion, rows: NDArray[np.intp], around_s: float) -> F64:
    """(T,) mean speed (yd/s) of the men, along and across the field, toward where each goes in a second.

    Signed, so that the shake of places averages out instead of passing for motion. Every man and axis weighs
    by how quiet he was in the second before: a man in motion hardly counts, nor does the axis that points
    away from a camera, along which places are rough.
    """
    way = motion.place(around_s + 0.9, 0.1)[rows] - motion.place(around_s - 0.15, 0.1)[rows]
    quiet = motion.span(around_s - 1.1, around_s - 0.1)
    velocity = motion.velocity[rows]
    noise = nan_mean(np.clip(velocity[:, quiet], -2.0, 2.0) ** 2, axis=1)
    noise = np.where(np.isfinite(noise), noise, 1.0)
    weight = np.where(np.abs(way) > 0.4, 1.0 / (noise + LEAST_NOISE_YD_PER_S**2), 0.0)
    speed = np.clip(velocity * np.sign(way)[:, None], -1.0, FASTEST_YD_PER_S)
    seen = np.isfinite(speed)
    total = (np.where(seen, speed, 0.0) * weight[:, None]).sum((0, 2))
    count = (seen * weight[:, None]).sum((0, 2))
    return np.where(count > 0, total / np.maximum(count, 1e-9), np.nan)


def snap_from_ball(t_s: F64, ball_yd: F64, around_s: float) -> tuple[float, float]:
    """Snap from the ball's own path (T,2): the moment it leaves its resting place near `around_s`.

    The ball has rested (median place of the last 0.6 s, 0.3 yd or less away on most samples), then stays over
    0.3 yd away for 0.4 s and gets over 0.7 yd away within 0.8 s. The first two samples away are carried
    back in a straight line to the resting place. (NaN, NaN) when no such moment is seen.
    """
    near = (t_s > around_s - 1.3) & (t_s < around_s + 1.3) & np.isfinite(ball_yd[:, 0])
    t, b = t_s[near], ball_yd[near]
    if len(t) < 6:
        return np.nan, np.nan
    step = float(np.median(np.diff(t)))
    best = (np.inf, np.nan)
    for k in range(2, len(t) - 2):
        still = (t >= t[k] - 0.6) & (t <= t[k])
        off = np.hypot(*(b - np.median(b[still], axis=0)).T)
        away, soon = (t > t[k]) & (t <= t[k] + 0.4), (t > t[k]) & (t <= t[k] + 0.8)
        if t[k] - t[0] < 0.25 or not away.any() or off[away].min() < 0.3 or off[soon].max() < 0.7:
            continue
        if np.median(off[still]) > 0.3 or off[k] > 0.35:
            continue
        pace = max(float(off[k + 2] - off[k + 1]) / max(t[k + 2] - t[k + 1], 1e-6), 1.0)
        left = max(float(t[k]) - 0.3 * step, float(t[k + 1] - off[k + 1] / pace))
        if abs(left - around_s) < best[0]:
            best = (abs(left - around_s), left)
    return best[1], (max(0.05, 0.4 * step) if np.isfinite(best[1]) else np.nan)
