"""Simulated routes made to look like what a tracker or a league's tables give: the training set.

`observe` takes clean routes and returns grids with a tracker's noise, gaps, smoothing, wrong snap and line;
`coarse_labels` names them in the twelve-class set by what was run until the ball arrived, as an automatic
scheme would.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from scipy.ndimage import gaussian_filter1d

from models.routes.features import (
    GRID_S,
    LATEST_START_S,
    OTHERS_AFTER_THROW_S,
    SNAP,
    Grid,
    finish_grid,
    side_of,
    trust,
)
from models.routes.what_was_run import names_by_run
from models.synthetic.playsim_records import RATE_HZ
from models.synthetic.playsim_sampler import RouteSet

SMOOTHING_S = (0.0, 0.0, 0.06, 0.12, 0.2, 0.28)
NO_SD_SHARE = 0.4
"""routes that come without a stated sd (tables, notebooks)"""
NO_THROW_SHARE, ROUGH_THROW_SHARE = 0.25, 0.25
"""routes of plays whose throw was not found (then the whole path is looked at, pursuit and all), or found
only roughly"""
CUT_SHARE, LATE_SHARE, VERY_LATE_SHARE = 0.1, 0.08, 0.05
"""routes lost early, or seen only from after the snap, by up to 0.4 s or by up to LATEST_START_S"""
VIEW_SHARE, VIEW_DEEP_YD, VIEW_WIDE_YD, BACK_SHARE = 0.3, (2.0, 26.0), (1.0, 12.0), 0.4
"""routes whose picture ends so far downfield or, in a third of them, so far outside the man's place at the
snap: who leaves it early is one who runs there; the share of them who are seen again later (the camera has
turned to them)"""
OTHERS_SHARE, OTHERS_SD_S = 0.4, 0.06
"""routes of men whom the pass is not thrown to, where the throw is known: looked at as long after it as
`OTHERS_AFTER_THROW_S`, give or take so much"""
PACE_SHARE, PACE_SD, DIP_SHARE, DIP = 0.7, 0.2, 0.6, (-0.5, 1.0)
"""routes run over the same ground at another pace; how much faster and slower by turns (natural logarithm),
how many of them slow down by so much at their break, or hurry (a network that had seen few paces called a
post with a sharp brake an in, on routes of a drawing program it had not seen)"""
FAULT_SHARE = 0.45
"""routes under the series of a real tracker's faults, where they are given, in place of drawn ones"""


class Faults(Protocol):
    """A tracker's faults as series on the grid (see `models.training.route_faults`)."""

    @property
    def error_yd(self) -> np.ndarray:
        """(M, G, 2)"""

    @property
    def seen(self) -> np.ndarray:
        """(M, G) bool"""

    @property
    def sd_yd(self) -> np.ndarray:
        """(M, G)"""


