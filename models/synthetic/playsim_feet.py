"""Single routes drawn a sixth way, for checks only, never for training: every man runs on his own two feet.

A man takes discrete steps of about 0.2 s. With each step he pushes himself from the velocity that he has
toward one that he wishes for, as far as one push goes: so fast ahead, harder in braking, so far aside (better
off the outer foot, better when slow). What he wishes for comes from his mind, a list of intentions (`MINDS`)
that look at where he is and how fast, at his coach's habits and at the coverage. No way-point, curve or
time-table is drawn; the path is what the feet make of it.
Shapes, depths and habits: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from random import Random

import numpy as np

from models.synthetic.playsim_sampler import AFTER_S, BEFORE_S, RouteSet
from models.synthetic.playsim_ways import draw_men

Wish = tuple[float, float]
"""heading (degrees, 0 = upfield, + = toward his sideline) and speed (yd/s)"""
ACCELERATE, BRAKE, ASIDE = 5.8, 9.0, 14.0
"""limits of a push, yd/s^2"""
PUSH_SHARE, MOTION_SHARE, FIELD_YD = 0.75, 0.04, 160 / 3
"""part of a step in which the foot pushes; men in motion at the snap; width"""
MINDS = """
hitch any 10: pace .72 .88; off; halt 5.1 1 3.2 8; home .3 2.2
hitch any 3: pace .6 .75; halt 5 .8 3 7; maybe .5; run 90 30 .5 2
hook any 6: pace .72 .9; off; halt 7.2 1.4 6 12; home .2 2
hook any 4: pace .7 .9; off; lean 0 12; halt 7.4 1.4 6 12; zone .6; run -90 15 1 3
curl any 6: pace .84 .98; off; halt 11.4 1.1 10 14; home 1.5 5
curl any 3: pace .82 .95; off; stem 8 .8 7 10; lean -16 7; halt 11.6 .9 10 14; home 1 3.5
comeback any 6: pace .9 1; off; halt 13.6 1.1 12 16; pace .5 .66; run 128 10 2.5 6; maybe .6; sit; on
comeback any 3: pace .88 1; off; lean 4 5; halt 12.6 .8 12 15; pace .55 .7; run 112 9 3 6; on
out back 1: pace .6 .75; off; stem 2.6 .9 1.8 5; cut 86 8 .6; on
out front 10: pace .66 .8; stem 2.6 .8 1.6 5; cut 80 9 .25; maybe .4; pace .72 .9; on
out front 7: pace .74 .86; off; stem 5.4 1 4 8; cut 87 7 .8; on
out front 5: pace .84 .95; off; stem 10 1 8.5 12; maybe .3; fake -20 -40; pace .7 .84; cut 92 8 .9; on
out front 1.2: pace .55 .72; run -40 10 2.5 4.5; cut 88 8 1; on
in any 10: pace .68 .84; off; stem 5.8 .9 4.6 8.5; cut -74 8 .5; zone .25; keep 3 7; on
in any 8: pace .76 .88; off; stem 9.8 1.5 8.5 15; pace .6 .78; cut -74 9 .7; on
in any 3: pace .78 .9; off; stem 10 1.4 8 14; fake 20 45; pace .6 .76; cut -72 9 .5; on
in any 3: pace .76 .88; off; stem 10.4 1.4 9 15; pace .55 .72; cut -80 9 .6; keep 2 7
slant any 7: pace .58 .76; stem 1.2 .7 .6 3.5; cut -50 7 .5; on
slant any 2: pace .54 .7; off; stem 1.6 .7 1 4; fake 20 35; cut -50 7 .6; on
slant any 5: pace .6 .76; stem 1.2 .7 .6 3; cut -52 7 .5; keep 2 4; pace .15 .5; on -72 16
post any 5: pace .7 .86; off; stem 5.4 .7 5.3 8; cut -25 5 .6; on
post any 6: pace .74 .91; off; stem 6.8 1.5 5.4 13; cut -29 5 .6; keep 3 7; pace .62 .94; on -25 9
post any 3: pace .78 .92; off; stem 6.6 1.3 5.5 12; fake 18 38; cut -28 5 .4; on
corner any 5: pace .84 .95; off; stem 7 .7 6.2 10; cut 53 5 .6; on
corner any 6: pace .86 .98; off; stem 8.4 1.3 6.6 13; cut 50 5 .6; keep 4 9; on 53 9
corner any 4: pace .86 .97; off; stem 7.2 1.2 6.4 12; fake -15 -32; cut 52 6 .4; on
go wide 8: pace .93 1.03; off; run 23 9 7 13; keep 4 10; on 13 7
go any 5: pace .92 1.03; off; run 13 9 5 10; on 10 6
go any 3: pace .5 .76; off; run 17 10 6 14; on 14 8
go any 1: pace .86 1; off; run 8 6 4 8; pace .45 .6; keep 1.5 2.5; pace .92 1; on 7 5
go any 2: pace .92 1; run 32 7 3 8; keep 2 5; on 12 6
shallow_cross any 5: pace .84 .98; lean -54 11; level 2.8 1.4 1 5.6
shallow_cross front 4: pace .8 .96; off; stem 1.2 .7 .4 2.5; cut -74 9 .2; level 2.7 1.2 1.2 5
deep_cross any 6: pace .86 1; off; stem 4 1.6 2 8; cut -54 7 .15; level 11.5 2 8.5 15.5
deep_cross any 4: pace .84 1; lean -16 8; stem 8 1.5 6 12; cut -66 7 .3; level 12 1.8 8.5 15.5
deep_cross any 2: pace .8 .95; lean -42 7; level 11 1.8 8.5 15
flat back 5: maybe .4; wait .1 .5; pace .6 .76; to 56 10 -3 2; mark; run 86 7 1 4; pace .1 .5; on 60 22
flat back 4: wait .2 .7; pace .58 .76; run 82 9 3 6; mark; pace .1 .5; on 60 20
flat back 5: wait .4 1.1; pace .6 .76; to 64 12 -3 1.5; mark; run 86 7 2 6; pace .2 .5; on 80 20
flat front 5: pace .62 .8; to 62 12 .2 3.4; mark; run 86 7 2 6; pace .1 .5; on 75 15
flat front 4: pace .62 .78; run 0 14 .8 2; run 76 8 3 7; mark; pace .1 .5; on 80 15
swing any 5: pace .52 .7; run 112 9 1.5 3.5; arc 58 5 9
swing any 4: wait 0 .5; pace .52 .7; run 96 8 2 5; arc 30 4 8
wheel back 1: pace .86 1; wide 62 7 5 9; mark; pace 1 1.05; arc 14 10 20; on 6 5
wheel front 1: pace .7 .88; stem 1.4 .8 .4 3; wide 66 7 4 7; mark; pace 1 1.05; arc 12 10 20; on 6 5
angle back 5: maybe .7; wait .3 1; pace .42 .58; to 52 9 -3.6 -.5; cut -44 11 .8; keep 4 10; maybe .4; sit; on
angle back 2: pace .45 .6; wide 72 8 2.5 4.5; cut -36 10 .8; on -52 16
angle front 1: pace .5 .6; to 50 9 .4 2; cut -52 11 .8; keep 3 8
screen inner 6: wait .5 1.3; mark; pace .42 .62; run 92 16 1.5 5; maybe .3; on 40 20
screen inner 2: wait .5 1.3; mark; pace .42 .62; run -92 12 2 5
screen wide 4: pace .5 .72; run 100 9 3 6; on 66 16
screen wide 4: pace .5 .65; run 0 10 .4 2; mark; run -108 11 2 5
screen wide 3: pace .3 .5; maybe .4; run 0 15 .4 1.2; mark; run 175 25 .8 2
checkdown any 1: wait .5 1.4; pace .46 .64; to 9 24 .5 4.5
block back 5: pace .18 .42; run 15 35 .5 3; jostle
block inner 2: pace .14 .28; run 150 28 .5 2.2; jostle
block wide 1: pace .4 .65; run -4 18 2 8; jostle
"""
"""label, who (back, front, inner = back or tight, wide), weight: moves of `_Man`; to sit down comes last"""


def _heading(up: float, aside: float) -> float:
    return math.degrees(math.atan2(aside, up))


class _Play:
    """What the men of one play share: coverage, the sticks, and their coach's habits."""

    def __init__(self, r: Random) -> None:
        self.zone, self.press = r.random() < 0.6, r.random() < 0.35
        self.sticks = r.triangular(2.0, 15.0, 9.0) if r.random() < 0.3 else -99.0
        self.depth, self.angle, self.tempo = r.gauss(1, 0.07), r.gauss(0, 4), r.gauss(1, 0.04)
        self.chop, self.ball = r.random(), (r.triangular(-3, 30, 5), r.gauss(0, 11))


