"""Single routes drawn a fifth way: a run is many short pushes laid over each other, each smooth by itself.

`playsim_sampler` has bodies run at places, `playsim_curves` turns headings and speeds, `playsim_bends` runs
lines as fast as their bends allow, `playsim_knots` joins places at times. Here every push
is a minimum-jerk movement (Flash and Hogan, 1985) and a man's way is their sum, begun one after the other
before the last has ended (superposition: Flash and Henis, 1991; both from memory). How far the pushes overlap
at a bend decides how round and how fast it is run; whoever stops, drifts to the ball or is held up does so
by pushes left out, turned or begun late. Shares, alignments and throws are the sampler's; the
shapes are drawn around the written definitions and the shared motion facts (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.synthetic.playsim_records import RATE_HZ
from models.synthetic.playsim_sampler import BEFORE_S, RouteSet
from models.synthetic.playsim_ways import Book, draw_men

LAST_S, FASTEST_YD_PER_S, PEAK_YD_PER_S, PUSH_S = 9.0, 8.4, 10.2, (0.7, 1.3)
HELD_SHARE, MOTION_SHARE = 0.14, 0.07
"""split men who are held up at the line; men who move sideways at the snap"""
AFTER_THROW = {"runs on": 0.5, "eases": 0.3, "to the ball": 0.2}
"""what men do who see that the ball is on its way"""
Part = tuple[float, float, float, float, float]
"""heading (deg, 0 = upfield, + = toward his sideline), its sd, shortest and longest way (yd), pace (yd/s)"""


@dataclass(frozen=True)
class Way:
    """One class. stem: depth beyond the line (yd), spread of its logarithm, least, most (yd), pace (yd/s);
    () = none. lean: heading of the stem and sd (deg). parts: what follows it. stands: he stays at the end.
    plant: least and most of how fully he stops at a bend (0 = runs through it, 1 = stands). wait_s: mean of
    the time at the line, which is spread like it."""

    parts: tuple[Part, ...]
    stem: tuple[float, ...] = ()
    lean: tuple[float, float] = (0.0, 5.0)
    stands: bool = False
    plant: tuple[float, float] = (0.15, 0.7)
    wait_s: float = 0.12


_HARD, _ROUND = (0.5, 1.0), (0.0, 0.35)
WAYS = {
    "hitch": Way(((178, 45, 0.3, 1.8, 2.0),), (5.6, 0.2, 3.2, 8.4, 4.9), (0, 6), True, _HARD),
    "hook": Way(((176, 50, 0.3, 1.9, 2.0),), (8.0, 0.22, 4.4, 12.6, 5.3), (0, 9), True, _HARD),
    "curl": Way(((-149, 20, 1.1, 3.6, 3.0),), (11.6, 0.13, 8.2, 16, 5.9), (0, 5), True, _HARD),
    "comeback": Way(((141, 15, 1.6, 4.8, 3.5),), (13.8, 0.13, 9.8, 18.5, 6.4), (1, 5), True, _HARD),
    "out": Way(((88, 10, 22, 22, 6.0),), (9.4, 0.2, 5, 14.5, 6.0), (1, 6)),
    "in": Way(((-67, 14, 26, 26, 5.0),), (9.6, 0.27, 4.2, 16.5, 5.5), (0, 6)),
    "slant": Way(((-48, 10, 26, 26, 5.9),), (1.9, 0.45, 0.3, 4.8, 4.4), (-2, 9)),
    "post": Way(((-26, 8, 36, 36, 6.6),), (8.2, 0.27, 3.8, 14.8, 5.9), (0, 6), plant=_ROUND),
    "corner": Way(((49, 10, 36, 36, 7.0),), (10.0, 0.22, 5, 14.8, 6.4), (2, 7)),
    "go": Way(((15, 15, 3, 8, 6.2), (16, 10, 50, 50, 7.4)), plant=(0.0, 0.15), wait_s=0.14),
    "shallow_cross": Way(((-28, 22, 1.5, 5, 4.6), (-80, 9, 5, 10, 6.2), (-88, 6, 30, 30, 6.9)), plant=_ROUND),
    "deep_cross": Way(
        ((-62, 10, 8, 14, 6.5), (-77, 8, 28, 28, 6.8)), (7.6, 0.28, 3.2, 12.5, 6.0), (-12, 12), plant=_ROUND
    ),
    "flat": Way(((52, 24, 1.2, 4.2, 4.2), (84, 13, 4, 21, 5.4)), stands=True, plant=_ROUND),
    "wheel": Way(((68, 14, 4, 8.5, 5.6), (38, 12, 3, 6, 6.6), (13, 8, 45, 45, 7.8)), plant=_ROUND),
    "angle": Way(((45, 18, 2.1, 6, 3.8), (-47, 16, 18, 18, 4.4)), plant=(0.3, 0.9)),
    "swing": Way(
        ((105, 14, 2, 6, 4.0), (80, 13, 4, 8, 5.2), (48, 19, 18, 18, 5.6)), plant=_ROUND
    ),
    "screen": Way(((8, 30, 0.3, 1.9, 3.4), (-120, 25, 1.2, 5, 4.6)), stands=True, plant=_HARD),
    "checkdown": Way(((14, 40, 0.3, 2.5, 1.8), (12, 32, 3, 8.8, 3.9)), stands=True, wait_s=0.5),
    "block": Way(((178, 45, 0.4, 3.6, 1.6),), stands=True),
}  # fmt: skip
_BACKS = {
    "flat": Way(((81, 18, 1.8, 6, 4.0), (62, 23, 4, 19, 5.0)), stands=True, plant=_ROUND),
    "screen": Way(((20, 42, 0.4, 2.1, 2.6), (84, 22, 1.6, 7.8, 4.8)), stands=True, wait_s=0.45),
    "out": Way(((88, 12, 24, 24, 5.4),), (2.6, 0.5, 0.4, 6.2, 4.6), (23, 15)),
    "block": Way(((18, 58, 0.5, 2.8, 1.6), (178, 40, 0.2, 1.4, 1.0)), stands=True),
}
_OTHER_WAYS = {
    "out": (0.62, Way(((88, 10, 22, 22, 5.6),), (3.1, 0.45, 0.4, 6.8, 4.8), (1, 6))),
    "screen": (0.5, Way(((113, 18, 1, 4, 4.4), (86, 14, 2, 8, 5.4)), stands=True)),
    "go": (0.14, Way(((10, 18, 3, 6, 3.8), (12, 12, 40, 40, 4.4)), plant=(0.0, 0.15), wait_s=0.2)),
}
"""how often a class is run another way, and that way: the quick out, the bubble, the go that is jogged"""
BOOK = Book(WAYS, _BACKS, _OTHER_WAYS, Way(((-10, 22, 1, 6.5, 3.0),), stands=True))


def sample_strokes(seed: int, n: int, prior: dict[str, float] | None = None) -> RouteSet:
    """Draw n routes, as `sample_routes` does. All count as run like professionals run. Same seed, same
    routes."""
    men = draw_men((seed, 59), n, prior)
    path, broke = np.empty((n, len(men.t_s), 2), np.float32), np.full(n, np.nan)
    for i in range(n):
        start = men.start[i]
        way = BOOK.way(men.rng, str(men.label[i]), start)
        pushes, broke[i] = _pushes(men.rng, way, start, *men.habit[i])
        pushes = _after_the_throw(men.rng, pushes, men.throw_s[i], start)
        pushes, broke[i] = _no_faster_than_men(pushes, broke[i], men.t_s)
        pushes = _in_motion(men.rng, pushes, start)
        path[i] = _place(pushes, start, men.t_s)
    return men.ran(path, broke)


def _parts(
    rng: np.random.Generator, way: Way, start: np.ndarray, deeper: float
) -> list[tuple[float, float, float]]:
    """(heading in deg, way in yd, pace in yd/s) of each part of one man's run, stem first."""
    out = []
    if way.stem:
        middle, spread, low, high, pace = way.stem
        depth = float(np.clip(middle * deeper * np.exp(rng.normal(0, spread)), low, high))
        lean = float(np.clip(rng.normal(*way.lean), -45, 45))
        far = max(0.5, (depth - start[0]) / np.cos(np.deg2rad(lean)))
        out.append((lean, far, pace))
    out += [(rng.normal(mean, sd), rng.uniform(low, high), pace) for mean, sd, low, high, pace in way.parts]
    return out


