"""Single routes drawn an eighth way: phases of a gait in time, not lines on the grass.

A man is released, drives, gathers, cuts, bursts, settles and looks back; each phase has a time, a speed he
tends to and a heading he turns to as fast as his speed lets him. Where he comes out is a result of that,
though half of the men count steps and the other half run to a depth. Shapes, times and shares of the kinds
are common practice, no source. Headings are in degrees: 0 = upfield, + = toward his sideline.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.ndimage import gaussian_filter1d

from models.synthetic.playsim_records import RATE_HZ
from models.synthetic.playsim_sampler import RouteSet
from models.synthetic.playsim_ways import draw_men

KEEP, EVER = float("nan"), 99.0
GRIP, SURGE, BRAKE, FASTEST = 7.0, 6.4, 9.4, 10.5
"""greatest push sideways, forward and back (yd/s^2), and speed (yd/s)"""
MOTION_SHARE = 0.04
REACTIONS, RUN_ON, EASE, DRIFT, STOP = (0.5, 0.22, 0.16, 0.12), 0, 1, 2, 3
# fmt: off
PACE = {
    "go": 1.0, "wheel": 1.04, "post": 0.93, "corner": 0.98, "deep_cross": 1.01, "shallow_cross": 1.0,
    "in": 0.87, "hitch": 0.9, "hook": 0.84, "curl": 0.88, "comeback": 0.95, "out": 0.88, "slant": 0.81,
    "flat": 0.76, "angle": 0.66, "swing": 0.74, "screen": 0.7, "checkdown": 0.68, "block": 0.7,
}
"""speed of a route as a share of the man's best"""
BOOK = {
    "hitch": ["85 stem 5.2~1 0~3, stop -115:-168 -.6:.4", "15 stem 5~1 0~5, stop 95:160"],
    "hook": ["50 stem 5.8~.8 -2~8, stop +-95:165", "50 stem 8.1~1.5 0~8, stop +-95:165 .1:.5"],
    "curl": ["75 stem 10.7~1.1 0~5, stop -112:-158 .3:.9", "25 stem 10.5~1 8:18, stop -105:-150 .3:.9"],
    "comeback": ["100 stem 12.7~1.1 2~4, stop 110:150 .5:1.1"],
    "out": ["40 stem 1.7~.8 0~5 .9, hard 92~9 2.5:5.5 .95", "22 stem 3.8~1 0~4 .9, hard 93~8 4.6:5.4 .95",
            "20 stem 5~1.2 -9~6, hard 91~10 2:3.8 .95", "18 stem 9.2~1.2 0~4, hard 93~9 2.2:4 .95"],
    "in": ["30 stem 5.4~1 0~4, hard -80~9 2:4.5", "30 stem 9.3~1.3 0~4, hard -86~7 2:4",
           "23 stem 9~1.3 2~5, hard -60~7 3:5.2", "7 stem 12~1 0~4, hard -84~7 2.5:4",
           "10 stem 8.3~1.2, cut 15:40 4 0, hard -80~9 2:4"],
    "slant": ["50 drive 1.3~.8 2~7 .8, hard -53~9 2.5:5.8", "20 release 1, go .3:.6 0 .6, hard -58~9 2:4",
              "30 drive 1.2~.7 4 .8, cut 8:40 1.5:3.5 0, hard -52~8 2.5:4.5"],
    "flat": ["45 go .9:1.9 82~12 .8:1, burst 56~16 .95", "20 wait .3:1.1, go .8:1.6 78~11 .9, burst 54~18",
             "15 go .3:.5 10:55 .7, go .7:1.5 76~8 1, burst 66~13",
             "20 go .9:1.7 80~13 .9, go .3:.7 60:95 .4, settle 70:150"],
    "shallow_cross": ["40 go .4:1.1 -70~11 .9, hard -87~6 5:6.5", "30 drive .8~.7 -12~9 .8, hard -88~6 3:5",
                      "15 stem 2.4~.9 -5~7, hard -87~7 2.5:4.4",
                      "15 drive 1.2~1 -20~14 .8, cut -87~6 4.5, go .5:1.4 keep .8, gather 1, settle -130~20"],
    "deep_cross": ["40 stem 3.4~1.2 -8~8 1 -1, go .55:1.1 -46~7 1 .4, hard -79~6 6:7",
                   "35 stem 7.4~1.4 -9~6, hard -80~6 4:6.5", "25 stem 6.2~1.2 -15~7, hard -68~6 5:6.5"],
    "post": ["40 stem 6.9~1.6 3~4, hard -31~5 4:5.8", "28 stem 6.4~1.5 2~4, hard -20~3 4.8:6",
             "20 stem 6.6~1.4, cut 10:28 4.5:6 0, hard -30~6 4.5:6",
             "12 stem 6.4~1, go .4:.7 30:45 .75, hard -30~6 4:5.2"],
    "corner": ["45 stem 7.4~1.4 0~4, hard 52~6 3.8:5.4", "20 stem 8.2~1.4 0~4, hard 61~6 3.2:4.9",
               "20 stem 7~1.2 -7~5, hard 50~6 4:5.6",
               "15 stem 6.4~1, go .3:.6 -18:-32 .75, hard 50~6 3.6:4.9"],
    "go": ["42 release -.35:1, go .9:1.6 fade 1, go ever fade 1.1 1", "12 go 1.5:2.6 fade 1, go ever 12~9 .6",
           "16 release, go 1.2 3~5 1, go ever 5~7 1.1 .9", "17 release, go 1:2 fade .5:.8, go ever 9~9 .5",
           "13 release, go .8:1.5 4~6 1, gather 2:4.5, go ever fade 1.1 .5"],
    "wheel": ["60 go 1:1.6 70~10 .9, cut 25:45 6, go .5:1 15:38 1, go ever 9~7 1.1 .8",
              "40 drive 1.5~1 5:50 .9, go .8:1.3 74~8 .85, cut 15:35 5, go ever 9~7 1.1 .8"],
    "angle": ["30 wait .2:.6, go .7:1.3 52~11 .8:1, gather 1.2:2.5, cut -46~13 1.6:3, burst -44~14 .75:1 10",
              "70 go .7:1.5 52~11 .8:1, gather 1.2:2.5, cut -46~13 1.6:3, burst -44~14 .75:1 10"],
    "swing": ["100 go .5:.9 103~13 .8, go .6:1.2 72:95 .95 .7, go .6:1.2 38:72 .8:1 .8, go ever 8:70 .4:1 1"],
    "screen": ["45n wait .5:1.3, go .6:1.4 75:112 .7:1.1, go .3:1 keep .05:.3, go ever 15~40 .2:1 .4",
               "35n wait .5:1.3, go .6:1.4 -75:-112 .7:1.1, go .3:1 keep .05:.3, go ever -15~40 .2:1 .4",
               "20n go .8:1.5 85:120 .7:1.1, go .3:1 keep .05:.3, go ever 15~40 .2:1 .4",
               "30w go .5:.8 105:128 1, go .5:.9 82:98 1, go ever 20:70 1.1",
               "35w go .35:.65 5~8 .7, gather .9, go .5:1 -102:-145 .6:1, go ever -50:-95 .5:1.1 .6",
               "35w go .3:.6 -40:20 .2:.5, go .7:1.3 -110:-165 .1:.3, go ever -10~40 .05:.8"],
    "checkdown": ["75 wait .5:1.5, drive .8~2 ball .8:1, gather .6:1.8, settle +-90:165",
                  "25 drive 2~2 ball .8:1, gather .6:1.8, settle +-90:165"],
    "block": ["50b go .4:1 0~45 .15:.5, mirror", "50b go .2:.6 +-40:85 .2:.6, mirror",
              "50e go .4:1 150~25 .15:.45, mirror", "50e go .5:1 -5~25 .2:.5, mirror",
              "50w go .6:1.4 -5~18 .3:.9, mirror"],
}
# fmt: on
"""Kinds of every route: share, who runs it (b back, e end, n either, w wide man; none: all), and his phases.
a~b is normal with sd b, a:b even, +- either sense; methods of `_Man` say what the figures are."""


