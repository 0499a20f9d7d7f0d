"""Single routes drawn a third way: lines rounded at their bends, run as fast as the bends allow.

`playsim_sampler` has bodies run at places, `playsim_curves` turns headings and speeds. Here a route is a line
on the ground; how fast a man runs it follows from what his feet hold sideways and how fast he gains and loses
speed. Shares, alignments and throws are the sampler's; the shapes are drawn around the written
definitions and the shared motion facts (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from models.synthetic.playsim_sampler import RouteSet
from models.synthetic.playsim_ways import draw_men

STEP_YD, STEPS = 0.1, 560
HABIT_SD, JOG_SHARE = 0.11, 0.14
Move = tuple[float, float, float, float]
"""heading (deg, 0 = upfield, + = toward his sideline), its sd, shortest and longest run (yd)"""


@dataclass(frozen=True)
class Line:
    """One class. stem: depth beyond the line (yd), sd, least, most; () = none. lean: heading of the stem and
    sd. moves: what follows. stops: he stands at the end. pace: share of his top speed. round_yd: how wide he
    rounds his bends. wait_s: longest wait after the first move."""

    moves: tuple[Move, ...]
    stem: tuple[float, ...] = ()
    lean: tuple[float, float] = (0.0, 6.0)
    stops: bool = False
    pace: float = 0.92
    round_yd: tuple[float, float] = (0.2, 0.8)
    wait_s: float = 0.0


_TIGHT, _WIDE = (0.15, 0.35), (0.5, 1.2)
LINES = {
    "hitch": Line(((180, 45, 0.2, 1.4),), (5.5, 1.1, 3, 8.2), stops=True, round_yd=_TIGHT),
    "hook": Line(((180, 55, 0.2, 1.4),), (8.0, 2.0, 4, 12.5), stops=True, round_yd=_TIGHT),
    "curl": Line(((-145, 20, 1.0, 3.4),), (11.7, 1.6, 8, 16), stops=True, round_yd=_TIGHT),
    "comeback": Line(((139, 16, 1.5, 4.5),), (14.0, 1.9, 9.5, 19), stops=True, round_yd=_TIGHT),
    "out": Line(((89, 9, 45, 45),), (9.3, 2.0, 5, 15), (3, 7)),
    "in": Line(((-69, 13, 45, 45),), (9.8, 2.6, 4, 16.5)),
    "slant": Line(((-50, 10, 45, 45),), (1.6, 1.0, 0.2, 5), (-6, 9), pace=0.8),
    "post": Line(((-26, 7.5, 45, 45),), (8.0, 2.5, 3.5, 15), (1, 6)),
    "corner": Line(((51, 9, 45, 45),), (9.5, 2.4, 4.5, 15), (2, 7)),
    "go": Line(((17, 17, 2, 5), (17, 11, 55, 55)), pace=1.0),
    "shallow_cross": Line(((-34, 20, 2, 5), (-66, 12, 4, 9), (-86, 7, 8, 40))),
    "deep_cross": Line(((-69, 10, 45, 45),), (8.0, 2.6, 3.5, 14), (-17, 12)),
    "flat": Line(((46, 22, 1, 4.5), (81, 14, 4, 22)), stops=True, pace=0.84),
    "wheel": Line(((75, 13, 4, 9), (35, 10, 3, 6), (12, 8, 45, 45)), round_yd=_WIDE),
    "angle": Line(((43, 19, 2, 6.5), (-47, 16, 20, 20)), pace=0.6),
    "swing": Line(((103, 13, 2, 7), (76, 14, 4, 8), (45, 20, 20, 20)), pace=0.76, round_yd=_WIDE),
    "screen": Line(((5, 28, 0.3, 2), (-123, 24, 1, 5)), stops=True, pace=0.65),
    "checkdown": Line(((12, 38, 0.3, 3), (10, 30, 3, 9)), stops=True, pace=0.55, wait_s=1.2),
    "block": Line(((180, 40, 0.5, 4),), stops=True, pace=0.33),
}
_BACKS = {
    "flat": Line(((81, 18, 1.5, 6), (60, 24, 4, 20)), stops=True, pace=0.78),
    "screen": Line(((20, 45, 0.3, 2), (82, 22, 1.5, 8)), stops=True, pace=0.65, wait_s=1.0),
    "out": Line(((88, 12, 45, 45),), (2.5, 1.5, 0, 6), (25, 15)),
    "block": Line(((20, 60, 0.5, 3), (180, 40, 0.1, 1.5)), stops=True, pace=0.35),
}
_QUICK_OUT = Line(((89, 9, 45, 45),), (3.0, 1.5, 0, 7), (3, 7))
_BUBBLE = Line(((115, 18, 1, 4), (85, 14, 2, 8)), stops=True, pace=0.75)
_WIDE_BLOCK = Line(((-9, 20, 1, 7),), stops=True, pace=0.65)


def sample_bends(seed: int, n: int, prior: dict[str, float] | None = None) -> RouteSet:
    """Draw n routes, as `sample_routes` does. All count as run like professionals run. Same seed, same
    routes."""
    men = draw_men((seed, 31), n, prior, HABIT_SD)
    rng, start, habit = men.rng, men.start, men.habit
    lines = [_line_of(rng, str(x), start[i]) for i, x in enumerate(men.label)]
    ground, bend, last = _on_the_ground(rng, lines, start, habit[:, 0])
    when = _clock(rng, lines, ground, bend, last, habit[:, 1], men.label == "go")
    own = _after_the_throw(rng, men.t_s, men.throw_s)
    path = np.empty((n, len(men.t_s), 2), np.float32)
    for i in range(n):
        at = np.interp(np.minimum(own[i], when[i, last[i]]), when[i], np.arange(STEPS))
        path[i] = np.stack([np.interp(at, np.arange(STEPS), ground[i, :, k]) for k in (0, 1)], 1)
    broke = when[np.arange(n), np.maximum(bend, 0)]
    return men.ran(path, np.where(bend > 0, broke, np.nan))


def _line_of(rng: np.random.Generator, label: str, start: np.ndarray) -> Line:
    """The class's line, by where he stands: start is (depth, out, room, number)."""
    if start[0] < -3 and label in _BACKS:
        return _BACKS[label]
    if label == "block" and start[1] > 9:
        return _WIDE_BLOCK
    if label == "out" and rng.random() < 0.65:
        return _QUICK_OUT
    return _BUBBLE if label == "screen" and rng.random() < 0.5 else LINES[label]


