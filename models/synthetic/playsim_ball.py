"""Who has the ball and what happens to it: snap, throw as a projectile, catch, tackle, whistle.

Flight: free fall with g = 32.174 ft/s^2 = 10.7247 yd/s^2 (standard gravity), drag left out.
"""

from __future__ import annotations

import numpy as np

from models.synthetic.playsim_records import BALL_DEAD, BALL_FLIGHT, BALL_HELD
from models.synthetic.playsim_world import CARRY, DEAD, FLIGHT, PLAY, PRE, World

GRAVITY_YD_PER_S2 = 32.174 / 3.0


def flight_height(u_s: float, duration_s: float, start_yd: float, end_yd: float) -> float:
    """Height (yd) u_s into a flight of duration_s between two heights."""
    up = (end_yd - start_yd + 0.5 * GRAVITY_YD_PER_S2 * duration_s**2) / duration_s
    return start_yd + up * u_s - 0.5 * GRAVITY_YD_PER_S2 * u_s**2


class PlayDirector:
    """Moves a pass or a run through its phases."""

    def __init__(
        self,
        kind: str,
        throw_s: float,
        target: int,
        runner: int = -1,
        handoff_s: float = 0.6,
        snap_length_s: float = 0.25,
        longest_s: float = 11.0,
        throwaway: bool = False,
    ):
        self.kind, self.throw_s, self.target, self.runner = kind, throw_s, target, runner
        self.handoff_s, self.snap_length_s, self.longest_s = handoff_s, snap_length_s, longest_s
        self.throwaway = throwaway
        self.from_yd = (0.0, 0.0, 2.1)
        self.to_yd = (0.0, 0.0, 1.2)
        self.result = ""
        self.contact_s = -1.0

    def update(self, w: World) -> None:
        if w.phase == PRE:
            w.ball, w.ball_held = (0.0, 0.0, 0.15), BALL_DEAD
            if w.t >= -1e-9:
                w.phase = PLAY
                w.events["snap_s"] = 0.0
        elif w.phase == PLAY:
            self._play(w)
        elif w.phase == FLIGHT:
            self._flight(w)
        elif w.phase == CARRY:
            self._carry(w)
        if w.phase != DEAD and w.t > self.longest_s:
            self._dead(w, self.result or "no play")

    def _hold(self, w: World, i: int, z: float = 1.15) -> None:
        ahead = 0.25 * (1 if w.men[i].team == "offense" else -1)
        w.ball, w.ball_held = (float(w.pos[i, 0] + ahead), float(w.pos[i, 1]), z), BALL_HELD

    def _play(self, w: World) -> None:
        q = w.pos[w.qb]
        if w.t < self.snap_length_s and q[0] < -2.5:
            u = w.t / self.snap_length_s
            w.ball, w.ball_held = (float(q[0] * u), float(q[1] * u), 0.4 + 0.8 * u), BALL_FLIGHT
            return
        self._hold(w, w.qb)
        if self.kind == "run":
            runner = self.runner
            if w.t >= self.handoff_s and (
                runner == w.qb or w.gap(runner, w.qb) < 1.3 or w.t > self.handoff_s + 0.5
            ):
                self._give(w, runner)
            return
        self._pressure(w)
        waits = (
            self._to_break(w, self.target) > 0.35 and w.t < self.throw_s + 0.7 and "scramble_s" not in w.notes
        )
        if w.phase == PLAY and w.t >= self.throw_s and not waits:
            self._throw(w)

    def _pressure(self, w: World) -> None:
        j, g = w.nearest(w.qb, "defense")
        if g < 0.9 and w.t > 0.8 and w.rng.random() < 1 - np.exp(-1 / 30 / 0.15):
            w.events["pressure"] = True
            self.result = "sack"
            w.notes["carry_s"] = w.t
            self._dead(w, "sack", [w.qb, j])
            return
        near = g < 2.4 and w.t > 1.2
        if near:
            w.events["pressure"] = True
        if near and "scramble_s" not in w.notes and not w.notes.get("boot") and w.rng.random() < 0.05:
            w.notes["scramble_s"] = w.t
            w.notes["scramble_side"] = float(np.sign(w.pos[w.qb, 1] - w.pos[j, 1] + 1e-3))
            if w.rng.random() < 0.35:
                w.notes["runs_s"] = w.t + w.rng.uniform(0.4, 1.2)
                self.throw_s = 99.0
            else:
                self.throw_s = max(self.throw_s, w.t + w.rng.uniform(0.7, 2.2))
        elif near and self.throw_s > w.t + 0.3 and w.rng.random() < 0.15:
            self.throw_s = w.t + 0.2
        if w.t > w.notes.get("runs_s", 99.0):
            self.result = "scramble"
            self._give(w, w.qb)

    def _give(self, w: World, i: int) -> None:
        w.phase, w.carrier = CARRY, i
        w.notes["carry_s"] = w.t
        if self.kind == "run":
            w.events["handoff_s"] = w.t
            w.notes["carry_s"] = 0.25

    @staticmethod
    def _to_break(w: World, i: int) -> float:
        """About how long (s) until the man reaches his break; 0 if he has, or has none."""
        plan, leg = getattr(w.men[i].brain, "plan", None), getattr(w.men[i].brain, "leg", 0)
        if plan is None or plan.break_leg == 0 or leg >= plan.break_leg or plan.break_leg > len(plan.legs):
            return 0.0
        corner = plan.legs[plan.break_leg - 1]
        far = float(np.hypot(corner.depth - w.pos[i, 0], corner.lateral - w.pos[i, 1]))
        return far / max(4.5, float(np.hypot(*w.vel[i])))

    @staticmethod
    def _ahead(w: World, i: int, seconds: float) -> np.ndarray:
        """Where the man will be along the legs of his plan, running on at his present pace."""
        plan, leg = getattr(w.men[i].brain, "plan", None), getattr(w.men[i].brain, "leg", 0)
        place = w.pos[i].copy()
        if plan is None:
            return place + w.vel[i] * seconds
        left = max(4.5, float(np.hypot(*w.vel[i]))) * seconds * 0.93
        for k in range(leg, len(plan.legs)):
            goal = np.array([plan.legs[k].depth, np.clip(plan.legs[k].lateral, w.left + 1, w.right - 1)])
            d = goal - place
            r = float(np.hypot(*d))
            if r >= left:
                return place + d / max(r, 1e-6) * left
            place, left = goal, left - r
        return place

    def _throw(self, w: World) -> None:
        q = w.pos[w.qb]
        self.target = self._choose(w)
        w.notes["target"] = self.target
        place = w.pos[self.target].copy()
        flight = 0.5
        spread = 0.5 + 0.035 * float(np.hypot(*(place - q))) ** 1.15
        for _ in range(4):
            reach = float(np.hypot(*(place - q)))
            flight = 0.22 + reach / float(np.interp(reach, [5, 25, 50], [15.5, 20.0, 18.5]))
            place = self._ahead(w, self.target, flight)
        place = place + w.rng.normal(0, spread * 0.45, 2)
        if self.throwaway:
            place = np.array([w.pos[self.target, 0], (w.right if q[1] > 0 else w.left) + np.sign(q[1]) * 4.0])
            flight = 1.3
        w.arrival = (float(np.clip(place[0], -9, w.goal + 9.5)), float(place[1]))
        w.events |= {
            "throw_s": w.t,
            "arrival_s": w.t + flight,
            "launch_play_yd": (float(q[0]), float(q[1])),
            "target": w.men[self.target].id,
            "arrival_play_yd": w.arrival,
        }
        self.from_yd = (float(q[0]) + 0.3, float(q[1]), 2.15)
        self.to_yd = (*w.arrival, float(np.clip(w.rng.normal(1.35, 0.4), 0.2, 2.6)))
        w.phase = FLIGHT

    def _choose(self, w: World) -> int:
        """The called man, unless covered and somebody else is open."""
        if self.throwaway or w.rng.random() < 0.5:
            return self.target
        live = [
            j
            for j in w.notes["eligible"]
            if getattr(w.men[j].brain, "plan", None) is not None
            and w.men[j].brain.plan.label != "block"
            and j not in w.down_at
        ]  # type: ignore[attr-defined]
        if not live:
            return self.target
        space = np.array(
            [
                min(7.0, w.nearest(j, "defense")[1])
                + (1.5 if j == self.target else 0.0)
                - 0.06 * max(0.0, w.pos[j, 0] - 12)
                - 2.0 * min(1.0, self._to_break(w, j))
                for j in live
            ]
        )
        chance = np.exp(space / 1.1)
        return int(live[w.rng.choice(len(live), p=chance / chance.sum())])

    def _flight(self, w: World) -> None:
        start, end = w.events["throw_s"], w.events["arrival_s"]
        u = min(w.t, end) - start
        share = u / (end - start)
        x = [self.from_yd[k] + share * (self.to_yd[k] - self.from_yd[k]) for k in (0, 1)]
        w.ball = (x[0], x[1], flight_height(u, end - start, self.from_yd[2], self.to_yd[2]))
        w.ball_held = BALL_FLIGHT
        if w.t < end:
            return
        miss = float(np.hypot(*(w.pos[self.target] - np.array(w.arrival))))
        d, g = w.nearest(self.target, "defense")
        w.events["separation_arrival_yd"] = g
        out = not (w.left <= w.arrival[1] <= w.right)
        reach = float(np.hypot(w.arrival[0] - self.from_yd[0], w.arrival[1] - self.from_yd[1]))
        chance = 0.92 / (1 + np.exp((miss - 1.8) / 0.35)) * (1 - 0.7 * np.exp(-g / 1.2))
        chance *= float(np.exp(-0.016 * max(0.0, reach - 15.0)))
        if out or self.throwaway:
            chance = 0.0
        if w.rng.random() < chance:
            self.result = "complete"
            w.phase, w.carrier = CARRY, self.target
            w.vel[self.target] *= 0.75
            w.notes["carry_s"] = w.t
        elif g < 1.4 and w.rng.random() < 0.13 and not out:
            self.result = "interception"
            w.phase, w.carrier = CARRY, d
            w.notes["carry_s"] = w.t
        else:
            self._dead(w, "incomplete")
            w.ball = (w.ball[0], w.ball[1], 0.2)

    def _carry(self, w: World) -> None:
        c = w.carrier
        self._hold(w, c)
        out = not (w.left < w.pos[c, 1] < w.right)
        scored = w.men[c].team == "offense" and w.pos[c, 0] > w.goal + 0.5
        if out or scored:
            self._dead(
                w,
                "touchdown"
                if scored and self.result in ("complete", "", "scramble")
                else self.result or "run",
            )
            return
        other = "defense" if w.men[c].team == "offense" else "offense"
        near = [j for j in w.on(other) if j not in w.down_at and w.gap(c, j) < (1.2 if w.cap[j] > 2 else 0.7)]
        if near:
            w.cap[c] = 0.0
            w.vel[c] *= 0.93
            if w.rng.random() < 1 - np.exp(-len(near) / 30 / (0.4 if self.kind == "run" else 0.22)):
                self._dead(w, self.result or "run", [c, *near[:3]])
            elif w.rng.random() < 0.006:
                w.down_at[near[0]] = w.t
        slides = (
            w.men[c].role == "QB" and w.pos[c, 0] > 3 and w.nearest(c, other)[1] < 3 and w.rng.random() < 0.05
        )
        if slides:
            self._dead(w, self.result or "run", [c])

    def _dead(self, w: World, result: str, fall: list[int] | None = None) -> None:
        for i in fall or []:
            w.down_at.setdefault(i, w.t)
        w.phase = DEAD
        w.events["result"] = result
        w.events["end_s"] = w.t
        if w.carrier >= 0:
            w.events["yards"] = float(w.pos[w.carrier, 0])
        elif result == "sack":
            w.events["yards"] = float(w.pos[w.qb, 0])
        else:
            w.events["yards"] = 0.0
        if w.ball_held == BALL_HELD:
            w.ball = (w.ball[0], w.ball[1], 0.5)
        w.ball_held = BALL_DEAD
