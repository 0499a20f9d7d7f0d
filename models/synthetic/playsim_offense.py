"""How the offense moves: routes, quarterback, blockers, the man with the ball."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from models.synthetic.playbook import RoutePlan
from models.synthetic.playsim_world import CARRY, DEAD, FLIGHT, PRE, Want, World

LEAVES_ROUTE_S = 0.45
"""so long after the throw a man runs on before he looks where it goes"""


def presnap(w: World, i: int, speed: float = 3.2) -> Want:
    """Go to the spot of the formation and stand."""
    d, lateral = w.men[i].spot
    return w.toward(i, d, lateral, speed, stop=True)


def idle(w: World, i: int) -> Want:
    """After the whistle: slow to a walk toward the ball."""
    if w.gap(i, i) == 0 and np.hypot(w.pos[i, 0] - w.ball[0], w.pos[i, 1] - w.ball[1]) > 6:
        return w.toward(i, w.ball[0], w.ball[1], 1.5)
    return 0.0, 0.0


def carry(w: World, i: int) -> Want:
    """Run for the goal line away from the nearest tacklers."""
    mine = w.men[i].team
    up = 1.0 if mine == "offense" else -1.0
    dd, dl = up, 0.0
    for j in w.on("defense" if mine == "offense" else "offense"):
        if j in w.down_at:
            continue
        ahead = (w.pos[j, 0] - w.pos[i, 0]) * up
        g = w.gap(i, j)
        if g < 7.0 and ahead > -1.5:
            dl += 0.6 * np.sign(w.pos[i, 1] - w.pos[j, 1] + 1e-3) * np.exp(-g / 2.5)
    if w.pos[i, 1] > w.right - 2.5:
        dl = min(dl, -0.05)
    if w.pos[i, 1] < w.left + 2.5:
        dl = max(dl, 0.05)
    r = float(np.hypot(dd, dl))
    return 0.88 * dd / r * w.top[i], 0.88 * dl / r * w.top[i]


class RouteRunner:
    """Runs the legs of a plan, then reacts to the throw, the catch, the scramble and the whistle."""

    def __init__(self, plan: RoutePlan, delay_s: float, effort: float, jam: tuple[float, float] = (0.0, 0.0)):
        self.plan, self.delay_s, self.effort, self.jam = plan, delay_s, effort, jam
        self.leg = 0
        self.break_s = float("nan")
        self.wait_until = -1.0
        self.quits = effort < 0.86

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            return presnap(w, i)
        if w.phase == DEAD:
            return idle(w, i)
        if w.phase == CARRY:
            return carry(w, i) if w.carrier == i else self._help(w, i)
        if w.phase == FLIGHT and w.t > w.events["throw_s"] + 0.15:
            if i == w.notes.get("target"):
                return self._to_ball(w, i)
            if w.t > w.events["throw_s"] + LEAVES_ROUTE_S:
                return self._look(w, i)
        if w.notes.get("scramble_s", 99.0) + 0.5 < w.t:
            return self._improvise(w, i)
        return self._run(w, i)

    def _run(self, w: World, i: int) -> Want:
        if w.t < self.delay_s or w.t < self.wait_until:
            return 0.0, 0.0
        legs = self.plan.legs
        leg = legs[self.leg]
        lateral = float(np.clip(leg.lateral, w.left + 1.2, w.right - 1.2))
        dd, dl = leg.depth - w.pos[i, 0], lateral - w.pos[i, 1]
        r = float(np.hypot(dd, dl))
        if self.leg < len(legs) - 1 and (r < leg.through or self._passed(w, i)):
            self.leg += 1
            self.wait_until = w.t + leg.wait_s
            if self.leg == self.plan.break_leg:
                self.break_s = w.t
            return self._run(w, i) if leg.wait_s == 0 else (0.0, 0.0)
        top = w.top[i] * self.effort * leg.speed
        start, length = self.jam
        if length and start < w.t < start + length:
            top *= 0.3
        if leg.settle:
            top = min(top, float(np.sqrt(9.0 * r)), 3.0 * r)
        elif leg.brake_to < 1:
            top = min(top, float(np.sqrt((w.top[i] * leg.brake_to) ** 2 + 14.0 * r)))
        return dd / max(r, 1e-6) * top, dl / max(r, 1e-6) * top

    def _passed(self, w: World, i: int) -> bool:
        """A place is passed when the man is beyond it along the line from the last place."""
        leg = self.plan.legs[self.leg]
        if self.leg == 0:
            last = w.men[i].spot
        else:
            last = (self.plan.legs[self.leg - 1].depth, self.plan.legs[self.leg - 1].lateral)
        along = np.array([leg.depth - last[0], leg.lateral - last[1]])
        size = float(np.hypot(*along))
        if size < 1e-6:
            return True
        return float(np.dot(w.pos[i] - np.array([leg.depth, leg.lateral]), along / size)) > -0.05

    def _to_ball(self, w: World, i: int) -> Want:
        left = max(0.05, w.events["arrival_s"] - w.t)
        d = np.hypot(*(np.array(w.arrival) - w.pos[i]))
        return w.toward(i, *w.arrival, speed=float(min(w.top[i], d / left)))

    def _look(self, w: World, i: int) -> Want:
        share = 0.45 if self.quits else 0.75
        if w.gap(i, w.notes.get("target", i)) < 12:
            return w.toward(i, w.arrival[0], w.arrival[1], 3.5, stop=True)
        v = w.vel[i] * share
        return float(v[0]), float(v[1])

    def _help(self, w: World, i: int) -> Want:
        if w.men[w.carrier].team != "offense":
            return w.toward(i, w.pos[w.carrier, 0], w.pos[w.carrier, 1], w.top[i] * 0.9)
        j, g = w.nearest(i, "defense")
        if j >= 0 and g < 7:
            return w.toward(i, w.pos[j, 0], w.pos[j, 1], 3.5)
        return w.toward(i, w.pos[w.carrier, 0] + 4, w.pos[i, 1], 3.0)

    def _improvise(self, w: World, i: int) -> Want:
        """Scramble drill: deep men come back, short men go deep, all drift to the runner's side."""
        side = np.sign(w.pos[w.qb, 1] + 1e-6)
        depth = 9.0 if w.pos[i, 0] > 13 else 22.0
        return w.toward(
            i, depth, float(np.clip(w.pos[i, 1] + 8 * side, w.left + 2, w.right - 2)), w.top[i] * 0.75
        )