class Phase(NamedTuple):
    """One phase of a gait. It ends after `s` seconds, or where his depth passes `depth`; then comes the next.

    head: heading turned to within `turn` seconds (NaN: as it is). v: speed tended to with the time constant
    `tau`. mark: 1 = the main break begins here.
    """

    s: float
    head: float
    v: float
    tau: float = 0.5
    turn: float = 0.35
    depth: float = float("nan")
    mark: float = 0.0


class _Man:
    """A man before the snap: where he stands, how fast he is, whether he counts steps; and his phases."""

    def __init__(self, rng: np.random.Generator, start: np.ndarray, top: float, tempo: float) -> None:
        self.rng, self.top, self.tempo, self.counts = rng, top, tempo, rng.random() < 0.5
        self.depth, self.out, self.room, self.number = (float(x) for x in start)
        self.who = "bn" if self.number == 0 else "en" if self.out < 6 else "w"

    def gait(self, label: str) -> list[Phase]:
        """All phases of one kind of a route."""
        kinds = [k.split(" ", 1) for k in BOOK[label]]
        share = np.cumsum([float(s.rstrip("bnew")) * (s[-1] in self.who + "0123456789") for s, _ in kinds])
        kind = kinds[int(np.searchsorted(share, self.rng.random() * share[-1], "right"))][1]
        phases = [Phase(self.g(0.12, 0.06), KEEP, 0.0, 0.2)]
        for name, *figures in (x.split() for x in kind.split(", ")):
            phases += getattr(self, name)(*(self.figure(f) for f in figures))
        return phases

    def figure(self, text: str) -> float:
        """A figure of the book."""
        if text.startswith("+-"):
            return self.sign() * self.figure(text[2:])
        if "~" in text or ":" in text:
            a, b = (float(x) for x in text.replace("~", ":").split(":"))
            return self.g(a, b) if "~" in text else self.u(a, b)
        if text == "fade":  # by the room he has
            return max(0.0, self.g(0.65, 0.35)) * min(32.0, 3.2 * self.room)
        if text == "ball":  # over the ball, or wide of it
            return float(np.degrees(np.arctan2(self.u(-2.5, 2.5) - self.out, 5.5))) + self.g(4, 14)
        return {"keep": KEEP, "ever": EVER}[text] if text in ("keep", "ever") else float(text)

    def sign(self) -> float:
        return 1.0 if self.rng.random() < 0.5 else -1.0

    def u(self, a: float, b: float) -> float:
        return a + (b - a) * float(self.rng.random())

    def g(self, middle: float, sd: float) -> float:
        return middle + sd * min(2.2, max(-2.2, float(self.rng.standard_normal())))

    def release(self, way: float = 0.0) -> list[Phase]:
        """His way off the line. way: sense of a rip (+ out), 0 = either."""
        s, x, u = float(np.sign(way)) or self.sign(), self.u(0, 1.0 if self.number == 1 else 1.3), self.u
        if x < 0.14:  # stutter
            return [Phase(u(0.2, 0.4), 0, u(2.5, 4), 0.4), Phase(u(0.1, 0.3), 0, u(0.8, 2), 0.2)]
        if x < 0.24:  # foot fire
            a, v = u(40, 75), u(1.2, 2.4)
            return [Phase(u(0.12, 0.22), b, v, 0.25, 0.1) for b in (s * a, -s * a, s * a)]
        rip = Phase(u(0.3, 0.5), s * u(25, 60), u(3, 4.5), 0.45, 0.15)
        return [rip, Phase(u(0.15, 0.35), -s * u(0, 15), u(4.5, 6), 0.5, 0.3)] if x < 0.45 else []

    def stem(self, depth: float, lean: float = 0.0, share: float = 1.0, way: float = 0.0) -> list[Phase]:
        gait = self.release(way)
        return gait + self.drive(depth, lean, share, sum(x.s for x in gait))

    def drive(self, depth: float, lean: float, share: float = 1.0, late: float = 0.0) -> list[Phase]:
        """So many steps of a common man, or to a depth. late: s lost at the line."""
        v, tau, rest = self.top * share, self.g(0.75, 0.14), max(0.5, depth - self.depth)
        if not self.counts:
            at = self.depth + rest - min(0.17 * v, 0.3 * rest) + self.g(0, 0.35)
            return [Phase(5.0, lean, v, tau, 0.3, at)]
        steps = max(2, round((rest / 6.6 + 0.62 * (1 - np.exp(-rest / 2.0))) / 0.25))
        return [Phase(max(0.3, 0.25 * self.tempo * steps - 0.85 * late + self.g(-0.2, 0.05)), lean, v, tau)]

    def go(self, s: float, head: float, share: float, turn: float = 0.2) -> list[Phase]:
        return [Phase(s, head, self.top * share, 0.65, turn)]

    def gather(self, v: float) -> list[Phase]:
        return [Phase(self.u(0.14, 0.2) + 0.03 * max(0.0, self.top - v), KEEP, v, self.u(0.07, 0.16))]

    def cut(self, head: float, v: float, mark: float = 1.0) -> list[Phase]:
        return [Phase(self.u(0.25, 0.45), head, v, 0.2, self.u(0.15, 0.35), mark=mark)]

    def burst(self, head: float, share: float = 1.0, bend: float = 8.0) -> list[Phase]:
        """Out of the cut, and then on: held, looking back, or slowing in a window."""
        v, x = self.top * share, self.rng.random()
        last = v * (1.0 if x < 0.5 else self.u(0.75, 0.95) if x < 0.83 else self.u(0.3, 0.7))
        on = Phase(EVER, head + self.g(0, bend), last, 0.5, 1.0)
        return [Phase(self.u(0.7, 1.7), head, v, self.u(0.4, 0.7)), on]

    def hard(self, head: float, v: float, share: float = 1.0) -> list[Phase]:
        """Gather, cut and burst; below 5 yd/s he sinks first."""
        return (self.gather(v) if v < 5 else []) + self.cut(head, v) + self.burst(head, share)

    def settle(self, head: float) -> list[Phase]:
        """Faces the ball: drifts back, shuffles aside, stands."""
        back = Phase(self.u(0.3, 0.7), head, self.u(0.4, 1.8), 0.3, 0.3)
        aside = Phase(self.u(0.5, 1.5), self.sign() * self.u(70, 110), self.u(0.1, 1.6), 0.4, 0.4)
        return [back, aside, Phase(EVER, head, self.u(0.0, 0.8), 0.5)]

    def stop(self, head: float, s: float = 0.0) -> list[Phase]:
        """Turns to the ball, works back for s seconds, settles."""
        back = [Phase(s, head, self.u(2.0, 4.2), 0.35)] if s > 0 else []
        return self.gather(self.u(0.6, 2.0)) + self.cut(head, self.u(0.6, 1.6)) + back + self.settle(head)

    def wait(self, s: float) -> list[Phase]:
        """Short steps in place, as if blocking."""
        up = Phase(0.4 * s, self.g(0, 40), self.u(0.6, 2.4), 0.3, 0.1)
        return [up, Phase(0.6 * s, self.g(0, 80), self.u(0.1, 1.0), 0.3, 0.2)]

    def mirror(self) -> list[Phase]:
        return [Phase(self.u(0.3, 0.9), self.u(-180, 180), self.u(0, 1.6), 0.3, 0.2) for _ in range(6)]


