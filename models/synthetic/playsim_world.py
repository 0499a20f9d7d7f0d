"""The stepping of one play: every man wants a velocity, his body gives what it can.

A `World` holds the state in the play frame; brains (offense, defense, officials modules) read it and
return wanted velocities; a `Director` (ball module) moves the play on: snap, throw, catch, tackle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from models.synthetic.playsim_motion import step_velocity
from models.synthetic.playsim_records import RATE_HZ

PRE, PLAY, FLIGHT, CARRY, DEAD = "pre", "play", "flight", "carry", "dead"
Want = tuple[float, float]


class Director(Protocol):
    def update(self, w: World) -> None: ...


@dataclass
class Man:
    """One person. brain(world, index) -> wanted velocity (depth, lateral) in yd/s."""

    id: str
    team: str
    role: str
    shape: str
    spot: tuple[float, float]
    brain: Callable[[World, int], Want]
    start: tuple[float, float] | None = None
    """where he stands when the clip begins, if not on his spot (shifts, motion, waggle)"""
    look: str = "ball"
    """what he faces when he is not running flat out: ball, qb, front, rusher"""


@dataclass
class World:
    rng: np.random.Generator
    men: list[Man]
    left: float
    right: float
    goal: float
    """depth of the goal line attacked"""
    t: float = 0.0
    phase: str = PRE
    qb: int = 0
    carrier: int = -1
    ball: tuple[float, float, float] = (0.0, 0.0, 0.15)
    ball_held: int = 0
    arrival: tuple[float, float] = (0.0, 0.0)
    events: dict[str, Any] = field(default_factory=dict)
    notes: dict[str, Any] = field(default_factory=dict)
    down_at: dict[int, float] = field(default_factory=dict)
    """man -> time he hit the ground"""
    cap: np.ndarray = field(default_factory=lambda: np.zeros(0))
    shed: set[int] = field(default_factory=set)
    history: list[np.ndarray] = field(default_factory=list)

    def __post_init__(self) -> None:
        n = len(self.men)
        rng = self.rng
        self.pos = np.array([m.start if m.start is not None else m.spot for m in self.men], dtype=float)
        self.vel = np.zeros((n, 2))
        base = {"lineman": 5.6, "linebacker": 7.6, "skill": 8.5, "official": 6.0}
        self.top = np.array([base[m.shape] for m in self.men]) * rng.normal(1.0, 0.07, n)
        self.accel = np.clip(rng.normal(6.6, 0.7, n), 4.5, 8.5)
        self.brake = np.clip(rng.normal(8.8, 1.1, n), 6.0, 12.0)
        self.wobble = np.zeros(n)
        self.react = np.clip(rng.gamma(6.0, 0.045, n), 0.1, 0.7)
        self.cap = np.full(n, 99.0)

    def seen(self, i: int, delay_s: float) -> np.ndarray:
        """Where man i was delay_s ago (what a defender reacts to)."""
        back = int(delay_s * RATE_HZ)
        if not self.history:
            return self.pos[i]
        return self.history[max(0, len(self.history) - 1 - back)][i]

    def gap(self, i: int, j: int) -> float:
        d = self.pos[i] - self.pos[j]
        return float(np.hypot(d[0], d[1]))

    def toward(self, i: int, depth: float, lateral: float, speed: float, stop: bool = False) -> Want:
        """Velocity toward a place; with `stop`, slowing so as to stand there."""
        dd, dl = depth - self.pos[i, 0], lateral - self.pos[i, 1]
        r = float(np.hypot(dd, dl))
        if r < 1e-6:
            return 0.0, 0.0
        if stop:
            speed = min(speed, float(np.sqrt(9.0 * r)), 3.5 * r)
        return dd / r * speed, dl / r * speed

    def on(self, team: str) -> list[int]:
        return [i for i, m in enumerate(self.men) if m.team == team]

    def nearest(self, i: int, team: str) -> tuple[int, float]:
        best, size = -1, 1e9
        for j in self.on(team):
            if j != i and j not in self.down_at:
                g = self.gap(i, j)
                if g < size:
                    best, size = j, g
        return best, size


def _separate(w: World, minimum: float = 0.62) -> None:
    """Bodies do not pass through each other: push overlapping pairs apart."""
    delta = w.pos[:, None] - w.pos[None]
    gap = np.sqrt((delta**2).sum(-1)) + np.eye(len(w.pos)) * 9
    if w.phase == DEAD:
        minimum = 0.45
    rows, cols = np.nonzero(gap < minimum)
    for i, j in zip(rows, cols, strict=True):
        push = 0.25 * (minimum - gap[i, j]) * delta[i, j] / max(gap[i, j], 1e-3)
        w.pos[i] += push


def simulate(w: World, director: Director, start_s: float, longest_s: float) -> dict[str, np.ndarray]:
    """Run the world from start_s (negative) until a second after the whistle.

    Returns arrays t (T,), pos (T, N, 2), vel (T, N, 2), ball (T, 3), held (T,) and phases (T,) str.
    """
    dt = 1.0 / RATE_HZ
    first = int(round(start_s * RATE_HZ))
    rows: dict[str, list[Any]] = {k: [] for k in ("t", "pos", "vel", "ball", "held", "phase")}
    k = first
    while True:
        w.t = k * dt
        director.update(w)
        w.cap[:] = 99.0
        want = np.array([m.brain(w, i) for i, m in enumerate(w.men)])
        w.wobble += -w.wobble * dt / 0.6 + w.rng.normal(0, 0.09, len(w.men)) * np.sqrt(dt / 0.6)
        c, s = np.cos(w.wobble), np.sin(w.wobble)
        want = np.stack([c * want[:, 0] - s * want[:, 1], s * want[:, 0] + c * want[:, 1]], axis=1)
        for i in w.down_at:
            want[i] = 0.0
        before = w.pos.copy()
        w.vel = step_velocity(w.vel, want, np.minimum(w.top, w.cap), w.accel, w.brake, dt)
        w.pos = w.pos + w.vel * dt
        _separate(w)
        inside = np.array([m.team == "official" for m in w.men])
        w.pos[~inside, 1] = np.clip(w.pos[~inside, 1], w.left - 2.5, w.right + 2.5)
        rows["t"].append(w.t)
        rows["pos"].append(w.pos.copy())
        rows["vel"].append((w.pos - before) / dt)
        rows["ball"].append(w.ball)
        rows["held"].append(w.ball_held)
        rows["phase"].append(w.phase)
        w.history.append(w.pos.copy())
        k += 1
        end = w.events.get("end_s")
        if (end is not None and w.t > end + 1.2) or w.t > longest_s + 1.2:
            break
    return {key: np.array(value) for key, value in rows.items()}
