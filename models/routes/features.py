"""From paths to arrays: one clock, one side, one grid; hand features for baselines and the network.

Canonical frame: (depth, out) yards, out = lateral x side, + toward the sideline of the man's own side, so
that a route and its mirror image are the same array. Grid: 10 Hz from 0.5 s before to 4.9 s after the snap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

GRID_S = np.round(np.arange(-0.5, 4.95, 0.1), 3)
SNAP = 5
"""Index of the snap in the grid."""
AFTER_THROW_S, BLIND_AFTER_THROW_S = 2.4, 1.2
"""How much of the path after the throw is looked at, at most: the ball's arrival ends it sooner, and where
that is not known the second figure does. About half of real routes are not run to the end when the ball is
thrown (shared motion facts)."""
OTHERS_AFTER_THROW_S = 0.45
"""how long the men whom the pass is not thrown to run their routes on after it (they see the ball leave after
about so long; what they do then follows the ball)"""
SHORTEST_S = 0.5
BACKFIELD_YD = -3.0
"""who stands deeper at the snap is a back"""
FIRM_SD_YD = 0.5
"""a place with this standard deviation is half trusted"""
LOST_SD_YD, LONGEST_GAP_S = 0.6, 1.0
"""a place less certain than this is not looked at; longer gaps count as not seen (he has left the picture;
where he comes back he is looked at again)"""
MEASURED_SD_YD = 0.4
"""a place this certain was measured, though one film has no look at him: in the other film (a tracker counts
the looks of one; error 0.3 yd in the median, 0.7 at the 90th percentile, never above 2, over 160 such places
of 21 tuning games; 1.0 and 4 beyond)"""
LATEST_START_S, FASTEST_YD_PER_S = 1.3, 10.5
"""a man first seen later is not named; nobody runs faster (published tracking: never above 10.8), so who
comes back farther off is another man"""


@dataclass(frozen=True)
class RoutePath:
    """One eligible man's path in the play frame.

    t_s (T,) seconds from the snap, increasing, any rate. depth_lateral_play_yd (T, 2), NaN = not seen.
    throw_s, end_s: NaN = unknown; end_s is the last moment to look at (arrival, sack, whistle).
    room_right_yd, room_left_yd: from the ball's spot to the side lines (NaN = unknown).
    number: #1 = outermost on his side, 0 = backfield, -1 = unknown.
    sd_yd (T,): standard deviation of each place, None = not stated. thrown_to: whether the pass was to him
    (None = not known).
    """

    t_s: np.ndarray
    depth_lateral_play_yd: np.ndarray
    throw_s: float = float("nan")
    end_s: float = float("nan")
    room_right_yd: float = float("nan")
    room_left_yd: float = float("nan")
    number: int = -1
    sd_yd: np.ndarray | None = None
    thrown_to: bool | None = None

    def __post_init__(self) -> None:
        t = np.asarray(self.t_s, float)
        p = np.asarray(self.depth_lateral_play_yd, float)
        if t.ndim != 1 or p.shape != (len(t), 2):
            raise ValueError(
                f"expected t_s (T,) and depth_lateral_play_yd (T, 2), found {t.shape} and {p.shape}"
            )
        if len(t) > 1 and not (np.diff(t) > 0).all():
            raise ValueError("t_s must increase")
        if self.sd_yd is not None and np.shape(self.sd_yd) != t.shape:
            raise ValueError(f"sd_yd: expected shape {t.shape}, found {np.shape(self.sd_yd)}")


@dataclass(frozen=True)
class Grid:
    """N paths on the grid. path_yd (N, G, 2) canonical, seen (N, G) bool within the man's window,
    start_yd (N, 2), room_yd (N,), number (N,), throw_s (N,), end_s (N,), side (N,) +1/-1,
    usable (N,) bool: at least half a second of path after the snap, most of it observed; firm (N, G): how
    far each place can be trusted, 1 / (1 + (sd / FIRM_SD_YD)^2), 1 where no sd is stated."""

    path_yd: np.ndarray
    seen: np.ndarray
    start_yd: np.ndarray
    room_yd: np.ndarray
    number: np.ndarray
    throw_s: np.ndarray
    end_s: np.ndarray
    side: np.ndarray
    usable: np.ndarray
    firm: np.ndarray

    def rows(self, which: np.ndarray) -> Grid:
        return Grid(*(getattr(self, f)[which] for f in self.__dataclass_fields__))


def side_of(path: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Side (+1 right, -1 left) of paths (N, G, 2) in (depth, lateral): by alignment, else by where he goes.

    For a man within 3 yd of the ball the mean lateral displacement of the first 1.8 s decides, because an
    angle route leaves to the side it belongs to before it breaks back.
    """
    start = path[:, SNAP, 1]
    early = seen & (GRID_S > 0) & (GRID_S < 1.8)
    shift = np.where(early, path[:, :, 1] - start[:, None], 0.0).sum(1) / np.maximum(early.sum(1), 1)
    lean = np.where(np.abs(shift) > 0.25, shift, start + 1e-6)
    return np.where(np.abs(start) >= 3.0, np.sign(start), np.sign(lean)).astype(int)


