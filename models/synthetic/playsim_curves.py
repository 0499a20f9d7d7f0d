"""Single routes drawn a second way: headings and speeds that bend, instead of bodies that run at places.

`models.synthetic.playsim_sampler` gives a man a list of places and lets his body run at them. Here a route is
a stem heading, a break and a heading after it; heading and speed go over into one another softly, wander, and
everybody has habits of his own. Shares, alignments and throws are the sampler's; the shapes below are drawn
wide around the written definitions and the shared motion facts. Only for training and checks: a network
that has seen two ways of moving leans on neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.synthetic.playsim_records import RATE_HZ
from models.synthetic.playsim_sampler import AFTER_S, BEFORE_S, RouteSet, draw_starts, draw_throws


@dataclass(frozen=True)
class Shape:
    """One class. stem, after: heading (deg, 0 = upfield, + = toward his sideline) and its sd. at: where he
    breaks, yards beyond the line (or yards run, where `by_run`), sd, least, most; () = no break. dip: share
    of his speed kept in the break. pace, pace_after: share of his top speed. stops: share of men who settle,
    after so many yards (settle_yd). wait_s: longest wait before he goes. bend: heading he takes up later."""

    stem: tuple[float, float]
    at: tuple[float, ...] = ()
    after: tuple[float, float] = (0.0, 0.0)
    dip: float = 0.6
    pace: float = 0.92
    pace_after: float = 0.9
    stops: float = 0.0
    settle_yd: float = 1.0
    by_run: bool = False
    wait_s: float = 0.0
    bend: float | None = None


SHAPES = {
    "hitch": Shape((0, 6), (5.4, 1.3, 3, 8.5), (-150, 45), 0.25, 0.88, 0.35, 0.9, 0.9),
    "hook": Shape((0, 8), (7.6, 2.0, 4, 12.5), (-165, 60), 0.25, 0.88, 0.35, 0.9, 0.9),
    "curl": Shape((0, 6), (11.5, 1.8, 8, 16), (-145, 25), 0.3, 0.92, 0.45, 0.9, 2.2),
    "comeback": Shape((0, 6), (13.8, 2.1, 9.5, 19), (138, 20), 0.3, 0.92, 0.5, 0.85, 3.2),
    "out": Shape((2, 9), (9.0, 2.6, 4, 15), (90, 13), 0.5, 0.9, 0.86),
    "in": Shape((0, 8), (9.8, 2.8, 4.5, 16.5), (-69, 15), 0.55, 0.88),
    "slant": Shape((-4, 10), (1.4, 1.1, 0, 5), (-50, 11), 0.65, 0.74, 0.74),
    "post": Shape((2, 7), (7.6, 2.6, 3.5, 15), (-25, 8), 0.85, 0.9, 0.9),
    "corner": Shape((2, 8), (9.4, 2.6, 4.5, 15), (50, 10), 0.75, 0.93, 0.93),
    "go": Shape((20, 12), pace=1.02),
    "shallow_cross": Shape((-32, 24), (3.0, 1.5, 0.8, 6.5), (-86, 8), 0.88, 0.9, 0.98, 0.12, 12.0, True),
    "deep_cross": Shape((-20, 13), (7.5, 2.8, 3, 14), (-68, 11), 0.88, 0.95, 0.97),
    "flat": Shape((45, 24), (2.6, 1.2, 0.6, 6), (80, 15), 0.8, 0.8, 0.85, 0.35, 6.0, True),
    "wheel": Shape((75, 14), (6.2, 1.7, 3, 11), (33, 11), 0.9, 1.0, 1.05, by_run=True, bend=14.0),
    "angle": Shape((44, 20), (4.2, 1.4, 1.8, 8), (-46, 18), 0.4, 0.6, 0.65, 0.15, 6.0, True),
    "swing": Shape((104, 14), (4.4, 1.5, 2, 8), (76, 15), 0.9, 0.75, 0.8, by_run=True, bend=45.0),
    "screen": Shape((5, 30), (0.9, 0.7, 0.1, 3), (-120, 30), 0.2, 0.6, 0.75, 0.8, 3.0, True, 0.3),
    "checkdown": Shape((15, 40), (1.4, 1.0, 0.2, 4), (10, 50), 0.3, 0.45, 0.6, 0.85, 4.0, True, 0.9),
    "block": Shape((0, 40), (1.6, 0.9, 0.3, 4), (180, 60), 0.2, 0.4, 0.25, 0.9, 1.5, True, 0.2),
}
_FLAT_BACK = Shape((80, 20), (4.0, 1.6, 1, 8), (58, 26), 0.9, 0.75, 0.85, 0.35, 5.0, True)
_QUICK_OUT = Shape((3, 9), (3.0, 1.6, -0.2, 6.5), (92, 12), 0.5, 0.88, 0.84)
_BACK_SCREEN = Shape((20, 50), (1.6, 1.0, 0.2, 4), (80, 25), 0.2, 0.5, 0.78, 0.7, 5.0, True, 0.8)
_WIDE_BLOCK = Shape((-8, 20), (4.0, 1.8, 0.5, 8), (0, 60), 0.3, 0.7, 0.3, 0.9, 0.8, True)
_QUICK_OUT_SHARE = 0.66
HABIT_SD, JOG_SHARE, FASTEST_YD_PER_S = 0.13, 0.14, 10.7
"""sd of how deep and how fast a play's offense runs, as a share; share of go routes that are jogged;
nobody runs faster"""


def sample_curves(seed: int, n: int, prior: dict[str, float] | None = None) -> RouteSet:
    """Draw n routes, as `sample_routes` does. All count as run like professionals run. Same seed, same
    routes."""
    rng = np.random.default_rng([seed, 7])
    label, group, start = draw_starts(rng, n, prior)
    throw = draw_throws(rng, label, int(group.max()) + 1, group)
    legs = _legs(rng, label, start, group)
    t, path, broke = _run(rng, legs, start, throw, label)
    stem = np.where(np.isfinite(legs["at"]) & (legs["by_run"] == 0), legs["at"], np.nan)
    return RouteSet(
        t, path, label, throw, start[:, 2], broke, stem, group, start[:, 3].astype(int), np.ones(n, bool)
    )


def _shape_of(label: str, back: bool, wide: bool, quick: bool) -> Shape:
    if label == "flat" and back:
        return _FLAT_BACK
    if label == "out" and (quick or back):
        return _QUICK_OUT
    if label == "screen" and back:
        return _BACK_SCREEN
    return _WIDE_BLOCK if label == "block" and wide else SHAPES[label]


def _legs(
    rng: np.random.Generator, label: np.ndarray, start: np.ndarray, group: np.ndarray
) -> dict[str, np.ndarray]:
    """Every man's own draw of his class's shape, columns (N,)."""
    n = len(label)
    quick = rng.random(n) < _QUICK_OUT_SHARE
    shapes = [
        _shape_of(str(x), start[i, 0] < -3, start[i, 1] > 9, bool(quick[i])) for i, x in enumerate(label)
    ]
    habit = np.clip(rng.normal(1, HABIT_SD, (int(group.max()) + 1, 2)), 0.7, 1.35)[group]
    pair = {k: np.array([getattr(s, k) for s in shapes], float) for k in ("stem", "after")}
    at = np.array([s.at or (np.inf, 0, np.inf, np.inf) for s in shapes], float)
    scale = np.where(np.isfinite(at[:, 0]), habit[:, 0], 1.0)
    out = {
        "stem": rng.normal(pair["stem"][:, 0], pair["stem"][:, 1]),
        "after": rng.normal(pair["after"][:, 0], pair["after"][:, 1]),
        "at": np.clip(at[:, 0] * scale + rng.normal(0, at[:, 1]), at[:, 2], at[:, 3]),
    }
    for name in ("dip", "pace", "pace_after", "settle_yd", "by_run", "wait_s"):
        out[name] = np.array([getattr(s, name) for s in shapes], float)
    out["pace"] = np.clip(out["pace"] * habit[:, 1] + rng.normal(0, 0.07, n), 0.25, 1.15)
    out["pace_after"] = np.clip(out["pace_after"] * habit[:, 1] + rng.normal(0, 0.1, n), 0.12, 1.15)
    out["dip"] = np.clip(out["dip"] + rng.normal(0, 0.12, n), 0.08, 1.0)
    stops = rng.random(n) < np.array([s.stops for s in shapes])
    out["settle_yd"] = np.where(stops, out["settle_yd"] * rng.gamma(3.0, 1 / 3.0, n), np.inf)
    out["wait_s"] = out["wait_s"] * rng.uniform(0, 1.4, n)
    out["bend"] = np.array([np.nan if s.bend is None else s.bend for s in shapes])
    away = np.where(rng.random(n) < 0.35, rng.choice([-1, 1], n) * rng.uniform(10, 45, n), 0.0)
    out["release"] = out["stem"] + np.where(start[:, 0] < -3, 0.0, away)
    return out


@dataclass(frozen=True)
class _Bodies:
    """What every man brings along, columns (N,)."""

    top: np.ndarray
    quicken_s: np.ndarray
    slow_s: np.ndarray
    turn_s: np.ndarray
    delay_s: np.ndarray
    jam_at_s: np.ndarray
    jam_until_s: np.ndarray
    jam_turn: np.ndarray
    free_s: np.ndarray
    """when he leaves his route because the passer is in trouble"""
    free_to: np.ndarray
    notice_s: np.ndarray
    habit: np.ndarray
    """after he sees the throw: 0 runs on, 1 slows, 2 drifts elsewhere, 3 pulls up"""
    drift_to: np.ndarray
    untidy: np.ndarray


def _bodies(
    rng: np.random.Generator,
    legs: dict[str, np.ndarray],
    start: np.ndarray,
    throw: np.ndarray,
    go: np.ndarray,
) -> _Bodies:
    n = len(throw)
    top = np.clip(rng.normal(8.2, 0.95, n), 5.8, 10.4)
    top *= np.where(go & (rng.random(n) < JOG_SHARE), rng.uniform(0.5, 0.85, n), 1.0)
    pressed = (rng.random(n) < 0.16) & (start[:, 0] > -3)
    jam_at = rng.uniform(0.25, 0.6, n)
    late = (rng.random(n) < 0.5) & (throw > 3.3)
    spreads = ((0.75, 0.12), (0.24, 0.06), (0.14, 0.06))
    quicken, slow, turn = (np.clip(rng.normal(m, s, n), m / 2, 2 * m) for m, s in spreads)
    return _Bodies(
        top,
        quicken,
        slow,
        turn,
        np.clip(rng.normal(0.15, 0.1, n), 0, 0.7) + legs["wait_s"],
        jam_at,
        jam_at + np.where(pressed, rng.uniform(0.3, 1.1, n), 0.0),
        rng.normal(0, 25, n),
        np.where(late, rng.uniform(2.7, 3.6, n), np.inf),
        rng.uniform(-180, 180, n),
        throw + rng.gamma(2.5, 0.17, n),
        rng.choice(4, n, p=[0.42, 0.24, 0.2, 0.14]),
        rng.normal(-60, 80, n),
        rng.gamma(4.0, 0.25, n),
    )


def _run(
    rng: np.random.Generator,
    legs: dict[str, np.ndarray],
    start: np.ndarray,
    throw: np.ndarray,
    label: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Step all men: times (T,), paths (N, T, 2), time of the break (N,), NaN where it was not reached."""
    n, dt = len(label), 1 / RATE_HZ
    t = np.arange(-int(BEFORE_S * RATE_HZ), int(AFTER_S * RATE_HZ)) * dt
    path = np.empty((n, len(t), 2), np.float32)
    body = _bodies(rng, legs, start, throw, label == "go")
    pos, heading, speed = start[:, :2].copy(), legs["release"].copy(), np.zeros(n)
    run, broke, run_broke = np.zeros(n), np.full(n, np.nan), np.zeros(n)
    sway, surge = np.zeros(n), np.zeros(n)
    side_line = start[:, 1] + start[:, 2] - 1.0
    for k, now in enumerate(t):
        gone = np.where(legs["by_run"] > 0, run, pos[:, 0])
        new = np.isnan(broke) & (gone >= legs["at"]) & (now > body.delay_s)
        broke, run_broke = np.where(new, now, broke), np.where(new, run, run_broke)
        want, pace = _wish(now, legs, body, run, run - run_broke, broke, gone, speed)
        outside = (pos[:, 1] > side_line) & (np.sin(np.deg2rad(want)) > 0)
        want = np.where(outside, 0.0, want)
        pace = np.where(now < body.delay_s, 0.0, pace) * np.clip(1 + surge, 0.6, 1.3)
        pace = np.minimum(pace, FASTEST_YD_PER_S)
        sway += -sway * dt / 0.6 + rng.normal(0, 7.0, n) * body.untidy * np.sqrt(2 * dt / 0.6)
        surge += -surge * dt / 0.6 + rng.normal(0, 0.06, n) * np.sqrt(2 * dt / 0.6)
        speed += (pace - speed) * (1 - np.exp(-dt / np.where(pace > speed, body.quicken_s, body.slow_s)))
        off = (want + sway - heading + 180) % 360 - 180
        heading += off * (1 - np.exp(-dt / body.turn_s))
        # a man who turns sharply has to slow for it
        step = speed * np.clip(1.15 - np.abs(off) / 130.0, 0.15, 1.0) * dt
        a = np.deg2rad(heading)
        pos = pos + np.stack([np.cos(a) * step, np.sin(a) * step], 1)
        run += step
        path[:, k] = pos
    return t, path, broke


