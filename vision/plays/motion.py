"""Tracks on an even clock: places, velocities and speeds that every later step of this room reads."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.records import Tracks
from vision.tracking.identities import PathSettings

F64 = NDArray[np.float64]
RATE_HZ = 20.0
BRIDGE_S = 0.7
"""gaps up to this long are bridged with a straight line; longer ones stay unknown"""


@dataclass(frozen=True)
class Blur:
    """How places were smoothed on their way here, as a spread in time.

    bell_s: sd of a bell-shaped window. follow_s: time constant T of a smoother of places with white
    acceleration, whose frequency response is 1 / (1 + (T w)^4): with noise density r and acceleration density
    q, T = (r / q)^(1/4), and its places have the variance q T^3 / (2 sqrt 2) (steady state of the
    Rauch-Tung-Striebel smoother of that model; Wiener smoother, e.g. Bar-Shalom, Li and Kirubarajan, 2001).
    """

    bell_s: float = 0.0
    follow_s: float = 0.0

    def rise(self, rise_s: float) -> tuple[F64, F64]:
        """Times from the onset and heights of a straight rise from 0 to 1 in rise_s, spread by the blur."""
        return _spread_rise(rise_s, round(self.bell_s, 3), round(self.follow_s, 3))


@cache
def _spread_rise(rise_s: float, bell_s: float, follow_s: float) -> tuple[F64, F64]:
    step, reach = 0.01, 150
    t: F64 = np.asarray(np.arange(-200, 301) * step, float)
    rise = np.clip(t / rise_s, 0.0, 1.0)
    lag = np.arange(-reach, reach + 1) * step
    kernels = []
    if bell_s > 0:
        kernels.append(np.exp(-0.5 * (lag / bell_s) ** 2))
    if follow_s > 0:
        a = np.abs(lag) / (np.sqrt(2.0) * follow_s)
        kernels.append(np.exp(-a) * (np.cos(a) + np.sin(a)))
    for kernel in kernels:
        rise = np.convolve(np.pad(rise, reach, "edge"), kernel / kernel.sum(), "valid")
    return t, np.asarray(rise, float)


@dataclass(frozen=True)
class Motion:
    """Men on an even clock of `RATE_HZ`.

    t_s (T,); xy_yd, velocity (P,T,2) field yards, NaN where unknown; speed (P,T); sd_yd (P,T):
    see `own_sd`; blur: of the typical man.
    """

    ids: tuple[str, ...]
    team: tuple[str, ...]
    t_s: F64
    xy_yd: F64
    velocity: F64
    speed: F64
    sd_yd: F64
    blur: Blur = field(default_factory=Blur)

    def rows(self, *teams: str) -> NDArray[np.intp]:
        return np.flatnonzero([t in teams for t in self.team])

    def team_of(self, rows: NDArray[np.intp]) -> str:
        """The team that most of some men are of."""
        names = [self.team[int(r)] for r in rows]
        return max(sorted(set(names)), key=names.count)

    def at(self, t_s: float) -> int:
        """Index of the sample nearest to a time (held at the ends)."""
        return int(np.clip(round((t_s - self.t_s[0]) * RATE_HZ), 0, len(self.t_s) - 1))

    def place(self, t_s: float, reach_s: float = 0.15) -> F64:
        """(P,2) mean place within reach_s of a time, NaN where unknown."""
        return window_mean(self.xy_yd, self.t_s, t_s, reach_s)

    def span(self, start_s: float, stop_s: float) -> slice:
        """Samples with start <= t <= stop."""
        return slice(*np.searchsorted(self.t_s, (start_s - 1e-9, stop_s + 1e-9)))


def window_mean(values: F64, t_s: F64, at_s: float, reach_s: float) -> F64:
    """Mean over |t - at| <= reach of values (P,T,...), NaN where none is known (the nearest sample at
    least)."""
    near = np.abs(t_s - at_s) <= max(reach_s, 0.51 / RATE_HZ)
    if not near.any():
        return np.full(values.shape[:1] + values.shape[2:], np.nan)
    part = values[:, near]
    count = np.isfinite(part).sum(1)
    total = np.nansum(part, axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def smooth_fit(t_s: F64, values: F64, clock: F64, half_s: float) -> tuple[F64, F64]:
    """Local straight-line fit (value, slope) of values (T,) at clock times, bell-shaped weights.

    Ordinary weighted least squares in a window of standard deviation half_s / 1.5; (NaN, NaN) where
    fewer than two samples lie within half_s on at least one side or the nearest is over BRIDGE_S away.
    """
    known = np.isfinite(values)
    if known.sum() < 2:
        return np.full(len(clock), np.nan), np.full(len(clock), np.nan)
    t, v = t_s[known], values[known]
    # put bridged samples inside short gaps so that the window always sees both sides
    gap = np.diff(t)
    extra = [
        np.arange(a + 0.05, b - 0.025, 0.05)
        for a, b, g in zip(t, t[1:], gap, strict=False)
        if 0.12 < g <= BRIDGE_S
    ]
    if extra:
        more = np.concatenate(extra)
        v = np.concatenate([v, np.interp(more, t, v)])
        t = np.concatenate([t, more])
        order = np.argsort(t)
        t, v = t[order], v[order]
    d = t[None, :] - clock[:, None]
    w = np.exp(-0.5 * (d / (half_s / 1.5)) ** 2) * (np.abs(d) <= 2 * half_s)
    s0, s1, s2 = w.sum(1), (w * d).sum(1), (w * d * d).sum(1)
    r0, r1 = (w * v).sum(1), (w * d * v).sum(1)
    det = s0 * s2 - s1 * s1
    ok = det > 1e-9
    det = np.where(ok, det, 1.0)
    value, slope = (s2 * r0 - s1 * r1) / det, (s0 * r1 - s1 * r0) / det
    near = np.min(np.abs(d), axis=1) <= 0.13
    return np.where(ok & near, value, np.nan), np.where(ok & near, slope, np.nan)


OWN_SD_YD = 0.1
"""spread of a man's places that is his own on the frames where the camera alone says more (good film)"""


