"""From the stepped world to the script: facing, actions, phases, jerseys, ball and truth."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.synthetic.playsim_records import RATE_HZ, PersonScript, PlayScript, RouteTruth, to_field
from models.synthetic.playsim_world import World

STRIDE_YD = {
    "walk": 1.6,
    "jog": 2.6,
    "run": 4.2,
    "backpedal": 1.9,
    "shuffle": 1.6,
    "pass_set": 1.4,
    "block": 1.8,
}
TURN_RATE_RAD_PER_S = 8.0


def _smooth(x: np.ndarray, n: int) -> np.ndarray:
    kernel = np.ones(n) / n
    padded = np.pad(x, (n // 2, n - 1 - n // 2), mode="edge")
    return np.convolve(padded, kernel, mode="valid")


def facing(move: np.ndarray, speed: np.ndarray, look: np.ndarray, run_above: np.ndarray) -> np.ndarray:
    """Heading of the chest (T,): along the movement when running, else to what he watches; limited turn."""
    want = np.where(speed > run_above, move, look)
    out = np.empty(len(want))
    a = want[0]
    most = TURN_RATE_RAD_PER_S / RATE_HZ
    for k, target in enumerate(want):
        d = (target - a + np.pi) % (2 * np.pi) - np.pi
        a += np.clip(d * 0.35, -most, most)
        out[k] = a
    return (out + np.pi) % (2 * np.pi) - np.pi


def base_actions(speed: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Stand, walk, jog, run, backpedal or shuffle from speed and the angle between chest and movement."""
    act = np.full(len(speed), "stand", dtype="U10")
    act[speed > 0.35] = "walk"
    act[speed > 2.3] = "jog"
    act[speed > 4.9] = "run"
    back = (np.abs(turn) > np.deg2rad(115)) & (speed > 0.6)
    side = (np.abs(turn) > np.deg2rad(55)) & ~back & (speed > 0.6) & (speed < 4.5)
    act[back & (speed < 6.2)] = "backpedal"
    act[side] = "shuffle"
    return act


def phases(act: np.ndarray, speed: np.ndarray, offset: float) -> np.ndarray:
    """Cycle phase: by distance for gaits, by time through the clip for one-off movements."""
    out = np.zeros(len(act))
    lengths = {"throw": 0.7, "catch": 0.55, "fall": 0.7, "getup": 1.4}
    cycle, began = offset, 0
    for k in range(len(act)):
        if k and act[k] != act[k - 1]:
            began = k
        a = str(act[k])
        if a in STRIDE_YD:
            cycle = (cycle + speed[k] / RATE_HZ / STRIDE_YD[a]) % 1.0
            out[k] = cycle
        elif a in lengths:
            out[k] = min(0.999, (k - began) / RATE_HZ / lengths[a])
        else:
            cycle = (cycle + 0.35 / RATE_HZ) % 1.0
            out[k] = cycle
    return out


def _stance(role: str, rng: np.random.Generator) -> str:
    return {
        "OL": "stance3",
        "DL": "stance3",
        "TE": str(rng.choice(["stance3", "stance2"])),
        "LB": str(rng.choice(["crouch", "stance2", "stand"])),
        "CB": "crouch",
        "S": "crouch",
        "QB": "crouch",
        "RB": str(rng.choice(["stance2", "stance2", "stance3"])),
    }.get(role, str(rng.choice(["stand", "crouch"])))


def _overlay(act: np.ndarray, t: np.ndarray, start: float, stop: float, name: str) -> None:
    act[(t >= start) & (t < stop)] = name