def _one(path: RoutePath) -> tuple[np.ndarray, np.ndarray, float, bool]:
    """Path on the grid by local averaging (dense film) or interpolation; window end; usable."""
    t, p = np.asarray(path.t_s, float), np.asarray(path.depth_lateral_play_yd, float)
    good = np.isfinite(p).all(1)
    if path.sd_yd is not None:
        good &= ~(np.asarray(path.sd_yd, float) > LOST_SD_YD)
    nothing = np.full((len(GRID_S), 2), np.nan), np.zeros(len(GRID_S), bool), 0.0, False
    if good.sum() < 3:
        return nothing
    t, p = t[good], p[good]
    t, p = _one_man(t, p)
    end = min(t[-1], GRID_S[-1], path.end_s if np.isfinite(path.end_s) else np.inf)
    if np.isfinite(path.throw_s):
        after = AFTER_THROW_S if np.isfinite(path.end_s) else BLIND_AFTER_THROW_S
        end = min(end, path.throw_s + (OTHERS_AFTER_THROW_S if path.thrown_to is False else after))
    if t[0] > LATEST_START_S or end - max(t[0], 0.0) < SHORTEST_S:
        return nothing
    if np.median(np.diff(t)) < 0.06:
        out = _local_line(t, p)
    else:
        out = np.stack([np.interp(GRID_S, t, p[:, k]) for k in (0, 1)], 1)
    inside = (GRID_S >= max(-0.5, t[0] - 0.05)) & (GRID_S <= end + 1e-9)
    for k in np.flatnonzero(np.diff(t) > LONGEST_GAP_S):
        inside &= ~((GRID_S > t[k] + 1e-9) & (GRID_S < t[k + 1] - 1e-9))
    if not inside.any():
        return nothing
    end = min(end, float(GRID_S[inside][-1]) + 0.1)
    return out, inside, float(end), bool((inside & (GRID_S > 0)).sum() >= SHORTEST_S * 10)