class Quarterback:
    """Drop, set, drift in the pocket, throw; or boot, scramble, hand off."""

    def __init__(self, depth: float, set_s: float, drop_s: float, boot: int = 0, fake_s: float = 0.0):
        self.depth, self.set_s, self.drop_s, self.boot, self.fake_s = depth, set_s, drop_s, boot, fake_s

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            return presnap(w, i)
        if w.phase == DEAD:
            return idle(w, i)
        if w.phase == CARRY:
            return carry(w, i) if w.carrier == i else (0.0, 0.0)
        if w.phase == FLIGHT:
            return float(0.4 * w.vel[i, 0] + 0.4), float(0.3 * w.vel[i, 1])
        if "scramble_s" in w.notes and w.t > w.notes["scramble_s"]:
            side = w.notes["scramble_side"]
            return w.toward(i, w.pos[i, 0] + 1.2, w.pos[i, 1] + 5 * side, w.top[i] * 0.75)
        if w.t < self.fake_s:
            return w.toward(i, self.depth * 0.6, -0.6 * (self.boot or 1), 3.2, stop=True)
        if self.boot:
            goal = (self.depth, self.boot * 9.5)
            pace = 5.6 if w.t < self.set_s else 3.4
            return w.toward(i, goal[0], goal[1], pace, stop=True)
        remaining = max(0.25, self.set_s - w.t)
        far = self.depth - w.pos[i, 0]
        if w.t < self.set_s:
            pace = min(5.2, max(1.0, 1.25 * abs(far) / remaining))
            return w.toward(i, self.depth, 0.0, pace, stop=True)
        d, g = w.nearest(i, "defense")
        slide = 0.0
        if d >= 0 and g < 3.5:
            slide = 1.6 * np.sign(w.pos[i, 1] - w.pos[d, 1] + 1e-3)
        return (0.55 if w.pos[i, 0] < self.depth + 1.8 else 0.0), float(slide)


