"""Single routes drawn a fourth way: places at times, joined smoothly.

`playsim_sampler` has bodies run at places, `playsim_curves` turns headings and speeds, `playsim_bends` runs
lines as fast as their bends allow. Here a man is at a few places at a few times, and a curve through them
that never overshoots (Fritsch and Carlson, 1980; scipy's PCHIP) says where he is between: nobody holds a
speed, and each coordinate stands still where it turns back.
For checks only until the pool of all programs, trained on since. Shares, alignments and throws are the
sampler's; the shapes are drawn around the written definitions and the shared motion facts (common practice,
no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from models.synthetic.playsim_sampler import BEFORE_S, RouteSet
from models.synthetic.playsim_ways import Book, draw_men

LAST_S, FASTEST_YD_PER_S = 9.0, 7.8
Leg = tuple[float, float, float, float, float]
"""heading (deg, 0 = upfield, + = toward his sideline), its sd, shortest and longest way (yd), pace (yd/s)"""


@dataclass(frozen=True)
class Plan:
    """One class. stem: depth beyond the line (yd), sd, least, most, pace (yd/s); () = none. lean: heading of
    the stem and sd (deg). legs: what follows it. settles: he stays at the end, walking; else he runs on.
    wait_s: (mean, sd) of his time at the line before he leaves it."""

    legs: tuple[Leg, ...]
    stem: tuple[float, ...] = ()
    lean: tuple[float, float] = (0.0, 5.0)
    settles: bool = False
    wait_s: tuple[float, float] = (0.12, 0.08)


PLANS = {
    "hitch": Plan(((175, 40, 0.4, 1.9, 2.2),), (5.4, 1.1, 3.3, 8.2, 4.7), (0, 6), True),
    "hook": Plan(((172, 50, 0.4, 1.8, 2.2),), (8.1, 1.8, 4.6, 12.5, 5.0), (0, 10), True),
    "curl": Plan(((-152, 20, 1.2, 3.6, 3.2),), (11.7, 1.5, 8.5, 15.5, 5.8), (0, 5), True),
    "comeback": Plan(((142, 14, 1.6, 5.0, 3.6),), (13.7, 1.7, 10, 18, 6.3), (1, 5), True),
    "out": Plan(((88, 9, 25, 25, 5.9),), (9.3, 1.9, 5.5, 14, 6.0), (0, 5)),
    "in": Plan(((-69, 14, 25, 25, 5.2),), (10.0, 2.4, 5, 16, 5.6), (0, 6)),
    "slant": Plan(((-47, 9, 25, 25, 5.7),), (2.0, 1.0, 0.3, 4.5, 3.9), (0, 8)),
    "post": Plan(((-26, 8, 35, 35, 6.2),), (8.4, 2.3, 4, 14.5, 5.8), (0, 6)),
    "corner": Plan(((47, 9, 35, 35, 6.8),), (9.6, 2.1, 5.5, 14.5, 6.2), (0, 7)),
    "go": Plan(((8, 14, 4, 9, 5.6), (9, 8, 50, 50, 7.0)), wait_s=(0.15, 0.1)),
    "shallow_cross": Plan(
        ((-83, 9, 6, 12, 6.0), (-90, 6, 30, 30, 7.0)), (1.4, 1.2, -0.5, 4.5, 4.2), (-22, 18)
    ),
    "deep_cross": Plan(((-58, 11, 8, 14, 6.4), (-77, 8, 30, 30, 6.8)), (6.8, 2.0, 3, 11, 5.8), (-10, 12)),
    "flat": Plan(((58, 22, 1.5, 4, 3.8), (85, 12, 5, 20, 5.2)), settles=True),
    "wheel": Plan(((84, 12, 4, 8, 4.8), (42, 13, 3, 6, 5.8), (6, 7, 45, 45, 7.6))),
    "angle": Plan(((48, 17, 2.2, 5.5, 3.3), (-47, 15, 18, 18, 4.0))),
    "swing": Plan(((106, 14, 2, 5.5, 3.6), (84, 12, 4, 8, 5.0), (52, 18, 18, 18, 5.4))),
    "screen": Plan(((10, 30, 0.3, 1.8, 3.6), (-118, 25, 1.5, 5, 4.8)), settles=True),
    "checkdown": Plan(((15, 40, 0.3, 2.2, 1.6), (12, 30, 3, 8.5, 3.6)), settles=True, wait_s=(0.5, 0.4)),
    "block": Plan(((175, 45, 0.4, 3.5, 1.6),), settles=True),
}
"""paces are means over a leg, so that a man's highest speed lies above them"""
_BACKS = {
    "flat": Plan(((82, 17, 2, 6, 3.8), (64, 22, 4, 18, 4.8)), settles=True),
    "screen": Plan(((18, 40, 0.5, 2.2, 2.8), (85, 22, 2, 7.5, 4.8)), settles=True, wait_s=(0.4, 0.3)),
    "out": Plan(((88, 12, 25, 25, 5.2),), (2.6, 1.5, 0.3, 6, 4.4), (22, 15)),
    "block": Plan(((15, 55, 0.5, 2.6, 1.5), (178, 40, 0.2, 1.4, 0.9)), settles=True),
}
_OTHER_WAYS = {
    "out": (0.6, Plan(((88, 9, 25, 25, 5.4),), (3.1, 1.5, 0.3, 6.5, 4.6), (0, 6))),
    "screen": (0.5, Plan(((112, 18, 1, 4, 4.6), (86, 14, 2, 8, 5.4)), settles=True)),
    "go": (0.35, Plan(((22, 12, 3, 6, 5.4), (14, 8, 50, 50, 7.3)))),
}
"""how often a class is run another way, and that way: the quick out, the bubble, the outside release"""
BOOK = Book(PLANS, _BACKS, _OTHER_WAYS, Plan(((-10, 22, 1, 6.5, 2.9),), settles=True))