def sample_gaits(seed: int, n: int, prior: dict[str, float] | None = None) -> RouteSet:
    """Draw n routes, each a chain of gait phases. prior: share of every label (None: as usual)."""
    men = draw_men((seed, 71), n, prior, None)
    rng, label, group, start = men.rng, men.label, men.group, men.start
    tempo = np.clip(rng.normal(1.0, 0.06, int(group.max()) + 1), 0.84, 1.18)[group]
    best = np.clip(rng.normal(8.2, 0.85, n), 5.8, 9.7) / np.sqrt(tempo)
    top = best * np.array([PACE[str(x)] for x in label])
    gaits = [_Man(rng, start[i], float(top[i]), float(tempo[i])).gait(str(label[i])) for i in range(n)]
    phases = np.zeros((n, max(len(x) for x in gaits), len(Phase._fields)))
    for row, gait in zip(phases, gaits, strict=True):
        row[: len(gait)] = gait
        row[len(gait) - 1 :, 0] = np.inf
    return men.ran(*_Field(rng, men.t_s, start, men.throw_s, group).run(phases))


class _Field:
    """All men at once: their noise and reactions, drawn before they run, and the run."""

    def __init__(
        self, rng: np.random.Generator, t: np.ndarray, start: np.ndarray, throw: np.ndarray, group: np.ndarray
    ) -> None:
        n = len(throw)
        loose = rng.gamma(4.0, 0.25, (n, 1))
        noise = [gaussian_filter1d(rng.normal(size=(n, len(t))), s * RATE_HZ) for s in (0.3, 1.0, 0.3)]
        self.t, self.start = t, start
        self.wander, self.surge = loose * (17 * noise[0] + 31 * noise[1]), 1.7 * loose * noise[2]
        stride = 2 * np.pi * rng.uniform(1.2, 1.9, (n, 1)) * t + rng.uniform(0, 6.28, (n, 1))
        self.sway = rng.uniform(0.01, 0.06, (n, 1)) * np.sin(stride)
        self.notice, self.ease = throw + rng.uniform(0.3, 0.6, n), rng.uniform(0.35, 0.85, n)
        first = np.searchsorted(group, group)
        self.target = np.minimum(first + rng.integers(0, 5, int(group.max()) + 1)[group], n - 1)
        self.react = np.where(self.target == np.arange(n), RUN_ON, rng.choice(4, n, p=REACTIONS))
        self.side, speed = rng.choice([-1.0, 1.0], n), rng.choice([-1.0, 1.0], n) * rng.uniform(1.5, 5.0, n)
        self.moving = np.where(rng.random(n) < MOTION_SHARE, speed, 0.0)

    def run(self, phases: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Paths (N, T, 2) and times (N,) at which the main break began."""
        n, snap, h = len(phases), int(np.searchsorted(self.t, 0.0)), np.nan_to_num(phases[:, 1, 1])
        rows, k, since = np.arange(n), np.zeros(n, int), np.zeros(n)
        moving = np.where(np.abs(h) > 45, np.abs(self.moving) * np.sign(h), self.moving)
        phases[moving != 0, 0, 0] = 0.0
        pos, v, push = self.start[:, :2].copy(), np.abs(moving), np.zeros(n)
        h = np.where(moving == 0, h, 90 * np.sign(moving))
        path, broke, h0, goal = np.empty((n, len(self.t), 2)), np.full(n, np.nan), h.copy(), h.copy()
        path[:, : snap + 1] = pos[:, None]
        path[:, : snap + 1, 1] += moving[:, None] * self.t[: snap + 1]
        for i in range(snap + 1, len(self.t)):
            now, p = float(self.t[i - 1]), phases[rows, k]
            aware = now >= self.notice
            over = (now - since >= p[:, 0] - 1e-9) | (pos[:, 0] >= p[:, 5])
            done = over & ~(aware & (self.react >= DRIFT)) & np.isfinite(p[:, 0])
            k = k + done
            p = phases[rows, k]
            since, h0 = np.where(done, now, since), np.where(done, h, h0)
            turn = (np.where(np.isnan(p[:, 1]), h0, p[:, 1]) - h0 + 180) % 360 - 180
            goal = np.where(done, h0 + turn, goal)
            broke = np.where(done & (p[:, 6] > 0), now, broke)
            u = np.clip((now - since) / p[:, 4], 0, 1)
            aim = h0 + (goal - h0) * u * u * (3 - 2 * u) + self.wander[:, i]
            want = p[:, 2] + self.surge[:, i] * np.minimum(1.0, p[:, 2] / 3)
            aim, want = self.inside(pos, h, v, *self.after_throw(aware, pos, h, aim, want))
            most = np.rad2deg(GRIP) / np.maximum(v, 1.0)
            h = h + np.clip(9.0 * (aim - h), -most, most) / RATE_HZ
            pull = SURGE * np.clip(2.2 - v / 5.0, 0.05, 1.0)
            push = push + 0.45 * (np.clip((want - v) / p[:, 3], -BRAKE, pull) - push)
            v, r = np.clip(v + push / RATE_HZ, 0.0, FASTEST), np.deg2rad(h)
            pos = pos + v[:, None] * np.stack([np.cos(r), np.sin(r)], 1) / RATE_HZ
            lean = self.sway[:, i] * np.minimum(1.0, v / 5)
            path[:, i] = pos + lean[:, None] * np.stack([-np.sin(r), np.cos(r)], 1)
        return path.astype(np.float32), broke

    def after_throw(
        self, aware: np.ndarray, pos: np.ndarray, h: np.ndarray, aim: np.ndarray, want: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Heading and speed once the ball is seen in the air: on, easing off, to the ball, or no more."""
        way = pos[self.target] * np.stack([np.ones(len(pos)), self.side], 1) - pos
        bearing, far = np.rad2deg(np.arctan2(way[:, 1], way[:, 0])), np.hypot(way[:, 0], way[:, 1])
        drift, rest = aware & (self.react == DRIFT), aware & (self.react == STOP)
        want = np.where(drift, np.minimum(6.5 * self.ease, 0.8 * far), np.where(rest, 1.2 * self.ease, want))
        want = np.where(aware & (self.react == EASE), want * self.ease, want)
        return np.where(drift, h + (bearing - h + 180) % 360 - 180, aim), want

    def inside(
        self, pos: np.ndarray, h: np.ndarray, v: np.ndarray, aim: np.ndarray, want: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Heading and speed that keep him in play: near his sideline he turns up, or slows."""
        left, r = self.start[:, 1] + self.start[:, 2] - pos[:, 1], np.deg2rad(h)
        near = (np.sin(r) > 0.05) & (left < 0.6 + 0.75 * v**2 / GRIP * (1 - np.abs(np.cos(r))))
        up = near & (np.abs((aim + 180) % 360 - 180) < 100)
        aim = np.where(up, h - ((h + 180) % 360 - 180), aim)
        return aim, np.where(up, np.minimum(want, 5.5), np.where(near, 0.4, want))