def _pushes(
    rng: np.random.Generator, way: Way, start: np.ndarray, deeper: float, faster: float
) -> tuple[np.ndarray, float]:
    """Pushes of one man (P, 4): when it begins (s), how long it takes (s), depth and out it adds (yd); and
    the time of his break (NaN = none)."""
    own = faster * float(np.clip(rng.normal(1.0, 0.08), 0.8, 1.2))
    clock = max(0.02, float(rng.gamma(2.0, way.wait_s / 2.0)))
    held = start[3] > 0 and rng.random() < HELD_SHARE
    parts = _parts(rng, way, start, deeper)
    out: list[tuple[float, float, float, float]] = []
    broke = np.nan
    for k, (heading, far, pace) in enumerate(parts):
        out += _one_part(rng, heading, far, min(pace * own, FASTEST_YD_PER_S), clock, held and k == 0)
        alone = out[-1][1] / 2  # so long the last push goes on when the next could begin
        clock = out[-1][0] + alone
        if k == 0 and len(parts) > 1:
            broke = clock + alone / 2
        clock += alone * rng.uniform(*way.plant)
    if way.stands:
        for _ in range(5):
            clock += rng.uniform(0.5, 1.4)
            out.append((clock, rng.uniform(0.8, 1.6), *rng.normal(0, 0.25, 2).tolist()))
    return np.array(out), broke