def observe(
    routes: RouteSet,
    seed: int,
    strength: float = 1.0,
    window_s: np.ndarray | None = None,
    faults: Faults | None = None,
) -> Grid:
    """Routes as seen. strength 0 = clean, whole, exact snap; 1 = the training mix. window_s (N,): last
    moment looked at, instead of one drawn around the throw. faults: laid over FAULT_SHARE of the routes
    instead of the drawn noise, gaps and smoothing."""
    rng = np.random.default_rng(seed)
    n = len(routes)
    path = routes.path_yd.astype(np.float64).copy()
    sd = np.zeros(path.shape[:2])
    real = (rng.random(n) < FAULT_SHARE) & (strength > 0) if faults is not None else np.zeros(n, bool)
    if strength > 0:
        path = warped = _warp(rng, _paced(rng, path, routes.t_s, routes.break_s), routes.t_s)
        path, white = _noise(rng, path, strength)
        path, bridged = _gaps(rng, path)
        sd = np.hypot(white[:, None] * np.exp(rng.normal(0, 0.3, n))[:, None] + 0.08, 0.9 * bridged)
        sd = np.where((rng.random(n) < NO_SD_SHARE)[:, None], 0.0, sd)
        pick = rng.integers(0, len(SMOOTHING_S), n)
        for k, s in enumerate(SMOOTHING_S):
            rows = np.flatnonzero(pick == k)
            if s > 0 and len(rows):
                path[rows] = gaussian_filter1d(path[rows], s * RATE_HZ, axis=1, mode="nearest")
        path[real] = warped[real]
    wide = rng.random(n) < 0.35
    shift = np.clip(rng.normal(0, np.where(wide, 0.2, 0.05), n), -0.45, 0.45) * strength
    at = GRID_S[None] + shift[:, None]
    grid, firm = _sample(path, routes.t_s, at), trust(_sample(sd[..., None], routes.t_s, at)[..., 0])
    followed = np.ones(grid.shape[:2], bool)
    if faults is not None and real.any():
        _lay_over(rng, faults, real, grid, firm, followed)
    grid[..., 0] += (rng.normal(0, 0.3, n) * strength)[:, None]
    grid[..., 1] += (rng.normal(0, 0.3, n) * strength)[:, None]
    rough = rng.random(n) < ROUGH_THROW_SHARE
    throw = routes.throw_s + rng.normal(0, np.where(rough, 0.35, 0.08), n) * strength
    flight = _flight_s(rng, routes.throw_s)
    extra = np.where(rng.random(n) < 0.6, flight, rng.uniform(0.0, 1.0, n) * flight)
    others = (rng.random(n) < OTHERS_SHARE) & (strength > 0)
    extra = np.where(others, OTHERS_AFTER_THROW_S + rng.normal(0, OTHERS_SD_S, n), extra)
    known = (rng.random(n) > NO_THROW_SHARE * (strength > 0)) & np.isfinite(throw)
    blind = np.where(np.isfinite(throw), throw, GRID_S[-1]) + rng.uniform(0.2, 3.2, n)
    end = np.where(known, throw + extra, np.minimum(blind, GRID_S[-1]))
    if routes.end_s is not None:
        end = np.minimum(end, routes.end_s)
    cut = (rng.random(n) < CUT_SHARE) & (strength > 0)
    end = np.where(cut, np.minimum(end, rng.uniform(0.9, 3.0, n)), end)
    end = np.clip(end if window_s is None else window_s, 0.9, GRID_S[-1])
    if strength > 0:
        followed &= _in_view(rng, grid, end)
    first = np.where(rng.random(n) < 0.3, 0.0, -0.5)
    late = (rng.random(n) < LATE_SHARE) & (strength > 0)
    first = np.where(late, rng.uniform(0.0, 0.4, n), first)
    late = (rng.random(n) < VERY_LATE_SHARE) & (strength > 0)
    first = np.where(late, np.minimum(rng.uniform(0.4, LATEST_START_S, n), end - 0.5), first)
    seen = (GRID_S[None] <= end[:, None]) & (GRID_S[None] >= first[:, None]) & followed
    nothing = ~seen.any(1)  # came late and left early: taken as seen all along
    seen[nothing] = ((GRID_S[None] <= end[:, None]) & (GRID_S >= -0.5))[nothing]
    end = np.minimum(end, GRID_S[len(GRID_S) - 1 - seen[:, ::-1].argmax(1)] + 0.1)
    grid = bridge(grid, seen)
    side = side_of(grid, seen)
    room = routes.room_yd + routes.path_yd[:, np.searchsorted(routes.t_s, 0), 1]
    grid = grid * np.stack([np.ones(n), side], 1)[:, None]
    room = np.where(side > 0, room - grid[:, SNAP, 1], 160 / 3 - room - grid[:, SNAP, 1])
    room = np.where(rng.random(n) < 0.1, np.nan, room)
    number = np.where(rng.random(n) < 0.15, -1, routes.number)
    throw = np.where(known, throw, np.nan)
    return finish_grid(grid, seen, room, number, throw, end, side, np.ones(n, bool), firm)


def _flight_s(rng: np.random.Generator, throw_s: np.ndarray) -> np.ndarray:
    """(N,) time from the throw to the ball's arrival: late throws go far."""
    return np.clip(rng.normal(0.45 * np.nan_to_num(throw_s, nan=2.7) - 0.2, 0.35), 0.4, 2.4)