def _corners(rng: np.random.Generator, line: Line, start: np.ndarray, scale: float) -> tuple[np.ndarray, int]:
    """Corners of one man's line (K, 2), (depth, out), and which of them is his break (0 = none)."""
    points = [np.array(start[:2], float)]

    def run(heading_deg: float, yards: float) -> None:
        a = np.deg2rad(heading_deg)
        points.append(points[-1] + yards * np.array([np.cos(a), np.sin(a)]))

    if line.stem:
        mean, sd, low, high = line.stem
        depth = float(np.clip(rng.normal(mean * scale, sd), low, high))
        lean = float(np.clip(rng.normal(*line.lean), -50, 50))
        if depth - start[0] > 6 and rng.random() < 0.35:
            run(lean + rng.choice([-1, 1]) * rng.uniform(10, 35), rng.uniform(1.5, 2.8))
        run(lean, max(0.4, (depth - points[-1][0]) / np.cos(np.deg2rad(lean))))
    bend = len(points) - 1 if line.stem else int(len(line.moves) > 1)
    for heading, sd, low, high in line.moves:
        run(rng.normal(heading, sd), rng.uniform(low, high))
    out = np.array(points)
    out[:, 1] = np.minimum(out[:, 1], start[1] + start[2] - 0.7)
    return out, bend