def _no_faster_than_men(pushes: np.ndarray, broke_s: float, t_s: np.ndarray) -> tuple[np.ndarray, float]:
    """The same pushes and break, later by as much as keeps his highest speed under PEAK_YD_PER_S."""
    way = _rise((t_s[:, None] - pushes[None, :, 0]) / pushes[None, :, 1]) @ pushes[:, 2:]
    peak = float(np.hypot(*np.diff(way, axis=0).T).max()) * RATE_HZ
    slower = max(1.0, peak / PEAK_YD_PER_S)
    return pushes * [slower, slower, 1.0, 1.0], broke_s * slower


def _one_part(
    rng: np.random.Generator, heading: float, far: float, pace: float, clock: float, held: bool
) -> list[tuple[float, float, float, float]]:
    """Pushes over `far` yards, the first at `clock`; a man who is held up makes it slowly and sideways."""
    out: list[tuple[float, float, float, float]] = []
    done, sway = 0.0, rng.normal(0, 4.0)
    while done < far - 1e-6 and clock < LAST_S:
        took = rng.uniform(*PUSH_S) * (0.8 if far < 2.5 else 1.0)
        ahead = pace * float(np.clip(rng.normal(1.0, 0.1), 0.7, 1.3)) * (1.0 if out else 0.75)
        ahead = min(ahead, FASTEST_YD_PER_S) * took / 2
        ahead = far - done if far - done < 1.35 * ahead else ahead
        sway = 0.6 * sway + rng.normal(0, 2.6)
        slowly, aside = (rng.uniform(1.5, 2.6), rng.normal(0, 30)) if held and not out else (1.0, 0.0)
        a = np.deg2rad(heading + sway + aside)
        out.append((clock, took * slowly, ahead * np.cos(a), ahead * np.sin(a)))
        done += ahead
        clock += took * slowly / 2
    return out


def _after_the_throw(
    rng: np.random.Generator, pushes: np.ndarray, throw_s: float, start: np.ndarray
) -> np.ndarray:
    """The pushes a man still makes once he has seen the throw: all, weaker ones, or others to the ball."""
    sees = throw_s + rng.gamma(3.0, 0.15)
    does = rng.choice(list(AFTER_THROW), p=list(AFTER_THROW.values()))
    late = pushes[:, 0] > sees
    if does == "eases":
        weaker = np.cumprod(np.where(late, rng.uniform(0.5, 0.9), 1.0))
        return pushes * np.stack([np.ones_like(weaker)] * 2 + [weaker] * 2, 1)
    if does == "to the ball":
        here = start[:2] + pushes[~late, 2:].sum(0)
        ball = np.array([rng.normal(8, 8), start[1] + rng.normal(-8, 10)])
        way, pace = ball - here, rng.uniform(2.0, 5.5)
        far = float(np.hypot(*way))
        count = min(12, max(1, round(far / (pace * 0.5))))
        begins = sees + 0.5 * np.arange(count)
        steps = np.broadcast_to(way * min(1.0, count * pace * 0.5 / max(far, 0.1)) / count, (count, 2))
        return np.concatenate([pushes[~late], np.column_stack([begins, np.full(count, 1.0), steps])])
    return pushes


def _in_motion(rng: np.random.Generator, pushes: np.ndarray, start: np.ndarray) -> np.ndarray:
    """With the pushes of a man who moves sideways at the snap and stands where he would stand then."""
    if rng.random() >= MOTION_SHARE:
        return pushes
    speed, took = rng.uniform(1.5, 4.5) * rng.choice([-1.0, 1.0]), 1.0
    begins = np.arange(-BEFORE_S - 1.0, rng.uniform(-0.4, 0.1), took / 2)
    move = np.column_stack([begins, np.full(len(begins), took), 0 * begins, np.full(len(begins), speed / 2)])
    back = _rise((0.0 - begins) / took) @ move[:, 2:]
    move = np.concatenate([move, [[-BEFORE_S - 3.0, 1.0, *-back]]])
    return np.concatenate([move, pushes])


def _rise(share: np.ndarray) -> np.ndarray:
    """How much of a minimum-jerk movement is done after that share of its time."""
    u = np.clip(share, 0.0, 1.0)
    return np.asarray(u**3 * (10.0 - 15.0 * u + 6.0 * u**2))


def _place(pushes: np.ndarray, start: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    """(T, 2) the sum of the pushes at t_s; nobody runs more than a step out of bounds."""
    done = _rise((t_s[:, None] - pushes[None, :, 0]) / pushes[None, :, 1])
    path = start[:2] + done @ pushes[:, 2:]
    room = start[1] + start[2] - 0.7 - path[:, 1]  # to the side line, which bends him away within a yard
    path[:, 1] += room - np.logaddexp(0.0, 3.0 * room) / 3.0
    return path