def sample_knots(seed: int, n: int, prior: dict[str, float] | None = None) -> RouteSet:
    """Draw n routes, as `sample_routes` does. All count as run like professionals run. Same seed, same
    routes."""
    men = draw_men((seed, 47), n, prior)
    path, broke = np.empty((n, len(men.t_s), 2), np.float32), np.full(n, np.nan)
    for i in range(n):
        plan = BOOK.way(men.rng, str(men.label[i]), men.start[i])
        when, where, at = _knots(men.rng, plan, men.start[i], *men.habit[i])
        path[i] = PchipInterpolator(when, where, axis=0)(_own_clock(men.rng, men.t_s, men.throw_s[i]))
        if at:
            broke[i] = when[at]
    return men.ran(path, broke)


def _legs(rng: np.random.Generator, plan: Plan, start: np.ndarray, deeper: float) -> tuple[list[Leg], int]:
    """The legs of one man, headings and ways drawn, and how many of them lie before his break (0 = none)."""
    legs: list[Leg] = []
    if plan.stem:
        mean, sd, low, high, pace = plan.stem
        depth = float(np.clip(rng.normal(mean * deeper, sd), low, high))
        lean = float(np.clip(rng.normal(*plan.lean), -45, 45))
        way = max(0.5, (depth - start[0]) / np.cos(np.deg2rad(lean)))
        legs.append((lean, 0.0, way, way, pace))
    before = 1 if plan.stem else int(len(plan.legs) > 1)
    return [*legs, *plan.legs], before


def _knots(
    rng: np.random.Generator, plan: Plan, start: np.ndarray, deeper: float, faster: float
) -> tuple[np.ndarray, np.ndarray, int]:
    """Times (K,) and places (K, 2) one man passes, and which of them is his break (0 = none)."""
    legs, before = _legs(rng, plan, start, deeper)
    own = float(np.clip(rng.normal(1.0, 0.08), 0.8, 1.2)) * faster
    clock = max(0.03, rng.normal(*plan.wait_s))
    when, where = [-BEFORE_S - 0.5, -0.4, clock], [start[:2].copy() for _ in range(3)]
    at = 0
    for k, (mean, sd, low, high, pace) in enumerate(legs):
        a = np.deg2rad(rng.normal(mean, sd))
        ahead, aside = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        far, took = _strides(rng, rng.uniform(low, high), pace * own, k)
        off = np.append(rng.normal(0, 0.09, len(far) - 1), 0.0)
        when += (when[-1] + took).tolist()
        where += list(where[-1] + far[:, None] * ahead + off[:, None] * aside)
        at = len(when) - 1 if k + 1 == before else at
    if plan.settles:
        when += (when[-1] + np.cumsum(rng.uniform(0.6, 1.4, 6))).tolist()
        where += list(where[-1] + np.cumsum(rng.normal(0, 0.25, (6, 2)), axis=0))
    if when[-1] < LAST_S:
        when.append(LAST_S)
        where.append(where[-1] + 0.2)
    out = np.array(where)
    out[:, 1] = np.minimum(out[:, 1], start[1] + start[2] - 0.7)
    return np.array(when), out, at


def _strides(rng: np.random.Generator, way: float, pace: float, leg: int) -> tuple[np.ndarray, np.ndarray]:
    """How far along a leg a man is after each of his strides of 2 to 4 yd, which are never equally fast, and
    when (s after its start). He leaves the line slowly and takes a corner (leg 1 and later) more slowly."""
    far, took, gait = [0.0], [0.0], 1.0
    while far[-1] < way - 1e-6:
        first = leg == 0 and len(far) == 1
        stride = rng.uniform(0.8, 1.4) if first else rng.uniform(1.8, 4.0)
        stride = way - far[-1] if way - far[-1] - stride < 0.7 else stride
        gait = 0.5 * gait + 0.5 * float(np.clip(rng.normal(1.0, 0.13), 0.65, 1.35))
        share = 0.42 if first else 0.8 if leg == 0 and len(far) == 2 else 1.06
        share *= 0.75 if leg > 0 and len(far) == 1 else 1.0
        far.append(far[-1] + stride)
        took.append(took[-1] + stride / max(0.5, min(pace * gait * share, FASTEST_YD_PER_S)))
    return np.array(far[1:]), np.array(took[1:])


def _own_clock(rng: np.random.Generator, t_s: np.ndarray, throw_s: float) -> np.ndarray:
    """(T,) the time a man's run has come to: after the throw half of them run on, others ease off."""
    sees = throw_s + rng.gamma(3.0, 0.15)
    ease = rng.choice([0.0, 0.9, 2.5], p=[0.5, 0.3, 0.2])
    late = np.maximum(t_s - sees, 0.0)
    slower = (1 - np.exp(-ease * late)) / ease if ease else late
    return np.clip(np.minimum(t_s, sees) + slower, -BEFORE_S, LAST_S)
