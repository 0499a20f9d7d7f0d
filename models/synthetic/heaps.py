"""Men closer than a play sets them: heaps on the ground, any pose anywhere, bunches that stand and push.

A detector misses men hidden by men before all others; these arrangements put many of them into the pictures
it learns from and is judged on. A row is (dress, x, y, z yd, yaw, action, phase), as
`cast.script_people` gives.
"""

from __future__ import annotations

from typing import Any

import numpy as np

LOW_ACTIONS = ("pile", "down", "fall", "getup", "block", "kneel", "crouch", "stance3", "stance2")
UPRIGHT_ACTIONS = ("stance2", "stance3", "crouch", "block", "block", "jog", "stand", "run")
BUNCH_MEN = (5, 17)
BUNCH_LENGTH_YD, BUNCH_WIDTH_YD = (1.5, 7.0), (0.3, 1.6)


def _nearest_first(rows: list[Any], centre: np.ndarray) -> list[int]:
    return sorted(range(len(rows)), key=lambda i: np.hypot(rows[i][1] - centre[0], rows[i][2] - centre[1]))


def pile(rng: np.random.Generator, rows: list[Any], centre: np.ndarray) -> list[Any]:
    """Hard case: the men nearest a point lie and struggle over each other."""
    near = _nearest_first(rows, centre)[: int(rng.integers(4, 14))]
    for i in near:
        d = rows[i][0]
        if d.kind != 0:
            continue
        x, y = centre + rng.normal(0, 1.0, 2)
        action = LOW_ACTIONS[int(rng.integers(len(LOW_ACTIONS)))]
        rows[i] = (
            d,
            float(x),
            float(y),
            float(abs(rng.normal(0, 0.12))) if action in ("pile", "down") else 0.0,
            float(rng.uniform(0, 6.28)),
            action,
            float(rng.random()),
        )
    return rows


def scatter(rng: np.random.Generator, rows: list[Any], actions: list[str]) -> list[Any]:
    """Hard case: any pose anywhere near where the man was."""
    out = []
    for d, x, y, z, yaw, action, phase in rows:
        if rng.random() < 0.6:
            action, phase, yaw = (
                actions[int(rng.integers(len(actions)))],
                float(rng.random()),
                float(rng.uniform(0, 6.28)),
            )
        out.append((d, x + float(rng.normal(0, 2)), y + float(rng.normal(0, 2)), z, yaw, action, phase))
    return out


def bunch(rng: np.random.Generator, rows: list[Any], centre: np.ndarray) -> list[Any]:
    """The players nearest a point stand in a tight band, any way round, both sides through each other."""
    players = [i for i in _nearest_first(rows, centre) if rows[i][0].kind == 0]
    along = float(rng.uniform(0, np.pi))
    axis = np.array([np.cos(along), np.sin(along)])
    length, width = rng.uniform(*BUNCH_LENGTH_YD), rng.uniform(*BUNCH_WIDTH_YD)
    one_way = bool(rng.random() < 0.5)
    for i in players[: int(rng.integers(*BUNCH_MEN))]:
        dress, _, _, _, yaw, action, phase = rows[i]
        at = centre + axis * rng.uniform(-length / 2, length / 2)
        at = at + np.array([-axis[1], axis[0]]) * rng.normal(0, width / 2)
        if rng.random() < 0.7:
            action, phase = UPRIGHT_ACTIONS[int(rng.integers(len(UPRIGHT_ACTIONS)))], float(rng.random())
        yaw = yaw + float(rng.normal(0, 0.5)) if one_way else float(rng.uniform(0, 2 * np.pi))
        rows[i] = (dress, float(at[0]), float(at[1]), 0.0, yaw, action, phase)
    return rows