def _lay_over(
    rng: np.random.Generator,
    faults: Faults,
    real: np.ndarray,
    grid: np.ndarray,
    firm: np.ndarray,
    followed: np.ndarray,
) -> None:
    """Put a series of faults, drawn at random and mirrored half of the time, on the rows `real` in place."""
    rows = np.flatnonzero(real)
    pick = rng.integers(0, len(faults.seen), len(rows))
    mirror = rng.choice([-1.0, 1.0], len(rows))
    grid[rows] += faults.error_yd[pick] * np.stack([np.ones(len(rows)), mirror], 1)[:, None]
    firm[rows] = trust(faults.sd_yd[pick])
    followed[rows] = faults.seen[pick]


def _in_view(rng: np.random.Generator, grid: np.ndarray, end_s: np.ndarray) -> np.ndarray:
    """(N, G) bool: whether a man of the grid (N, G, 2) is in the picture. At least half a second is seen."""
    n = len(grid)
    deep = np.where(rng.random(n) < 0.67, rng.uniform(*VIEW_DEEP_YD, n), np.inf)
    wide = np.where(np.isinf(deep), rng.uniform(*VIEW_WIDE_YD, n), np.inf)
    outward = (grid[..., 1] - grid[:, SNAP, None, 1]) * np.sign(grid[:, SNAP, None, 1] + 1e-6)
    gone = ((grid[..., 0] > deep[:, None]) | (outward > wide[:, None])) & (GRID_S > 0.6)
    left = np.where(gone.any(1) & (rng.random(n) < VIEW_SHARE), GRID_S[gone.argmax(1)], np.inf)
    back = left + np.where(rng.random(n) < BACK_SHARE, rng.uniform(0.6, 2.6, n), np.inf)
    return ~((GRID_S >= left[:, None] - 1e-9) & (GRID_S < back[:, None]))


def bridge(grid: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Paths (N, G, 2) with a straight line where a man was not seen between two looks, and held before the
    first and after the last (as `to_grid` leaves them)."""
    k = np.broadcast_to(np.arange(seen.shape[1]), seen.shape)
    before = np.maximum.accumulate(np.where(seen, k, -1), axis=1)
    after = np.minimum.accumulate(np.where(seen, k, seen.shape[1])[:, ::-1], axis=1)[:, ::-1]
    low = np.where(before < 0, np.minimum(after, seen.shape[1] - 1), before)
    high = np.where(after >= seen.shape[1], low, after)
    u = ((k - low) / np.maximum(high - low, 1))[..., None].clip(0, 1)
    a, b = (np.take_along_axis(grid, i[..., None], 1) for i in (low, high))
    return np.where(seen[..., None], grid, a + u * (b - a))


def to_arrival(routes: RouteSet, seed: int) -> Grid:
    """Clean grids of simulated routes, looked at until about the ball's arrival (0.4-2.4 s after the
    throw)."""
    rng = np.random.default_rng(seed)
    end = routes.throw_s + _flight_s(rng, routes.throw_s)
    return observe(routes, seed, 0.0, window_s=np.minimum(np.nan_to_num(end, nan=GRID_S[-1]), GRID_S[-1]))


def _warp(rng: np.random.Generator, path: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    """Other bodies and other habits: time, size and heading of every route changed a little, so that the
    network cannot lean on the simulator's own tempo."""
    n = len(path)
    k = int(np.searchsorted(t_s, 0.0))
    stretch = np.clip(rng.normal(1.0, 0.09, n), 0.75, 1.3)
    path = _sample(path, t_s, np.where(t_s[None] > 0, t_s[None] * stretch[:, None], t_s[None]))
    start = path[:, k : k + 1]
    rel = (path - start) * np.clip(rng.normal(1.0, 0.08, n), 0.8, 1.25)[:, None, None]
    turn = rng.normal(0, np.deg2rad(3.5), n)
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    return start + np.stack([c * rel[..., 0] - s * rel[..., 1], s * rel[..., 0] + c * rel[..., 1]], axis=2)


