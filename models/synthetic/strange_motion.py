"""Bodies and cameras that move, for film of the second drawing program (`models.synthetic.strange_film`).

Mannequins step by the ground they cover; an operator who stands still turns after the ball and the men.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d

from models.synthetic.strange import CROUCH, LEAN, SWING, Pose, pose_of
from models.synthetic.strange_field import Eye, rows_toward

STRIDE_YD = 2.3
"""Ground covered by two steps of a running man (from memory of sprinters' step lengths, 1.1 to 1.3 yd)."""
LYING = ("fall", "down", "pile")
STANCES = ("stance2", "stance3", "stance3_left", "crouch")
LOW = ("block", "pass_set", "shuffle", "kneel", "getup", "backpedal")
RUN_FROM_YD_S = 3.5
AHEAD_S = 0.05


class Walk:
    """One man's script as poses at any time."""

    def __init__(self, rng: np.random.Generator, person: Any, t_s: np.ndarray) -> None:
        self.person, self.t_s = person, t_s
        steps = np.hypot(*np.diff(np.asarray(person.xy_field_yd, float), axis=0).T)
        self.along = np.concatenate([[0.0], np.cumsum(steps)]) + rng.uniform(0, STRIDE_YD)
        self.crouch, self.lean = rng.uniform(0, 0.06), rng.uniform(0.7, 1.2)
        self.facing = np.unwrap(np.asarray(person.facing_rad, float))

    def at(self, t: float) -> tuple[np.ndarray, float, Pose, str]:
        """Place (2,) yd, facing rad, joints and the script's word for what he does at ``t`` s."""
        path = self.person.xy_field_yd
        place = np.array([np.interp(t, self.t_s, path[:, k]) for k in (0, 1)])
        along = np.interp([t - AHEAD_S, t, t + AHEAD_S], self.t_s, self.along)
        speed = (along[2] - along[0]) / (2 * AHEAD_S)
        action = str(self.person.action[int(np.argmin(np.abs(self.t_s - t)))])
        kind = "stance" if action in STANCES else "low" if action in LOW else "stand"
        if kind == "stand" and speed > RUN_FROM_YD_S:
            kind = "run"
        stride = np.sin(2 * np.pi * along[1] / STRIDE_YD)
        reach = SWING[kind] if kind != "stand" else SWING["stand"] + 0.12 * min(speed, RUN_FROM_YD_S)
        if kind == "low":
            reach += 0.06 * min(speed, RUN_FROM_YD_S)
        pose = pose_of(
            CROUCH[kind] + self.crouch,
            float(stride * min(reach, 0.6) * min(1.0, speed / 0.8)),
            LEAN[kind] * self.lean,
            kind == "stance",
        )
        if action in LYING:
            pose = {name: np.array([p[2] - 1.0, p[1], 0.22 + 0.3 * max(0, p[0])]) for name, p in pose.items()}
        elif action in ("throw", "arms_up", "catch"):
            for side in "lr" if action != "throw" else "r":
                pose[f"elbow_{side}"] = pose[f"shoulder_{side}"] + [0.12, 0.0, 0.22]
                pose[f"hand_{side}"] = pose[f"elbow_{side}"] + [0.2, 0.0, 0.28]
        return place, float(np.interp(t, self.t_s, self.facing)), pose, action


class FilmEye(Eye):
    """One exposure of a camera that stands still: where it looks, how long its lens is."""

    def __init__(
        self,
        size: tuple[int, int],
        place: np.ndarray,
        aim: np.ndarray,
        span_yd: float,
        roll_rad: float,
        bend: float,
    ) -> None:
        """span_yd: width of the picture at the aim point; bend: radial change at the picture's corner."""
        self.width, self.height = size
        self.place, self.aim = place, aim
        self.rows = rows_toward(place, aim, roll_rad)
        self.focal = float(self.width * np.linalg.norm(aim - place) / span_yd)
        self.k1 = bend / (np.hypot(self.width, self.height) / 2 / self.focal) ** 2

    @property
    def width_px(self) -> int:
        """Picture's width."""
        return self.width

    @property
    def height_px(self) -> int:
        """Picture's height."""
        return self.height

    @property
    def focal_px(self) -> float:
        """Focal length."""
        return self.focal

    @property
    def centre(self) -> tuple[float, float, float]:
        """Place in field yards."""
        return (float(self.place[0]), float(self.place[1]), float(self.place[2]))

    def rotation(self) -> np.ndarray:
        """(3, 3) rows right, down, forward."""
        return self.rows


def watch(
    rng: np.random.Generator,
    script: Any,
    view: str,
    place: np.ndarray,
    size: tuple[int, int],
    rate: float,
    habits: dict[str, float],
) -> tuple[np.ndarray, list[FilmEye]]:
    """Times (s from the snap) and exposures of one clip. habits: the camera's roll_rad, bend and span_yd.

    The operator holds the formation until the snap, follows ball and men half a second late, zooms a little
    after them and has an unsteady hand.
    """
    lead = float(rng.uniform(2.0, 3.2))
    t = np.arange(-lead, float(script.t_s[-1]) - 0.05, 1 / rate)
    men = np.stack([p.xy_field_yd for p in script.people if p.team != "official"]).astype(float)
    goal = 0.5 * np.asarray(script.ball_field_yd, float)[:, :2] + 0.5 * men.mean(0)
    late = np.clip(t - 0.25, script.t_s[0], script.t_s[-1])
    aim = np.stack([np.interp(late, script.t_s, goal[:, k]) for k in (0, 1)], 1)
    aim[t < 0.2] = aim[np.searchsorted(t, 0.2)]
    aim = gaussian_filter1d(aim, 0.35 * rate, axis=0, mode="nearest")
    shake = gaussian_filter1d(rng.normal(0, 1, (len(t), 2)), 0.15 * rate, axis=0)
    aim += shake / shake.std() * rng.uniform(0.02, 0.15)
    across = 0 if view == "sideline" else 1
    apart = np.interp(late, script.t_s, np.ptp(men[..., across], axis=0))
    apart = gaussian_filter1d(apart, 0.6 * rate, mode="nearest")
    span = habits["span_yd"] * np.clip(apart / apart[0], 0.75, 1.35)
    at = np.concatenate([aim, np.zeros((len(t), 1))], 1)
    return t, [
        FilmEye(size, place, a, float(s), habits["roll_rad"], habits["bend"])
        for a, s in zip(at, span, strict=True)
    ]