def own_sd(tracks: Tracks) -> F64:
    """(P,T) sd (yd) of each man's places without what the camera adds to all of them alike.

    What moves all men together (a camera that is off by half a yard) changes no route, speed or snap. It is
    taken as the lower fifth of the sds stated on a frame, in squares, less OWN_SD_YD.
    """
    sd = np.array(tracks.sd_yd, float)
    known = np.isfinite(sd) & np.isfinite(tracks.xy_field_yd[..., 0])
    if not known.any():
        return sd
    ordered = np.sort(np.where(known, sd, np.inf), axis=0)
    fifth = np.take_along_axis(ordered, (known.sum(0) // 5)[None].clip(0, len(sd) - 1), axis=0)[0]
    shared = np.where(np.isfinite(fifth), np.maximum(fifth**2 - OWN_SD_YD**2, 0.0), 0.0)
    return np.sqrt(np.maximum(sd**2 - shared, 0.5 * OWN_SD_YD**2, where=known, out=sd**2))


def motion_of(tracks: Tracks, teams: tuple[str, ...] = ("offense", "defense", "A", "B", "unknown")) -> Motion:
    """The players of the tracks on an even clock, gently smoothed (0.2 s; 0.3 s where places are rough)."""
    rows = tracks.of_team(*teams)
    t = np.asarray(tracks.t_s, float)
    clock = np.arange(t[0], t[-1] + 0.5 / RATE_HZ, 1 / RATE_HZ) if len(t) else np.zeros(0)
    xy = np.full((len(rows), len(clock), 2), np.nan)
    velocity = xy.copy()
    sd = np.full((len(rows), len(clock)), np.nan)
    halves = []
    own = own_sd(tracks)
    for k, row in enumerate(rows):
        places = np.asarray(tracks.xy_field_yd[row])
        noise = own[row]
        known = np.isfinite(noise) & np.isfinite(places[:, 0])
        typical = float(np.median(noise[known])) if known.any() else 0.1
        half = 0.2 if typical < 0.2 else 0.3
        halves.append(half)
        for axis in (0, 1):
            xy[k, :, axis], velocity[k, :, axis] = smooth_fit(t, places[:, axis], clock, half)
        if known.any():
            sd[k] = np.where(np.isfinite(xy[k, :, 0]), np.interp(clock, t[known], noise[known]), np.nan)
    return Motion(
        ids=tuple(tracks.ids[r] for r in rows),
        team=tuple(tracks.team[r] for r in rows),
        t_s=clock,
        xy_yd=xy,
        velocity=velocity,
        speed=np.hypot(velocity[..., 0], velocity[..., 1]),
        sd_yd=sd,
        blur=Blur(float(np.median(halves)) / 1.5 if halves else 0.0, _follow_s(tracks, rows, own)),
    )


def _follow_s(tracks: Tracks, rows: NDArray[np.intp], own: F64) -> float:
    """Time constant of the tracker's smoother, from the spread it states; 0 where no boxes were followed."""
    film = np.asarray(tracks.box_index[rows]) >= 0
    sd = own[rows][film]
    sd = sd[np.isfinite(sd)]
    if not len(sd):
        return 0.0
    q = PathSettings().model.q
    return float(np.clip((2 * np.sqrt(2.0) * np.median(sd) ** 2 / q) ** (1 / 3), 0.0, 0.3))


def nan_median(values: Any, axis: int = 0) -> F64:
    """Median that ignores NaN without warning; NaN where nothing is known."""
    values = np.asarray(values, float)
    count = np.isfinite(values).sum(axis)
    if not values.shape[axis]:
        return np.full(count.shape, np.nan)
    filled = np.where(np.isfinite(values), values, np.inf)
    ordered = np.sort(filled, axis=axis)
    n = np.maximum(count, 1)
    lo = np.take_along_axis(ordered, np.expand_dims((n - 1) // 2, axis), axis).squeeze(axis)
    hi = np.take_along_axis(ordered, np.expand_dims(n // 2, axis), axis).squeeze(axis)
    return np.where(count > 0, 0.5 * (lo + hi), np.nan)


def nan_mean(values: Any, axis: int = 0) -> F64:
    """Mean that ignores NaN without warning; NaN where nothing is known."""
    values = np.asarray(values, float)
    count = np.isfinite(values).sum(axis)
    return np.where(count > 0, np.nansum(values, axis=axis) / np.maximum(count, 1), np.nan)