def _special(w: World, i: int, act: np.ndarray, t: np.ndarray, speed: np.ndarray) -> None:
    """Stances, throwing, catching, blocking and falling laid over the gaits."""
    man, e = w.men[i], w.events
    end = e.get("end_s", t[-1])
    calm = speed < 0.8
    if man.team != "official":
        ready = -1.2 if man.role in ("WR", "CB", "S") else -2.0 + 0.8 * ((i * 37) % 10) / 10
        act[(t >= ready) & (t < w.notes.get("off_s", {}).get(i, 0.1)) & calm] = w.notes["stances"][i]
    if man.role in ("OL", "DL") and man.team != "official":
        busy = (t > 0.15) & (t < end) & (speed < 3.6)
        act[busy] = "pass_set" if man.role == "OL" and w.notes.get("pass") else "block"
        act[busy & (t > 1.0)] = "block"
    for a, b, name, who in w.notes.get("overlays", []):
        if who == i:
            _overlay(act, t, a, b, name)
    if i == w.qb and "throw_s" in e:
        held = (t > 0.3) & (t < e["throw_s"] - 0.35) & (speed < 2.0)
        act[held] = "hold_ball"
        _overlay(act, t, e["throw_s"] - 0.35, e["throw_s"] + 0.35, "throw")
    if e.get("target") == man.id and "arrival_s" in e:
        _overlay(act, t, e["arrival_s"] - 0.35, e["arrival_s"] + 0.2, "catch")
    if i in w.down_at:
        s = w.down_at[i]
        _overlay(act, t, s - 0.1, s + 0.6, "fall")
        act[t >= s + 0.6] = "down"
        _overlay(act, t, s + 1.6, 1e9, "getup")
    if man.team == "official" and e.get("result") in ("touchdown", "incomplete"):
        if np.hypot(w.pos[i, 0] - w.ball[0], w.pos[i, 1] - w.ball[1]) < 18:
            _overlay(act, t, end + 0.2, end + 1.2, "arms_up")


def jerseys(rng: np.random.Generator, roles: list[str]) -> list[int]:
    """Distinct numbers in the ranges usual for the position."""
    ranges = {
        "QB": (1, 19),
        "RB": (20, 39),
        "TE": (80, 89),
        "WR": (1, 19),
        "OL": (50, 79),
        "DL": (90, 99),
        "LB": (40, 59),
        "CB": (20, 39),
        "S": (20, 49),
        "K": (1, 19),
        "P": (1, 19),
    }
    used: set[int] = set()
    out = []
    for role in roles:
        low, high = ranges.get(role, (1, 99))
        for _ in range(60):
            n = int(rng.integers(low, high + 1))
            if n not in used:
                break
        else:
            n = next(k for k in range(1, 100) if k not in used)
        used.add(n)
        out.append(n)
    return out


def finish(
    w: World,
    rows: dict[str, np.ndarray],
    rng: np.random.Generator,
    standard: str,
    direction: int,
    los: float,
    spot_y: float,
    kind: str,
    formation: str,
    combos: dict[str, str],
    routes: dict[str, RouteTruth],
    situation: dict[str, Any],
) -> PlayScript:
    """Assemble the script in field yards."""
    t = rows["t"]
    w.notes.setdefault("stances", {i: _stance(m.role, rng) for i, m in enumerate(w.men)})
    flip = np.array([direction, -direction], dtype=float)
    ball_field = np.column_stack([to_field(rows["ball"][:, :2], direction, los, spot_y), rows["ball"][:, 2]])
    numbers = {team: jerseys(rng, [w.men[i].role for i in w.on(team)]) for team in ("offense", "defense")}
    people = []
    for i, man in enumerate(w.men):
        vel = np.stack([_smooth(rows["vel"][:, i, k], 5) for k in (0, 1)], axis=1) * flip
        pos = to_field(rows["pos"][:, i], direction, los, spot_y)
        speed = np.hypot(vel[:, 0], vel[:, 1])
        move = np.arctan2(vel[:, 1], vel[:, 0])
        front = 0.0 if (man.team == "offense") == (direction == 1) else np.pi
        look = np.full(len(t), front)
        watch = ball_field[:, :2] - pos
        seeing = (
            (t > 0.3)
            if man.team != "offense"
            else (t > w.events.get("throw_s", w.events.get("end_s", 9)) + 0.2)
        )
        if man.role in ("OL", "DL"):
            seeing = t > w.events.get("end_s", 9)
        look = np.where(seeing, np.arctan2(watch[:, 1], watch[:, 0]), look)
        above = np.full(
            len(t), {"OL": 3.8, "DL": 3.0, "QB": 4.6}.get(man.role, 4.3 if man.team == "defense" else 1.6)
        )
        above[t < 0] = 1.2
        face = facing(move, speed, look, above)
        act = base_actions(speed, (move - face + np.pi) % (2 * np.pi) - np.pi)
        _special(w, i, act, t, speed)
        jersey = None if man.team == "official" else numbers[man.team][w.on(man.team).index(i)]
        people.append(
            PersonScript(
                man.id,
                man.team,
                man.role,
                jersey,
                man.shape,
                pos,
                face,
                act,
                phases(act, speed, float(rng.random())),
            )
        )
    return PlayScript(
        standard,
        direction,
        los,
        spot_y,
        kind,
        t,
        tuple(people),
        ball_field,
        rows["held"],
        dict(w.events),
        formation,
        combos,
        routes,
        situation,
    )