class _Man:
    """A runner: where he is, how fast, what he can. His moves yield what he wishes for at each step."""

    def __init__(self, r: Random, play: _Play, start: np.ndarray, throw_s: float) -> None:
        self.r, self.play, self.some, self.gauss = r, play, r.uniform, r.gauss
        self.depth, self.out, self.room, number = (float(x) for x in start)
        self.out0, back, tight = self.out, number == 0, number > 0 and self.out < 6.5
        self.who = {"any", "back" if back else "front", "inner" if back or tight else "wide"}
        self.top = min(10.3, max(7.2, r.gauss(8.2, 0.6) if back or tight else r.gauss(9.0, 0.7)))
        self.fast = self.top * min(1.0, max(0.8, r.gauss(0.95, 0.06) * play.tempo))
        self.body, self.cadence, self.foot = r.gauss(1, 0.09), r.uniform(0.19, 0.25), r.choice((-1, 1))
        self.t, self.wander, self.break_s, self.v = 0.0, 0.0, math.nan, 0j
        if not tight and r.random() < MOTION_SHARE:
            self.v = 1j * r.choice((-1, -1, 1)) * r.uniform(1.5, 5.5)
        self.heading, self.speed = r.gauss(0, 5), 0.8 * self.fast
        self.notice_s, self.turns_up = throw_s + r.uniform(0.3, 0.6), r.random() < 0.7
        self.after = r.choices(("on", "ease", "ball", "stop", "catch"), (48, 18, 16, 10, 8))[0]

    def drawn_depth(self, mean: float, sd: float, low: float, high: float) -> float:
        d = self.gauss(mean, sd) * self.play.depth
        if abs(self.play.sticks - d) < 2:
            d = self.play.sticks + self.some(-0.3, 1.0)
        return min(high + self.some(0, 0.5), max(low - self.some(0, 0.5), d))

    def until(self, done: Callable[[], bool]) -> Iterator[Wish]:
        while not done():
            yield self.heading, self.speed

    def lasts(self, s: float, heading: float, speed: float) -> Iterator[Wish]:
        end = self.t + s
        while self.t < end:
            yield heading, speed

    def act(self, move: str, x: list[float]) -> Iterator[Wish]:
        at, draw, chance = (self.depth, self.out), self.some(*x[-2:]) if len(x) > 1 else 0.0, self.r.random()
        if move == "home":
            self.heading = _heading(-6 - self.depth, -self.out) + self.gauss(0, 14)
            self.speed = self.some(2.8, 5.5)
        if move in ("run", "to", "wide", "lean") or (move == "on" and x):
            self.heading = self.gauss(*x[:2])
        match move:
            case "pace":
                self.speed = draw * self.fast
            case "mark":
                self.break_s = self.t
            case "run" | "keep" | "home":
                yield from self.until(lambda: math.dist(at, (self.depth, self.out)) > draw)
            case "to":
                yield from self.until(lambda: self.depth > draw or self.out - self.out0 > 11)
            case "wide":
                yield from self.until(lambda: self.out - self.out0 > min(draw, self.room - 4))
            case "wait":
                yield from self.lasts(draw, self.some(-60, 60), self.some(0.2, 1.8))
            case "fake":
                yield from self.lasts(self.some(0.25, 0.5), draw, self.speed)
            case "arc":
                while self.heading > x[0]:
                    self.heading -= draw
                    yield self.heading, self.speed
            case "on":  # to the end, most with less zeal once it takes long
                yield from self.lasts(self.some(3.2, 6.0) - self.t, self.heading, self.speed)
                yield from self.lasts(9, self.heading, self.some(0.3, 0.9) * self.speed)
            case "jostle":
                while True:
                    yield from self.lasts(self.some(0.3, 0.9), self.gauss(180, 80), self.some(0, 1.2))
            case "cut":  # chop the feet (a share of the cuts: x[2]), plant, turn
                for _ in range(self.r.choice((1, 1, 2)) * (chance < x[2] * (0.5 + self.play.chop))):
                    yield _heading(self.v.real, self.v.imag), 0.62 * abs(self.v)
                self.break_s, self.heading = self.t, self.gauss(*x[:2]) + self.play.angle
                yield from self.lasts(0.2, self.heading, self.speed)

    def off(self) -> Iterator[Wish]:
        """Past whoever is in the way, or out of the backfield around the tackle."""
        kind, side, edge = self.r.random(), self.r.choice((-1, 1)), self.out0 + self.some(2.5, 4.5)
        while "back" in self.who and self.depth < -0.5:
            yield max(10.0, _heading(0.8 - self.depth, edge - self.out)), self.speed
        if "front" in self.who and self.play.press and kind < (0.5 if "wide" in self.who else 0.3):
            yield from self.lasts(self.some(0.3, 0.6), side * self.some(30, 70), self.some(1.6, 3.2))
            yield from self.lasts(self.some(0, 0.5), -side * self.some(0, 40), self.some(1, 2.8))
        elif kind > 0.78:
            yield from self.lasts(self.some(0.4, 0.9), side * self.some(10, 30), 0.9 * self.speed)
        elif kind > 0.73:
            yield from self.lasts(self.some(0.3, 0.6), 0.0, self.some(1, 2.5))

    def climb(self, halt: bool, drawn: list[float]) -> Iterator[Wish]:
        """stem: up to a depth, a few in a weave. halt: up and to a stand there, his break."""
        depth = self.drawn_depth(*drawn) - 0.5
        if depth > 8 and self.r.random() < 0.15:
            yield from self.until(lambda: self.depth > 0.4 * depth)
            weave = self.heading + self.r.choice((-1, 1)) * self.some(10, 22)
            yield from self.lasts(self.some(0.3, 0.6), weave, self.speed)
        yield from self.until(lambda: self.depth + halt * (max(0.0, self.v.real) ** 2 / 19 - 0.5) > depth)
        while halt and abs(self.v) > 1.6:
            yield self.heading, 0.0
        self.break_s = self.t if halt else self.break_s

    def level(self, *drawn: float) -> Iterator[Wish]:
        """Climb to a level and cross at it, around the traffic; in zone some sit down in a hole."""
        level, flat, far = self.drawn_depth(*drawn), -self.gauss(87, 4), self.out - self.some(8, 18)
        yield from self.until(lambda: self.depth > level - 0.7)
        self.break_s = self.t if math.isnan(self.break_s) else self.break_s
        sits = self.r.random() < (0.22 if self.play.zone else 0.04)
        while not sits or self.out > far:
            bend = self.some(-28, 28) if self.t < 3 and self.r.random() < 0.3 else 0.0
            trim = 8 * max(-2.0, min(2.0, self.depth - level))
            yield from self.lasts(self.some(0.3, 0.6), flat + bend - trim, self.speed)

    def sit(self) -> Iterator[Wish]:
        """Stand in a window, face the passer, drift with him and with the defenders."""
        while True:
            way = self.r.choices((_heading(-6 - self.depth, -self.out), -90.0, 90.0, 0.0), (5, 3, 2, 1))[0]
            pace = self.r.choice((0.0, self.some(0.2, 1.0), self.some(0.6, 2.0)))
            yield from self.lasts(self.some(0.3, 1.0), way + self.some(-20, 20), pace)