def _paced(rng: np.random.Generator, path: np.ndarray, t_s: np.ndarray, break_s: np.ndarray) -> np.ndarray:
    """The same ground run at another pace: faster and slower by turns, harder or softer at the break."""
    n, t = path.shape[:2]
    k = int(np.searchsorted(t_s, 0.0))
    turns = gaussian_filter1d(rng.normal(size=(n, t)), 0.5 * RATE_HZ, axis=1, mode="nearest")
    pace = np.asarray(PACE_SD * rng.gamma(4.0, 0.25, (n, 1)) * turns / (turns.std() + 1e-9))
    at = np.where(np.isfinite(break_s), break_s, rng.uniform(0.8, 2.6, n))[:, None]
    dip = np.where(rng.random(n) < DIP_SHARE, rng.uniform(*DIP, n), 0.0)[:, None]
    pace -= dip * np.exp(-0.5 * ((t_s[None] - at) / rng.uniform(0.12, 0.4, (n, 1))) ** 2)
    pace[rng.random(n) > PACE_SHARE] = 0.0
    clock = np.cumsum(np.where(t_s[None] > 0, np.exp(pace), 1.0), axis=1) / RATE_HZ
    return _sample(path, t_s, clock - clock[:, k : k + 1] + t_s[k])


def _noise(rng: np.random.Generator, path: np.ndarray, strength: float) -> tuple[np.ndarray, np.ndarray]:
    """White noise and slow drift of a tracker; a third of the routes are almost clean (tables). Path and the
    sd of the noise (N,)."""
    n, t = path.shape[:2]
    white = np.where(rng.random(n) < 0.35, 0.02, rng.gamma(2.0, 0.08, n)) * strength
    slow = np.where(rng.random(n) < 0.35, 0.03, rng.gamma(2.0, 0.15, n)) * strength
    drift = gaussian_filter1d(rng.normal(size=(n, t, 2)), 0.5 * RATE_HZ, axis=1, mode="nearest")
    drift /= drift.std() + 1e-9
    return path + rng.normal(size=(n, t, 2)) * white[:, None, None] + drift * slow[:, None, None], white


def _gaps(rng: np.random.Generator, path: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A quarter of the routes lose 0.2-0.9 s, bridged by a straight line. Path and how far each sample lies
    inside a bridge (0 = seen, 1 = its middle)."""
    n, t = path.shape[:2]
    start = rng.integers(0, t - 30, n)
    length = np.where(rng.random(n) < 0.25, rng.integers(6, 28, n), 1)
    stop = np.minimum(start + length, t - 1)
    k = np.arange(t)[None]
    inside = (k > start[:, None]) & (k < stop[:, None])
    u = (k - start[:, None]) / np.maximum(stop - start, 1)[:, None]
    a = np.take_along_axis(path, start[:, None, None], 1)
    b = np.take_along_axis(path, stop[:, None, None], 1)
    depth = np.where(inside, 4.0 * u * (1.0 - u), 0.0)
    return np.where(inside[:, :, None], a + u[:, :, None] * (b - a), path), depth


def _sample(path: np.ndarray, t_s: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Linear interpolation of (N, T, 2) at times (N, G)."""
    pos = np.clip((at_s - t_s[0]) * RATE_HZ, 0, len(t_s) - 1.001)
    low = pos.astype(int)
    u = (pos - low)[:, :, None]
    a = np.take_along_axis(path, low[:, :, None], 1)
    b = np.take_along_axis(path, low[:, :, None] + 1, 1)
    return a + u * (b - a)


def coarse_labels(routes: RouteSet, grid: Grid, seed: int) -> np.ndarray:
    """Twelve-class names by what was run before the end of the grid's window (`to_arrival`); '' where the set
    has no name."""
    p = np.where(grid.seen[:, :, None], grid.path_yd, np.nan)
    with np.errstate(all="ignore"):
        deepest = np.nanmax(p[..., 0], axis=1)
    gained = grid.path_yd[:, -1, 1] - grid.start_yd[:, 1]
    rng = np.random.default_rng(seed)
    return names_by_run(routes.label, deepest, gained, grid.start_yd[:, 0], routes.break_s, grid.end_s, rng)