def _on_the_ground(
    rng: np.random.Generator, lines: list[Line], start: np.ndarray, scale: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lines every STEP_YD, rounded and a little crooked (N, STEPS, 2); steps of the breaks and ends (N,)."""
    n, yards = len(lines), np.arange(STEPS) * STEP_YD
    ground, bend, last = np.empty((n, STEPS, 2)), np.zeros(n, int), np.full(n, STEPS - 1)
    for i, line in enumerate(lines):
        corners, at = _corners(rng, line, start[i], float(scale[i]))
        along = np.concatenate([[0.0], np.maximum(np.hypot(*np.diff(corners, axis=0).T), 1e-3)]).cumsum()
        width = rng.uniform(*line.round_yd) / STEP_YD
        for k in (0, 1):
            straight = np.interp(yards, along, corners[:, k])
            round_ = gaussian_filter1d(straight, width, mode="nearest")
            ground[i, :, k] = round_ + straight[0] - round_[0]
        bend[i] = min(int(along[at] / STEP_YD), STEPS - 2)
        if line.stops:
            last[i] = int(np.clip(along[-1] / STEP_YD, 1, STEPS - 1))
    sway = gaussian_filter1d(rng.normal(size=(n, STEPS, 2)), 25, axis=1)
    crooked = (sway - sway[:, :1]) / sway.std() * rng.gamma(3.0, 0.03, n)[:, None, None]
    return ground + crooked, bend, last


def _clock(
    rng: np.random.Generator,
    lines: list[Line],
    ground: np.ndarray,
    bend: np.ndarray,
    last: np.ndarray,
    tempo: np.ndarray,
    go: np.ndarray,
) -> np.ndarray:
    """(N, STEPS) when each man reaches each step of his line (s after the snap)."""
    n = len(lines)
    d = np.diff(ground, axis=1)
    far = np.maximum(np.hypot(d[..., 0], d[..., 1]), 1e-4)
    heading = np.unwrap(np.arctan2(d[..., 1], d[..., 0]), axis=1)
    curved = np.abs(np.gradient(heading, axis=1)) / np.maximum(far, 0.02)
    share = np.array([line.pace for line in lines]) * rng.normal(1, 0.08, n)
    share *= np.where(go & (rng.random(n) < JOG_SHARE), rng.uniform(0.5, 0.85, n), 1.0)
    top = np.clip(rng.normal(9.0, 0.9, n) * tempo, 6, 10.6) * np.clip(share, 0.2, 1.0)
    sideways, gain, brake = (
        np.clip(rng.normal(m, s, n), a, b)
        for m, s, a, b in ((9, 2.5, 4, 15), (9, 1.2, 6, 13), (8, 1.3, 5, 12))
    )
    step = np.arange(STEPS - 1)[None]
    v = np.minimum(top[:, None], np.sqrt(sideways[:, None] / np.maximum(curved, 1e-3)))
    wait = np.array([line.wait_s for line in lines]) * rng.random(n)
    waits = (wait > 0)[:, None] & (step == bend[:, None])
    v = np.where(step >= last[:, None], 0.02, np.where(waits, 0.1, np.maximum(v, 0.02)))
    v[:, 0] = 0.1
    for k in range(1, STEPS - 1):
        push = 2 * gain * (1 - 0.7 * v[:, k - 1] / np.maximum(top, 1)) * far[:, k - 1]
        v[:, k] = np.minimum(v[:, k], np.sqrt(v[:, k - 1] ** 2 + push + 1e-4))
    for k in range(STEPS - 3, -1, -1):
        v[:, k] = np.minimum(v[:, k], np.sqrt(v[:, k + 1] ** 2 + 2 * brake * far[:, k]))
    when = np.concatenate([np.zeros((n, 1)), np.cumsum(far / np.maximum(v, 0.02), axis=1)], 1)
    late = np.where(np.arange(STEPS)[None] > bend[:, None], wait[:, None], 0.0)
    return when + late + np.clip(rng.normal(0.15, 0.08, n), 0, 0.5)[:, None]


def _after_the_throw(rng: np.random.Generator, t_s: np.ndarray, throw_s: np.ndarray) -> np.ndarray:
    """(N, T) each man's own clock: half of them run on, others slow down or stop once they see the throw."""
    n = len(throw_s)
    notice = (throw_s + rng.gamma(3.0, 0.15, n))[:, None]
    pace = rng.choice([1.0, 0.5, 0.12], n, p=[0.5, 0.3, 0.2])[:, None]
    return np.where(t_s[None] > notice, notice + (t_s[None] - notice) * pace, t_s[None])