def _local_line(t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Places (G, 2) on the grid from a straight line through the neighbours of each grid time. A mean of them
    lags where they lie on one side only: a man who runs out of the picture would seem to brake there."""
    off = t[None] - GRID_S[:, None]
    weight = np.exp(-0.5 * (off / 0.06) ** 2)
    total = weight.sum(1)
    safe = np.maximum(total, 1e-12)
    mean, centre = (weight @ p) / safe[:, None], (weight * off).sum(1) / safe
    spread = (weight * off**2).sum(1) / safe - centre**2
    slope = ((weight * off) @ p / safe[:, None] - centre[:, None] * mean) / np.maximum(spread, 1e-6)[:, None]
    sparse = (total < 0.7) | (spread < 1e-4)
    plain = np.stack([np.interp(GRID_S, t, p[:, k]) for k in (0, 1)], 1)
    return np.where(sparse[:, None], plain, mean - centre[:, None] * slope)


def _one_man(t: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The path up to a gap from which nobody could have come back where he is seen next."""
    dt = np.diff(t)
    far = np.hypot(*np.diff(p, axis=0).T)
    other = np.flatnonzero((dt > LONGEST_GAP_S) & (far > FASTEST_YD_PER_S * dt))
    return (t[: other[0] + 1], p[: other[0] + 1]) if len(other) else (t, p)


def to_grid(paths: Sequence[RoutePath]) -> Grid:
    """Any paths to the canonical grid."""
    n = len(paths)
    raw = np.zeros((n, len(GRID_S), 2))
    firm = np.ones((n, len(GRID_S)))
    seen, end, usable = np.zeros((n, len(GRID_S)), bool), np.zeros(n), np.zeros(n, bool)
    for i, path in enumerate(paths):
        raw[i], seen[i], end[i], usable[i] = _one(path)
        firm[i] = _firm(path)
    raw = np.nan_to_num(raw)
    side = side_of(raw, seen)
    out = raw.copy()
    out[:, :, 1] *= side[:, None]
    room = np.array(
        [(p.room_right_yd if s > 0 else p.room_left_yd) for p, s in zip(paths, side, strict=True)]
    )
    return finish_grid(
        out,
        seen,
        room - out[:, SNAP, 1],
        np.array([p.number for p in paths]),
        np.array([p.throw_s for p in paths]),
        end,
        side,
        usable,
        firm,
    )


def _firm(path: RoutePath) -> np.ndarray:
    """(G,) trust in the places on the grid; a place not seen counts as one yard uncertain."""
    if path.sd_yd is None or not len(path.t_s):
        return np.ones(len(GRID_S))
    sd = np.where(np.isfinite(path.depth_lateral_play_yd).all(1), path.sd_yd, np.nan)
    sd = np.where(np.isfinite(sd), sd, 1.0)
    return trust(np.interp(GRID_S, path.t_s, sd))


def trust(sd_yd: np.ndarray) -> np.ndarray:
    """1 for an exact place, a half at FIRM_SD_YD, toward 0 for a guess."""
    return 1.0 / (1.0 + (sd_yd / FIRM_SD_YD) ** 2)


def finish_grid(
    path: np.ndarray,
    seen: np.ndarray,
    room: np.ndarray,
    number: np.ndarray,
    throw: np.ndarray,
    end: np.ndarray,
    side: np.ndarray,
    usable: np.ndarray,
    firm: np.ndarray | None = None,
) -> Grid:
    """Hold the path still outside the window, so that nothing outside it can be read."""
    last = np.maximum(SNAP, len(GRID_S) - 1 - np.argmax(seen[:, ::-1], axis=1))
    first = np.argmax(seen, axis=1)
    index = np.clip(np.arange(len(GRID_S))[None], first[:, None], last[:, None])
    held = np.take_along_axis(path, index[:, :, None], axis=1).astype(np.float32)
    return Grid(
        held,
        seen,
        held[:, SNAP].copy(),
        room.astype(np.float32),
        number.astype(int),
        throw.astype(np.float32),
        end.astype(np.float32),
        side,
        usable,
        np.ones(seen.shape, np.float32) if firm is None else firm.astype(np.float32),
    )


@dataclass(frozen=True)
class Break:
    """Best two-segment reading of N paths: index of the corner, depth and time there, headings (deg, + out),
    turn (deg), lengths (yd) and misfit (yd) of one and of two straight segments."""

    index: np.ndarray
    depth: np.ndarray
    time_s: np.ndarray
    stem_deg: np.ndarray
    after_deg: np.ndarray
    turn_deg: np.ndarray
    stem_yd: np.ndarray
    after_yd: np.ndarray
    misfit_one: np.ndarray
    misfit_two: np.ndarray


def _wrap(a: np.ndarray) -> np.ndarray:
    return (a + 180.0) % 360.0 - 180.0


def two_segments(grid: Grid) -> Break:
    """Stem and branch after Hochstedler and Gagnon (2017): two chords start-corner-end, least squares."""
    p = grid.path_yd.astype(np.float32)
    n, g = p.shape[:2]
    last = np.maximum(SNAP + 2, (grid.seen * np.arange(g)).max(1))
    start, end = p[:, SNAP], np.take_along_axis(p, last[:, None, None], 1)[:, 0]
    use = (np.arange(g)[None] >= SNAP) & (np.arange(g)[None] <= last[:, None])
    index = _coarse_corner(p[:, ::2], start, end, use[:, ::2], last) if n else np.zeros(0, int)
    best = np.full(n, np.inf, np.float32)
    middle, step = index.copy(), np.arange(g)[None]
    for shift in (0, -2, -1, 1, 2):
        k = np.clip(middle + shift, SNAP + 1, last - 1)
        corner = np.take_along_axis(p, k[:, None, None], 1)[:, 0]
        cost = _chord(p, start, corner, use & (step <= k[:, None]))
        cost += _chord(p, corner, end, use & (step > k[:, None]))
        better = cost < best - 1e-6
        best, index = np.where(better, cost, best), np.where(better, k, index)
    corner = np.take_along_axis(p, index[:, None, None], 1)[:, 0]
    a, b = corner - start, end - corner
    stem, after = np.rad2deg(np.arctan2(a[:, 1], a[:, 0])), np.rad2deg(np.arctan2(b[:, 1], b[:, 0]))
    count = use.sum(1)
    one = np.sqrt(_chord(p, start, end, use) / count)
    return Break(
        index,
        corner[:, 0],
        GRID_S[index],
        stem,
        after,
        _wrap(after - stem),
        np.hypot(*a.T),
        np.hypot(*b.T),
        one,
        np.sqrt(best / count),
    )


def _coarse_corner(
    half: np.ndarray, start: np.ndarray, end: np.ndarray, use: np.ndarray, last: np.ndarray
) -> np.ndarray:
    """Best corner among every second grid step, judged on every second point; index in the full grid."""
    n, g = half.shape[:2]
    best, index = np.full(n, np.inf, np.float32), np.full(n, SNAP + 1)
    for k in range((SNAP + 2) // 2, g - 1):
        if not (last > 2 * k).any():
            break
        corner = half[:, k]
        cost = _chord(half[:, : k + 1], start, corner, use[:, : k + 1])
        cost = cost + _chord(half[:, k + 1 :], corner, end, use[:, k + 1 :])
        better = (cost < best - 1e-6) & (2 * k < last)
        best, index = np.where(better, cost, best), np.where(better, 2 * k, index)
    return index


def _chord(p: np.ndarray, a: np.ndarray, b: np.ndarray, use: np.ndarray) -> np.ndarray:
    """Sum of squared distances of the used points to the segment a-b, per path."""
    d = b - a
    size = np.maximum(d[:, 0] ** 2 + d[:, 1] ** 2, 1e-6)
    x, y = p[..., 0] - a[:, :1], p[..., 1] - a[:, 1:]
    u = np.clip((x * d[:, :1] + y * d[:, 1:]) / size[:, None], 0, 1)
    x -= u * d[:, :1]
    y -= u * d[:, 1:]
    return ((x * x + y * y) * use).sum(1)


def velocity(grid: Grid) -> np.ndarray:
    """(N, G, 2) yd/s by central differences on the grid, zero outside the window."""
    v = np.gradient(grid.path_yd, 0.1, axis=1)
    return np.where(grid.seen[:, :, None], v, 0.0).astype(np.float32)


def hand_features(grid: Grid) -> np.ndarray:
    """(N, F) geometric features; NaN-free (unknown throw and room are coded with a flag)."""
    p, seen = grid.path_yd, grid.seen & (GRID_S >= 0)
    start = grid.start_yd
    rel = p - start[:, None]
    v = velocity(grid)
    speed = np.hypot(v[..., 0], v[..., 1])
    br = two_segments(grid)
    depth = np.where(seen, p[..., 0], -99).max(1)
    low = np.where(seen, p[..., 0], 99).min(1)
    widest = np.where(seen, rel[..., 1], -99).max(1)
    inmost = np.where(seen, rel[..., 1], 99).min(1)
    last = rel[:, -1]
    end_v = v[np.arange(len(p)), np.maximum(SNAP + 1, (grid.seen * np.arange(len(GRID_S))).max(1) - 1)]
    late = seen & (GRID_S[None] > grid.end_s[:, None] - 0.6)
    deepest_at = GRID_S[np.where(seen, p[..., 0], -99).argmax(1)]
    columns = [
        start[:, 0],
        start[:, 1],
        np.nan_to_num(grid.room_yd, nan=9.0),
        np.isnan(grid.room_yd),
        start[:, 0] < BACKFIELD_YD,
        grid.number == 1,
        grid.number == 2,
        grid.number >= 3,
        grid.number < 0,
        np.nan_to_num(grid.throw_s, nan=2.7),
        np.isnan(grid.throw_s),
        grid.end_s,
        depth,
        low,
        depth - p[:, -1, 0],
        widest,
        inmost,
        last[:, 0],
        last[:, 1],
        p[:, -1, 0],
        p[:, -1, 1],
        speed.max(1),
        np.where(late, speed, 0).sum(1) / np.maximum(late.sum(1), 1),
        deepest_at,
        (speed * seen).sum(1) * 0.1,
        np.hypot(last[:, 0], last[:, 1]),
        end_v[:, 0],
        end_v[:, 1],
        br.depth,
        br.time_s,
        np.sin(np.deg2rad(br.stem_deg)),
        np.cos(np.deg2rad(br.stem_deg)),
        np.sin(np.deg2rad(br.after_deg)),
        np.cos(np.deg2rad(br.after_deg)),
        br.turn_deg / 90.0,
        br.stem_yd,
        br.after_yd,
        br.misfit_one,
        br.misfit_two,
    ]
    for s in (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5):
        k = SNAP + int(round(s * 10))
        columns += [rel[:, k, 0], rel[:, k, 1], np.where(grid.seen[:, k], speed[:, k], -1.0)]
    return np.stack([np.asarray(c, np.float32) for c in columns], axis=1)


def sequence_features(grid: Grid) -> np.ndarray:
    """(N, C, G) channels for the network: places, velocity, speed, time to the throw, window."""
    rel = grid.path_yd - grid.start_yd[:, None]
    v = velocity(grid)
    speed = np.hypot(v[..., 0], v[..., 1])
    throw = np.where(np.isnan(grid.throw_s), grid.end_s, grid.throw_s)
    seen = grid.seen.astype(np.float32)
    channels = [
        rel[..., 0] / 10,
        rel[..., 1] / 10,
        grid.path_yd[..., 0] / 10,
        grid.path_yd[..., 1] / 15,
        v[..., 0] / 5,
        v[..., 1] / 5,
        speed / 5,
        v[..., 0] / np.maximum(speed, 0.8),
        v[..., 1] / np.maximum(speed, 0.8),
        np.broadcast_to(GRID_S[None] / 3, speed.shape),
        np.clip((GRID_S[None] - throw[:, None]) / 2, -2, 2),
        grid.firm,
        seen,
    ]
    return np.stack([np.asarray(c * seen, np.float32) for c in channels], axis=1)
