"""Walking, running, backpedalling, shuffling: cycles of poses from the paths of the feet.

No source for the paths; shares of the cycle on the ground and stride lengths of walking, jogging and running
are near textbook values (from memory): 0.62, 0.38, 0.30 of the cycle; 1.4, 2.3, 3.1 m.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from models.training.people_pose import Pose, swing_arm

YARD_M = 0.9144


@dataclass
class Motion:
    """Poses of one clip. ground and keep_xy as in `Poser.__call__`; stride in yards."""

    poses: list[Pose]
    cyclic: bool
    stride_yd: float = 0.0
    ground: str = "feet"
    keep_xy: bool = False


def blend(keys: list[Pose], n: int, at: list[float] | None = None, closed: bool = False) -> list[Pose]:
    """n poses through the keys (shape-preserving cubic). closed: the last frame leads back to the first."""
    rows = [k.to_vector() for k in keys]
    when = np.array(at if at is not None else np.arange(len(keys)) / max(len(keys) - (0 if closed else 1), 1))
    if closed:
        rows.append(rows[0])
        when = np.append(when, 1.0)
    times = np.arange(n) / n if closed else np.linspace(0, 1, n)
    return [Pose.from_vector(v) for v in PchipInterpolator(when, np.array(rows), axis=0)(times)]


@dataclass
class Gait:
    """A running or walking cycle: left foot lands at phase 0, right at 0.5."""

    n: int
    stride_m: float
    duty: float
    front_m: float  # ball of the foot ahead of the pelvis at landing
    width_m: float  # half the step width
    height: float
    bob: float  # + the pelvis is lowest in the middle of the stance
    lean: float
    lift: tuple[tuple[float, float], ...]  # (part of the swing, lift of the ball m)
    pitch: tuple[tuple[float, float], ...]  # (part of the swing, heel up deg); the first is toe-off
    land_pitch: float
    arm: tuple[float, float]  # middle and half range of the shoulder's swing
    elbow: tuple[float, float]
    twist: float
    abduct: float = 10.0
    inward: float = 15.0
    spine: float = 6.0


def _foot(g: Gait, p: float, side: float) -> np.ndarray:
    end = g.front_m - g.stride_m * g.duty
    toe_off = g.pitch[0][1]
    if p < g.duty:
        q = p / g.duty
        x, lift = g.front_m - g.stride_m * p, 0.0
        pitch = float(np.interp(q, [0, 0.15, 0.55, 1], [g.land_pitch, 0, 0, toe_off]))
    else:
        s, swing = (p - g.duty) / (1 - g.duty), 1 - g.duty
        slope = -g.stride_m * swing
        h = (2 * s**3 - 3 * s**2 + 1, s**3 - 2 * s**2 + s, -2 * s**3 + 3 * s**2, s**3 - s**2)
        x = h[0] * end + h[1] * slope * 0.5 + h[2] * g.front_m + h[3] * slope * 0.5
        knots = np.array([(0, 0), *g.lift, (1, 0)], float)
        lift = float(PchipInterpolator(knots[:, 0], knots[:, 1])(s))
        knots = np.array([*g.pitch, (1, g.land_pitch)], float)
        pitch = float(PchipInterpolator(knots[:, 0], knots[:, 1])(s))
    return np.array([x, side * g.width_m, lift, pitch, side * 4])


def gait(g: Gait, arms: Callable[[str, float], np.ndarray] | None = None) -> list[Pose]:
    """One cycle of poses."""
    poses = []
    for k in range(g.n):
        p = k / g.n
        turn = np.cos(2 * np.pi * p)
        z = g.height - g.bob * np.cos(4 * np.pi * (p - g.duty / 2))

        def arm(side: str, phase: float) -> np.ndarray:
            if arms is not None:
                return arms(side, phase)
            back = -np.cos(2 * np.pi * phase)
            return swing_arm(
                side, g.arm[0] + g.arm[1] * back, g.abduct, g.elbow[0] + g.elbow[1] * back, g.inward
            )

        poses.append(
            Pose(
                root=np.array([0, 0.012 * np.sin(2 * np.pi * p), z]),
                tilt=np.array([2.5 * np.sin(2 * np.pi * p), g.lean, -0.5 * g.twist * turn]),
                spine=np.array([-2 * np.sin(2 * np.pi * p), g.spine, 1.3 * g.twist * turn]),
                head=np.array([0, 6 + 0.3 * g.lean, 0]),
                foot_l=_foot(g, p, 1),
                foot_r=_foot(g, (p + 0.5) % 1, -1),
                knee_l=np.array([4.0]),
                knee_r=np.array([4.0]),
                arm_l=arm("l", p),
                arm_r=arm("r", (p + 0.5) % 1),
            )
        )
    return poses


WALK = Gait(
    12,
    1.42,
    0.62,
    0.47,
    0.085,
    0.965,
    -0.012,
    3,
    ((0.3, 0.10), (0.7, 0.05)),
    ((0, 42), (0.3, 45), (0.7, 0)),
    -16,
    (6, 22),
    (22, 8),
    10,
    spine=3,
)
JOG = Gait(
    12,
    2.3,
    0.38,
    0.42,
    0.08,
    0.95,
    0.025,
    9,
    ((0.25, 0.30), (0.5, 0.28), (0.8, 0.10)),
    ((0, 45), (0.25, 80), (0.5, 50), (0.8, 2)),
    -8,
    (0, 34),
    (82, 14),
    16,
)
RUN = Gait(
    16,
    3.1,
    0.29,
    0.40,
    0.06,
    0.955,
    0.028,
    14,
    ((0.2, 0.42), (0.5, 0.42), (0.8, 0.13)),
    ((0, 52), (0.2, 95), (0.5, 55), (0.8, 5)),
    0,
    (2, 52),
    (88, 18),
    22,
)
BACKPEDAL = Gait(
    12,
    -1.6,
    0.45,
    -0.36,
    0.15,
    0.83,
    0.012,
    24,
    ((0.3, 0.12), (0.6, 0.12)),
    ((0, 5), (0.3, 15), (0.6, 30)),
    25,
    (8, 26),
    (95, 8),
    8,
    abduct=16,
    spine=12,
)


def shuffle(n: int, stride_m: float) -> list[Pose]:
    """Side steps to the left: the left foot reaches, the right one follows."""
    base = Pose(
        root=np.array([-0.06, 0, 0.82]),
        tilt=np.array([0, 28, 0]),
        spine=np.array([0, 14, 0]),
        head=np.array([0, 10, 0]),
        knee_l=np.array([22]),
        knee_r=np.array([22]),
        arm_l=swing_arm("l", 30, 22, 75, 15),
        arm_r=swing_arm("r", 30, 22, 75, 15),
    )
    out, duty = [], 0.6
    for k in range(n):
        feet = []
        for phase, near in ((k / n, 0.50), ((k / n + 0.45) % 1, -0.14)):
            if phase < duty:
                feet.append((near - stride_m * phase, 0.0))
            else:
                s = (phase - duty) / (1 - duty)
                back = near - stride_m * duty
                feet.append((back + (near - back) * (3 * s**2 - 2 * s**3), 0.07 * np.sin(np.pi * s)))
        out.append(
            base.change(
                foot_l=(0.1, feet[0][0] - 0.04, feet[0][1], 6, 12),
                foot_r=(0.1, feet[1][0] + 0.04, feet[1][1], 6, -12),
            )
        )
    return out


def carry_arms(side: str, phase: float) -> np.ndarray:
    """Arms of a runner with the ball under his right arm."""
    if side == "r":
        return swing_arm("r", 8 + 4 * np.sin(2 * np.pi * phase), 12, 112, 45)
    return swing_arm("l", 2 - 50 * np.cos(2 * np.pi * phase), 12, 85, 15)