def _mind(m: _Man, label: str, minds: list[tuple[list[str], list[list[str]]]]) -> Iterator[Wish]:
    """One of the lines that fit him, move by move; to sit is what is left at the end."""
    fit = [line for line in minds if line[0][0] == label and line[0][1] in m.who]
    moves = iter(m.r.choices(fit, [float(line[0][2]) for line in fit])[0][1])
    for move, *text in moves:
        x = [float(k) for k in text]
        if move in ("maybe", "zone"):
            if m.r.random() > x[0] * (0.3 if move == "zone" and not m.play.zone else 1.0):
                next(moves)
        elif move in ("off", "level", "sit"):
            yield from getattr(m, move)(*x)
        else:
            yield from m.climb(move == "halt", x) if move in ("stem", "halt") else m.act(move, x)
    yield from m.sit()


def _reaction(m: _Man, wish: Wish) -> Wish:
    """What becomes of a wish once he has seen the throw."""
    since, there = m.t - m.notice_s, m.play.ball
    if since < 0 or m.after == "on":
        return wish
    if m.after in ("ease", "stop"):
        return wish[0], wish[1] * max(0.35 if m.after == "ease" else 0.0, 1 - since)
    if m.after == "catch":
        return (0.2 * wish[0], 0.85 * m.fast) if since > 0.7 else wish
    speed = min(0.65 * m.fast, 0.9 * math.dist(there, (m.depth, m.out)))
    return _heading(there[0] - m.depth, there[1] - m.out), speed


