"""How the defense aligns, drops, covers, rushes and breaks.

Jobs: rush, man, zone. Underneath landmarks and deep shares are common practice (no source); cushions
and reactions follow the shared motion facts (man 2.8-3.3 yd from the receiver at the snap, zone 4.8-5.1;
a sharp break is answered after about 0.2 s).
"""

from __future__ import annotations

import numpy as np

from models.synthetic.playsim_offense import carry, idle, presnap
from models.synthetic.playsim_world import CARRY, DEAD, FLIGHT, PRE, Want, World


def intercept_s(me: np.ndarray, him: np.ndarray, his_velocity: np.ndarray, speed: float) -> float:
    """Earliest time (s, at most 3) at which a man of a speed can meet a steady runner."""
    gap = him - me
    a = float(his_velocity @ his_velocity) - speed**2
    b, c = 2 * float(gap @ his_velocity), float(gap @ gap)
    if abs(a) < 1e-6:
        return float(np.clip(-c / b, 0, 3)) if b < 0 else 3.0
    inner = b * b - 4 * a * c
    if inner < 0:
        return 3.0
    roots = [(-b - np.sqrt(inner)) / (2 * a), (-b + np.sqrt(inner)) / (2 * a)]
    good = [r for r in roots if r > 0]
    return float(min(min(good), 3.0)) if good else 3.0


class Defender:
    """Common part: step at the snap, bite on a fake, break on the throw, pursue, rest."""

    def __init__(self) -> None:
        self.bite_yd = 0.0
        self.bite_until = -1.0
        self.first_react = 0.2
        self.sees_throw = 0.25
        self.range_yd = 14.0
        self.eager = 1.0
        self.aim_error = (0.0, 0.0)

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            return self.before(w, i)
        if w.phase == DEAD:
            return idle(w, i)
        if w.phase == CARRY:
            if w.carrier == i:
                return carry(w, i)
            return self.pursue(w, i)
        if w.phase == FLIGHT and w.t > w.events["throw_s"] + self.sees_throw:
            aim = (w.arrival[0] + self.aim_error[0], w.arrival[1] + self.aim_error[1])
            d = float(np.hypot(aim[0] - w.pos[i, 0], aim[1] - w.pos[i, 1]))
            if d < self.range_yd:
                return w.toward(i, *aim, speed=min(w.top[i], 2.0 + 1.2 * d) * self.eager)
            return w.toward(i, *aim, speed=w.top[i] * 0.8)
        if w.t < self.bite_until and w.t > self.first_react:
            return w.toward(i, w.men[i].spot[0] - self.bite_yd, w.pos[i, 1], 3.4, stop=True)
        if w.t < self.first_react:
            return 0.0, 0.0
        return self.act(w, i)

    def before(self, w: World, i: int) -> Want:
        return presnap(w, i, 3.0)

    def act(self, w: World, i: int) -> Want:
        raise NotImplementedError

    def pursue(self, w: World, i: int) -> Want:
        c = w.carrier
        since = w.t - w.notes.get("carry_s", 0.0)
        if i not in w.shed and w.men[i].shape != "skill" and w.t < 3.5 and w.gap(i, c) > 1.3:
            j, g = w.nearest(i, "offense")
            if g < 1.6 and j != c:
                w.cap[i] = min(w.cap[i], 1.3)
                return 1.0, float(np.sign(w.pos[c, 1] - w.pos[i, 1])) * 0.8
        if w.men[c].team == "defense":
            return w.toward(i, w.pos[c, 0] - 3.0, w.pos[c, 1], w.top[i] * 0.6)
        if since < w.react[i]:
            v = w.vel[i] * 0.9
            return float(v[0]), float(v[1])
        g = w.gap(i, c)
        ahead = intercept_s(w.pos[i], w.pos[c], w.vel[c], float(w.top[i]) * 0.95)
        place = w.pos[c] + w.vel[c] * ahead
        pace = w.top[i] if g > 3 or w.pos[i, 0] < w.pos[c, 0] else max(4.0, w.top[i] * 0.75)
        if w.men[i].role in ("CB", "S") and g > 12 and w.pos[c, 0] < 3:
            pace = 4.5
        return w.toward(i, float(place[0]), float(place[1]), pace)


class Rush(Defender):
    """Rush the passer around or through a blocker."""

    def __init__(self, aim: float, blitz_s: float = 0.0):
        super().__init__()
        self.aim, self.blitz_s = aim, blitz_s
        self.first_react = 0.12

    def before(self, w: World, i: int) -> Want:
        if self.blitz_s and w.t > -self.blitz_s:
            return w.toward(i, 2.0, self.aim, 2.2, stop=True)
        return presnap(w, i, 3.0)

    def act(self, w: World, i: int) -> Want:
        q = w.pos[w.qb]
        if w.pos[i, 0] > -1.0:
            return w.toward(i, -1.8, self.aim, w.top[i])
        return w.toward(i, float(q[0]), float(q[1]), w.top[i])


