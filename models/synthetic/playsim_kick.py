"""Punts, field goals and kickoffs: enough motion that a program can tell them from scrimmage passes."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.synthetic.playsim_ball import flight_height
from models.synthetic.playsim_finish import finish
from models.synthetic.playsim_offense import carry, idle, presnap
from models.synthetic.playsim_officials import crew
from models.synthetic.playsim_records import BALL_DEAD, BALL_FLIGHT, BALL_HELD, PlayScript
from models.synthetic.playsim_world import CARRY, DEAD, FLIGHT, PLAY, PRE, Man, Want, World, simulate


class KickDirector:
    """Snap, kick, flight, return or landing, whistle."""

    def __init__(self, style: str, kick_s: float, hang_s: float, land: tuple[float, float], returner: int):
        self.style, self.kick_s, self.hang_s, self.land, self.returner = style, kick_s, hang_s, land, returner
        self.origin = (0.0, 0.0)

    def update(self, w: World) -> None:
        kicker = w.notes["kicker"]
        if w.phase == PRE:
            w.ball, w.ball_held = (0.0, 0.0, 0.15), BALL_DEAD
            if w.t >= -1e-9:
                w.phase = PLAY
                w.events["snap_s"] = 0.0
        if w.phase == PLAY:
            holder = w.pos[w.notes.get("holder", kicker)]
            u = min(1.0, w.t / max(0.2, 0.075 * abs(float(holder[0]))))
            if self.style != "kickoff":
                w.ball, w.ball_held = (
                    (float(holder[0] * u), float(holder[1] * u), 0.9 if u < 1 else 0.5),
                    BALL_HELD,
                )
            if w.t >= self.kick_s:
                self.origin = (w.ball[0], w.ball[1])
                w.events |= {"kick_s": w.t, "arrival_s": w.t + self.hang_s}
                w.phase, w.arrival = FLIGHT, self.land
        if w.phase == FLIGHT:
            u = w.t - w.events["kick_s"]
            share = min(1.0, u / self.hang_s)
            z = flight_height(min(u, self.hang_s), self.hang_s, 0.4, 1.2 if self.returner >= 0 else 3.6)
            w.ball = (
                self.origin[0] + share * (self.land[0] - self.origin[0]),
                self.origin[1] + share * (self.land[1] - self.origin[1]),
                z,
            )
            w.ball_held = BALL_FLIGHT
            if share >= 1:
                self._landed(w)
        elif w.phase == CARRY:
            c = w.carrier
            w.ball, w.ball_held = (float(w.pos[c, 0]), float(w.pos[c, 1]), 1.1), BALL_HELD
            near = [j for j in w.on("offense") if w.gap(c, j) < 1.1]
            out = not (w.left < w.pos[c, 1] < w.right)
            if out or (near and w.rng.random() < 0.15) or w.t > 14:
                for j in [c, *near[:2]]:
                    w.down_at.setdefault(j, w.t)
                self._dead(w, "return")

    def _landed(self, w: World) -> None:
        if self.returner >= 0 and w.rng.random() < 0.65:
            w.phase, w.carrier = CARRY, self.returner
            w.notes["carry_s"] = w.t
        else:
            self._dead(w, "fair catch" if self.returner >= 0 else "kick")

    def _dead(self, w: World, result: str) -> None:
        w.phase, w.ball_held = DEAD, BALL_DEAD
        w.events |= {"result": result, "end_s": w.t, "yards": float(w.ball[0])}


class KickMan:
    """Holds his block, then covers the kick (or sets up the return)."""

    def __init__(self, release_s: float, lane: float, returner: bool = False, approach: bool = False):
        self.release_s, self.lane, self.returner, self.approach = release_s, lane, returner, approach

    def __call__(self, w: World, i: int) -> Want:
        if w.phase == PRE:
            if self.approach and w.t > -2.2:
                return w.toward(i, -0.4 + min(0.0, w.t) * 3.0, w.men[i].spot[1], 7.5)
            return presnap(w, i)
        if w.phase == DEAD:
            return idle(w, i)
        if w.carrier == i:
            return carry(w, i)
        if self.returner:
            return w.toward(i, *w.arrival, speed=6.0, stop=True) if w.phase == FLIGHT else (0.0, 0.0)
        if w.t < self.release_s:
            return (-0.5 if w.t > 0.2 and not self.approach else 0.0), 0.0
        if w.phase == CARRY:
            c = w.pos[w.carrier]
            return w.toward(i, float(c[0]), float(c[1]), w.top[i] * 0.9)
        own = 1.0 if w.men[i].team == "offense" else 0.6
        return w.toward(i, w.arrival[0] - 4, 0.4 * self.lane + 0.6 * w.arrival[1], w.top[i] * 0.85 * own)


def simulate_kick(rng: np.random.Generator, ground: dict[str, Any], **options: Any) -> PlayScript:
    """style: punt, field_goal or kickoff (drawn when not given)."""
    style = str(options.get("style") or rng.choice(["punt", "field_goal", "kickoff"], p=[0.5, 0.3, 0.2]))
    n = 12 if ground["standard"] == "canadian" else 11
    right, left = ground["right"], ground["left"]
    men: list[Man] = []
    if style == "kickoff":
        lanes = np.linspace(left + 4, right - 4, n - 1)
        men.append(Man("O1", "offense", "K", "skill", (-7.0, 1.5), KickMan(0.0, 0.0, approach=True)))
        men += [
            Man(
                f"O{k + 2}",
                "offense",
                "LB",
                "linebacker",
                (-5.0 + rng.normal(0, 0.3), float(x)),
                KickMan(0.0, float(x), approach=True),
            )
            for k, x in enumerate(lanes)
        ]
        depths = [10.5] * 5 + [24.0] * 3 + [36.0] * (n - 10) + [58.0, 61.0]
        men += [
            Man(
                f"D{k + 1}",
                "defense",
                "S" if k >= n - 2 else "LB",
                "skill" if k >= n - 2 else "linebacker",
                (d + rng.normal(0, 1), float(np.linspace(left + 6, right - 6, 5)[k % 5] + rng.normal(0, 1))),
                KickMan(0.4, float(rng.normal(0, 9)), returner=k == n - 1),
            )
            for k, d in enumerate(depths[:n])
        ]
        timing = (0.02, float(rng.uniform(3.6, 4.3)), (float(rng.normal(58, 5)), float(rng.uniform(-15, 15))))
        holder, kicker, returner = 0, 0, 2 * n - 1
    else:
        men, holder, kicker, returner, timing = _scrimmage_kick(rng, style, n, left, right, ground["goal"])
    men += crew(rng, ground["standard"], right, left)
    w = World(rng, men, left, right, ground["goal"], qb=kicker)
    w.notes |= {"eligible": [0], "kicker": kicker, "holder": holder}
    kick_s, hang_s, land = timing
    land = (land[0], float(np.clip(land[1], left + 2, right - 2)))
    w.notes["overlays"] = [(kick_s - 0.3, kick_s + 0.3, "run", kicker)]
    rows = simulate(w, KickDirector(style, kick_s, hang_s, land, returner), -3.2, 15.0)
    w.events |= {"kick_style": style, "target": None, "play_action": False, "qb_drop": None, "boot": False}
    return finish(
        w,
        rows,
        rng,
        ground["standard"],
        ground["direction"],
        ground["los"],
        ground["spot_y"],
        "kick",
        style,
        {},
        {},
        {"style": style},
    )


def _scrimmage_kick(rng, style: str, n: int, left: float, right: float, goal: float):
    men: list[Man] = []
    punt = style == "punt"
    release = 1.6 if punt else 9.0
    men.append(
        Man(
            "O1",
            "offense",
            "P" if punt else "K",
            "skill",
            (-14.0, 0.3) if punt else (-9.3, -2.4),
            KickMan(3.0, 0.0),
        )
    )
    tight = 1.25 if not punt else 1.6
    for k in range(7):
        men.append(
            Man(
                f"O{k + 2}",
                "offense",
                "OL" if abs(k - 3) < 3 else "TE",
                "lineman",
                (-0.8, (k - 3) * tight),
                KickMan(release, (k - 3) * 4.0),
            )
        )
    if punt:
        rest = [(-0.8, right - 6.0), (-0.8, left + 6.0), (-6.0, 1.6), (-5.0, -2.0)]
        roles = ["WR", "WR", "RB", "RB"]
    else:
        rest = [(-7.2, 0.0), (-1.6, 4 * tight), (-1.6, -4 * tight), (-2.0, 5.2 * tight)]
        roles = ["QB", "TE", "TE", "TE"]
    for k in range(n - 8):
        d, x = rest[k]
        men.append(
            Man(
                f"O{k + 9}",
                "offense",
                roles[k],
                "skill",
                (d, float(x)),
                KickMan(0.1 if punt and k < 2 else release, x),
            )
        )
    returner = 2 * n - 1 if punt else -1
    for k in range(n):
        if punt and k == n - 1:
            spot, man = (42.0 + rng.normal(0, 2), float(rng.normal(0, 2))), KickMan(9.0, 0.0, returner=True)
        elif punt and k >= n - 3:
            spot, man = (1.5, (right - 6.0) if k == n - 3 else (left + 6.0)), KickMan(0.2, 0.0)
        else:
            spot, man = (
                (1.0 + (k > 7) * 4, float((k - 3.5) * 1.4)),
                KickMan(0.2 if not punt else 0.3, (k - 3.5) * 3.0),
            )
        men.append(
            Man(
                f"D{k + 1}",
                "defense",
                "S" if punt and k == n - 1 else ("CB" if punt and k >= n - 3 else "DL"),
                "skill" if k >= n - 3 else "lineman",
                (float(spot[0]), float(spot[1])),
                man,
            )
        )
    if punt:
        timing = (
            float(rng.normal(2.05, 0.1)),
            float(rng.uniform(3.7, 4.6)),
            (float(rng.normal(42, 5)), float(rng.normal(0, 12))),
        )
        return men, 0, 0, returner, timing
    timing = (float(rng.normal(1.3, 0.05)), float(np.clip((goal + 17) / 20.0, 1.2, 3.4)), (goal + 10.0, 0.0))
    return men, 8, 0, returner, timing