class PassBlocker:
    """Kick slide back and keep between a rusher and the quarterback."""

    def __init__(self, depth: float):
        self.depth = depth
        self.rusher = -1
        self.hold_s = 99.0
        """how long the block holds once the rusher is engaged"""
        self.engaged_s = -1.0

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            return presnap(w, i)
        if w.phase == DEAD:
            return idle(w, i)
        if w.phase == CARRY:
            if w.men[w.carrier].team != "offense":
                return w.toward(i, w.pos[w.carrier, 0], w.pos[w.carrier, 1], w.top[i] * 0.8)
            return w.toward(i, w.pos[w.carrier, 0], w.pos[w.carrier, 1], w.top[i] * 0.6)
        if w.t < 0.12:
            return 0.0, 0.0
        spot = w.men[i].spot
        j = self.rusher
        if j < 0 or j in w.down_at:
            return w.toward(i, self.depth * 0.8, spot[1] * 1.05, 1.6, stop=True)
        q = w.pos[w.qb]
        g = w.gap(i, j)
        if g < 1.15 and j not in w.shed:
            if self.engaged_s < 0:
                self.engaged_s = w.t
            w.cap[j] = min(w.cap[j], 1.25)
            if w.t - self.engaged_s > self.hold_s:
                w.shed.add(j)
        toward_qb = q - w.pos[j]
        toward_qb = toward_qb / max(float(np.hypot(*toward_qb)), 1e-6)
        place = w.pos[j] + 0.85 * toward_qb
        if w.pos[j, 0] > 0.6 and g > 2.0:
            place = np.array([self.depth * min(1.0, w.t / 0.9), spot[1] * 1.06])
        pace = 2.9 if g > 1.1 else 1.6
        return w.toward(i, float(place[0]), float(place[1]), pace, stop=True)


class RunBlocker:
    """Fire out at a defender and drive him; linemen and stalk-blocking receivers."""

    def __init__(self, target: int, delay_s: float = 0.1, lead: tuple[float, float] | None = None):
        self.target, self.delay_s, self.lead = target, delay_s, lead
        self.hold_s = 0.0
        self.engaged_s = -1.0

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            return presnap(w, i)
        if w.phase == DEAD:
            return idle(w, i)
        if w.carrier == i:
            return carry(w, i)
        if w.t < self.delay_s:
            return 0.0, 0.0
        if self.lead is not None and w.t < 1.0:
            return w.toward(i, self.lead[0], self.lead[1], w.top[i] * 0.8)
        j = self.target
        if j < 0 or j in w.shed or j in w.down_at:
            j, g = w.nearest(i, "defense")
            if j < 0 or g > 9:
                return 1.5, 0.0
            return w.toward(i, w.pos[j, 0], w.pos[j, 1], 2.5)
        g = w.gap(i, j)
        if g < 1.2:
            if self.engaged_s < 0:
                self.engaged_s, self.hold_s = w.t, float(w.rng.gamma(3.5, 0.8))
            w.cap[j] = min(w.cap[j], 0.9)
            w.cap[i] = 2.0
            if w.t - self.engaged_s > self.hold_s:
                w.shed.add(j)
        far = abs(w.pos[j, 0] - w.pos[i, 0]) > 6 or w.men[i].shape == "skill"
        pace = w.top[i] * (0.72 if far else 0.85)
        stop = w.men[i].shape == "skill"
        return w.toward(i, w.pos[j, 0] - (0.7 if stop else 0.2), w.pos[j, 1], pace, stop=stop)


class RunningBack:
    """Takes the ball at a mesh point, presses a hole, then runs."""

    def __init__(
        self, mesh: tuple[float, float], hole: tuple[float, float], delay_s: float, keeps: bool = False
    ):
        self.mesh, self.hole, self.delay_s, self.keeps = mesh, hole, delay_s, keeps

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            return presnap(w, i)
        if w.phase == DEAD:
            return idle(w, i)
        if w.t < self.delay_s:
            return 0.0, 0.0
        if w.carrier != i:
            if w.phase == CARRY:
                return w.toward(i, self.hole[0], self.hole[1], w.top[i] * 0.6)
            return w.toward(i, self.mesh[0], self.mesh[1], w.top[i] * 0.72)
        if w.pos[i, 0] < self.hole[0] - 0.6:
            return w.toward(i, self.hole[0], self.hole[1], w.top[i] * 0.8)
        return carry(w, i)


class Motion:
    """Before the snap a man shifts or goes in motion; afterwards his other brain takes over."""

    def __init__(self, brain: Callable[[World, int], Want], start_s: float, speed: float):
        self.brain, self.start_s, self.speed = brain, start_s, speed

    @property
    def own(self) -> Callable[[World, int], Want]:
        """What he does once the ball is snapped; a man may both shift and go in motion."""
        return self.brain.own if isinstance(self.brain, Motion) else self.brain

    @property
    def plan(self) -> RoutePlan | None:
        return getattr(self.brain, "plan", None)

    @property
    def leg(self) -> int:
        return getattr(self.brain, "leg", 0)

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            if w.t < self.start_s:
                return 0.0, 0.0
            return presnap(w, i, self.speed)
        return self.brain(w, i)