def _push(m: _Man, wish: Wish, dt: float) -> complex:
    """Change of velocity (up, aside) in one step toward the wish; at a side line he turns up, or stops."""
    m.wander = 0.7 * m.wander + m.r.gauss(0, 2.4)
    course, speed = math.radians(wish[0] + m.wander), min(m.top, wish[1] * m.r.gauss(1, 0.03))
    up, left = speed * math.cos(course), m.room - (m.out - m.out0) - 0.6
    aside = max((left + 1.2 - FIELD_YD) / 0.6, min(left / 0.6, speed * math.sin(course)))
    if aside < speed * math.sin(course) and m.turns_up and up > 0.35 * speed:
        up = max(up, 0.9 * math.sqrt(max(0.0, speed**2 - aside**2)))
    change, v = complex(up, aside) - m.v, abs(m.v)
    ahead = ACCELERATE * m.body * max(0.05, 1.0 - (v / (1.04 * m.top)) ** 1.8) * dt
    if v < 0.8:
        return change * min(1.0, ahead / max(1e-9, abs(change)))
    brake, own = BRAKE * m.body * dt, change * (m.v / v).conjugate()
    along = max(-brake, min(ahead, own.real))
    reach = ASIDE * m.body * (1.15 - 0.06 * v) * dt * (1.0 if own.imag * m.foot <= 0 else 0.6)
    reach *= 1.0 - 0.4 * max(0.0, -along) / brake
    return complex(along, max(-reach, min(reach, own.imag))) * m.v / v