def _wish(
    now: float,
    legs: dict[str, np.ndarray],
    body: _Bodies,
    run: np.ndarray,
    since: np.ndarray,
    broke: np.ndarray,
    gone: np.ndarray,
    speed: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Heading (deg) and pace (yd/s) each man wants, (N,). since: yards run after the break."""
    done = np.isfinite(broke)
    want = np.where(run < 1.8, legs["release"], legs["stem"])
    want = np.where(done, legs["after"], want)
    want = np.where(done & np.isfinite(legs["bend"]) & (since > 4.5), legs["bend"], want)
    pace = np.where(done, legs["pace_after"], legs["pace"]) * body.top
    near = ~done & (legs["at"] - gone < 0.25 * speed * (1 - legs["dip"]) + 0.3)
    pace = np.where(near | (done & (now - broke < 0.12)), np.minimum(pace, legs["dip"] * body.top), pace)
    pace = np.where(done & (since > legs["settle_yd"]), 0.0, pace)
    jammed = (now > body.jam_at_s) & (now < body.jam_until_s)
    pace, want = np.where(jammed, 0.3 * pace, pace), np.where(jammed, want + body.jam_turn, want)
    free = now > body.free_s
    want, pace = np.where(free, body.free_to, want), np.where(free, 0.7 * body.top, pace)
    seen = now > body.notice_s
    slower = np.where(body.habit == 1, 0.45, np.where(body.habit == 3, 0.05, 1.0))
    return np.where(seen & (body.habit == 2), body.drift_to, want), np.where(seen, slower * pace, pace)