class ManCover(Defender):
    """Man to man: pedal while the cushion holds, then turn and run, answering breaks after a delay."""

    def __init__(self, man: int, inside: float, press: bool, trail: bool):
        super().__init__()
        self.man, self.inside, self.press, self.trail = man, inside, press, trail
        self.lag = 0.2
        self.turned = False
        self.range_yd = 9.0

    def before(self, w: World, i: int) -> Want:
        d, lateral = w.men[i].spot
        target = w.men[self.man]
        if target.start is not None and abs(target.start[1] - target.spot[1]) > 3:
            seen = w.seen(self.man, 0.25)
            return w.toward(i, d, float(seen[1] + lateral - target.spot[1]), 4.5, stop=True)
        return presnap(w, i, 3.0)

    def act(self, w: World, i: int) -> Want:
        seen = w.seen(self.man, self.lag)
        now = w.pos[self.man]
        v = w.vel[self.man]
        side = np.sign(seen[1] + 1e-6)
        cushion = w.pos[i, 0] - seen[0]
        if not self.turned:
            lateral_gap = abs(seen[1] - w.pos[i, 1])
            if cushion < 2.2 or lateral_gap > 2.5 or w.t > 2.6:
                self.turned = True
            elif self.press:
                return 0.6, float(np.clip(1.5 * (seen[1] - side * self.inside - w.pos[i, 1]), -2.5, 2.5))
            else:
                pace = float(np.clip(v[0] * 0.55, 0.0, 4.0))
                return pace, float(np.clip(1.2 * (seen[1] - side * self.inside - w.pos[i, 1]), -2.0, 2.0))
        ahead = np.array([-1.0 if self.trail else 0.8, -side * self.inside])
        lead = w.seen(self.man, self.lag) - w.seen(self.man, self.lag + 0.1)
        place = seen + ahead + lead / 0.1 * (self.lag + 0.12)
        if w.men[self.man].team == "offense" and w.gap(i, self.man) < 0.9:
            place = now + ahead
        d = place - w.pos[i]
        want = lead / 0.1 + 2.2 * d
        return float(want[0]), float(want[1])


class ZoneCover(Defender):
    """Drop to a landmark (controlled or turn and run), settle with the quarterback, play what comes."""

    def __init__(self, depth: float, lateral: float, width: float, deep: bool, pace: float):
        super().__init__()
        self.depth, self.lateral, self.width, self.deep, self.pace = depth, lateral, width, deep, pace
        self.tight = 0.5
        self.man = -1
        self.aim_inside, self.aim_under = 1.5, 2.0
        if deep:
            self.range_yd = 22.0

    def act(self, w: World, i: int) -> Want:
        if self.deep:
            return self._deep(w, i)
        settle = w.events.get("set_s", 2.0) + 0.25
        place = np.array([self.depth, self.lateral])
        j = self._threat(w, i)
        if j >= 0 and w.t > 0.9:
            seen = w.seen(j, 0.3)
            side = np.sign(seen[1] + 1e-6)
            mine = np.array(
                [np.clip(seen[0] - self.aim_under, 2.0, self.depth + 5), seen[1] - side * self.aim_inside]
            )
            place = (1 - self.tight) * place + self.tight * mine
        pace = self.pace if w.t < settle else min(self.pace, 3.2)
        if w.t > settle and j < 0:
            return w.toward(i, float(place[0]), float(place[1]), 1.2, stop=True)
        return w.toward(i, float(place[0]), float(place[1]), pace, stop=True)

    def _threat(self, w: World, i: int) -> int:
        """The eligible man most inside this zone."""
        best, score = -1, 1.0
        for j in w.notes["eligible"]:
            dl = abs(w.pos[j, 1] - self.lateral) / self.width
            dd = abs(w.pos[j, 0] - self.depth) / 8.0
            if w.pos[j, 0] < 1.0:
                dd += 0.4
            s = float(np.hypot(dl, dd))
            if s < score:
                best, score = j, s
        return best

    def _deep(self, w: World, i: int) -> Want:
        deepest, lateral = 0.0, self.lateral
        for j in w.notes["eligible"]:
            seen = w.seen(j, 0.25)
            if abs(seen[1] - self.lateral) < self.width and seen[0] > 5:
                d = seen[0] + 0.7 * max(0.0, w.vel[j, 0])
                if d > deepest:
                    deepest = float(d)
                    lateral = float(0.55 * seen[1] + 0.45 * self.lateral)
        depth = max(min(self.depth, w.men[i].spot[0] + 3.0 * max(0.0, w.t - 0.2)), deepest + 2.8)
        gap = depth - w.pos[i, 0]
        pace = 3.4 if gap < 1.0 and deepest < w.pos[i, 0] - 4 else w.top[i]
        return w.toward(i, depth, lateral, pace, stop=True)


class Spy(Defender):
    def act(self, w: World, i: int) -> Want:
        return w.toward(i, 3.5, float(w.pos[w.qb, 1]), 2.5, stop=True)


class HoldGap(Defender):
    """A lineman against a run: hold the gap at the line until he is free."""

    def __init__(self, lateral: float):
        super().__init__()
        self.lateral = lateral
        self.first_react = 0.12

    def act(self, w: World, i: int) -> Want:
        return w.toward(i, 0.3, self.lateral, 2.4, stop=True)


class RunFit(Defender):
    """Against a run: read, then fill; carried on by `pursue` once the ball is handed off."""

    def __init__(self, read_s: float):
        super().__init__()
        self.read_s = read_s

    def act(self, w: World, i: int) -> Want:
        if w.t < self.read_s:
            return -0.8, 0.0
        c = w.notes.get("runner", w.qb)
        return w.toward(i, 1.5, float(w.pos[c, 1]) * 0.9, 4.0)
