"""The ball's own path, where a table gives it: throw, flight, arrival.

On film there are only looks at what may be the ball: see `vision.plays.sightings`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.plays.motion import F64, smooth_fit

THROW_SPEED_YD_PER_S = 9.0
"""slower than any forward pass over 3 yd, faster than a man who carries the ball (limit 10.8 in sprint,
rarely over 8 beside the quarterback); a pitch may pass it, so the ball must also leave every man"""


@dataclass(frozen=True)
class BallPath:
    """Places of the ball on the ground plane: t_s (T,) on the tracks' clock, xy_field_yd (T,2), NaN
    unseen."""

    t_s: F64
    xy_field_yd: F64

    def __post_init__(self) -> None:
        t, xy = np.array(self.t_s, float), np.array(self.xy_field_yd, float)
        if xy.shape != (len(t), 2):
            raise ValueError(f"xy_field_yd: expected shape ({len(t)}, 2), found {xy.shape}")
        for array in (t, xy):
            array.setflags(write=False)
        object.__setattr__(self, "t_s", t)
        object.__setattr__(self, "xy_field_yd", xy)

    def at(self, t_s: float, reach_s: float = 0.15) -> F64:
        """(2,) place nearest to a time, NaN when none is known within reach_s."""
        known = np.flatnonzero(np.isfinite(self.xy_field_yd[:, 0]) & (np.abs(self.t_s - t_s) <= reach_s))
        if not len(known):
            return np.full(2, np.nan)
        return self.xy_field_yd[known[np.argmin(np.abs(self.t_s[known] - t_s))]]


@dataclass(frozen=True)
class Flight:
    """A forward (or any long) throw: times with sd (s), places on the field (yd)."""

    throw_s: float
    throw_sd_s: float
    arrival_s: float
    arrival_sd_s: float
    arrival_xy_yd: F64


def find_flight(ball: BallPath, clock: F64, quarterback_xy: F64, snap_s: float) -> Flight | None:
    """The first throw after the snap; None when the ball never leaves the quarterback fast.

    quarterback_xy (T,2) on clock (T,). The throw begins at the last sample at which the ball is within
    1.6 yd of him before it flies at THROW_SPEED or more for 0.2 s and gets over 3 yd away; it arrives
    when its speed falls under 0.6 of its flight speed or its heading turns by over 40 degrees.
    """
    known = np.isfinite(ball.xy_field_yd[:, 0])
    if known.sum() < 8:
        return None
    t = ball.t_s[known]
    step = float(np.median(np.diff(t)))
    grid = np.arange(max(t[0], snap_s), t[-1], min(step, 0.05))
    if len(grid) < 6:
        return None
    xy = np.stack([np.interp(grid, t, ball.xy_field_yd[known, a]) for a in (0, 1)], axis=1)
    v = np.stack([smooth_fit(t, ball.xy_field_yd[known, a], grid, max(0.1, step))[1] for a in (0, 1)], axis=1)
    qb = np.stack([_held(grid, clock, quarterback_xy[:, a]) for a in (0, 1)], axis=1)
    far = np.hypot(*(xy - qb).T)
    speed = np.hypot(*v.T)
    held = np.flatnonzero((far < 1.6) & (grid > snap_s + 0.3))
    if not len(held):
        return None
    for k in held:
        ahead = (grid > grid[k]) & (grid <= grid[k] + 0.45)
        if not ahead.any() or far[ahead].max() < 3.0 or np.nanmax(speed[ahead]) < THROW_SPEED_YD_PER_S:
            continue
        last = int(k)
        while last + 1 < len(grid) and far[last + 1] < 1.6:
            last += 1
        start = last
        while (
            start > 0
            and grid[last] - grid[start] < 0.35
            and speed[start - 1] > 0.55 * np.nanmax(speed[ahead])
        ):
            start -= 1
        end = _end_of_flight(grid, v, speed, last)
        throw = float(0.5 * (grid[start] + grid[last])) if start < last else float(grid[last])
        return Flight(throw, max(0.08, step), float(grid[end]), max(0.1, step), xy[end])
    return None


def _held(grid: F64, clock: F64, values: F64) -> F64:
    known = np.isfinite(values)
    return np.interp(grid, clock[known], values[known]) if known.any() else np.full(len(grid), np.nan)


def _end_of_flight(grid: F64, v: F64, speed: F64, start: int) -> int:
    """First sample where the flight ends; the last one when it never does."""
    first = start + max(2, int(round(0.15 / (grid[1] - grid[0]))))
    for k in range(first, len(grid)):
        flight = v[start + 1 : k]
        mean = np.nanmedian(flight, axis=0)
        size = float(np.hypot(*mean))
        turn = float(v[k] @ mean) / max(size * speed[k], 1e-6)
        if speed[k] < 0.6 * size or turn < np.cos(np.radians(40)):
            return k
    return len(grid) - 1