def _walk(m: _Man, mind: Iterator[Wish], t_s: np.ndarray) -> np.ndarray:
    """The path (T, 2) that a man's steps make. A step: time, place, velocity, its change, how long."""
    m.t = 0.0 if m.v else max(0.03, m.r.gauss(0.15, 0.06))
    steps = [(-BEFORE_S, complex(m.depth, m.out) - m.v * BEFORE_S, m.v, 0j, BEFORE_S + m.t)]
    while m.t < AFTER_S:
        dt = m.cadence * m.r.uniform(0.92, 1.08) * (0.9 if abs(m.v) < 3 else 1.0)
        dv, place = _push(m, _reaction(m, next(mind)), dt), complex(m.depth, m.out)
        steps.append((m.t, place, m.v, dv, dt))
        place += m.v * dt + dv * dt * (1 - PUSH_SHARE / 2)
        m.depth, m.out, m.t, m.v, m.foot = place.real, place.imag, m.t + dt, m.v + dv, -m.foot
    begin, place_at, v_at, dv_at, lasts = np.array(steps).T
    k = np.searchsorted(begin.real, t_s + 1e-9, side="right").clip(1) - 1
    s, push = t_s - begin.real[k], PUSH_SHARE * lasts.real[k]
    path = place_at[k] + v_at[k] * s + dv_at[k] * np.where(s < push, s**2 / (2 * push), s - push / 2)
    return np.stack([path.real, path.imag], axis=1)


def sample_feet(seed: int, n: int, prior: dict[str, float] | None = None) -> RouteSet:
    """Draw n routes, each the work of a man's feet. prior: share of each label, None = as in the sampler."""
    drawn = draw_men((seed, 61), n, prior, None)
    rng, group = drawn.rng, drawn.group
    lines = [line.split(": ") for line in MINDS.strip().splitlines()]
    minds = [(name.split(), [x.split() for x in moves.split("; ")]) for name, moves in lines]
    plays = [_Play(Random(int(k))) for k in rng.integers(0, 2**62, int(group.max()) + 1)]
    men = [_Man(Random(int(k)), plays[group[i]], drawn.start[i], drawn.throw_s[i])
           for i, k in enumerate(rng.integers(0, 2**62, n))]  # fmt: skip
    path = np.stack(
        [_walk(m, _mind(m, str(k), minds), drawn.t_s) for m, k in zip(men, drawn.label, strict=True)]
    )
    return drawn.ran(path.astype(np.float32), np.array([m.break_s for m in men]))
