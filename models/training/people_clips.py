"""Every action of rendered people: gaits as foot paths, everything else as key poses.

Hand-keyed from common knowledge of the game and of gait (no source; duty factors and stride lengths of walking,
jogging and running near textbook values: 0.62, 0.38, 0.30 of the cycle on the ground).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from models.training.people_pose import Pose, mirror, plant, reach, swing_arm

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
            return swing_arm(side, g.arm[0] + g.arm[1] * back, g.abduct, g.elbow[0] + g.elbow[1] * back, g.inward)

        poses.append(Pose(
            root=np.array([0, 0.012 * np.sin(2 * np.pi * p), z]),
            tilt=np.array([2.5 * np.sin(2 * np.pi * p), g.lean, -0.5 * g.twist * turn]),
            spine=np.array([-2 * np.sin(2 * np.pi * p), g.spine, 1.3 * g.twist * turn]),
            head=np.array([0, 6 + 0.3 * g.lean, 0]),
            foot_l=_foot(g, p, 1), foot_r=_foot(g, (p + 0.5) % 1, -1),
            knee_l=np.array([4.0]), knee_r=np.array([4.0]),
            arm_l=arm("l", p), arm_r=arm("r", (p + 0.5) % 1),
        ))  # fmt: skip
    return poses


WALK = Gait(12, 1.42, 0.62, 0.47, 0.085, 0.965, -0.012, 3, ((0.3, 0.10), (0.7, 0.05)),
            ((0, 42), (0.3, 45), (0.7, 0)), -16, (6, 22), (22, 8), 10, spine=3)  # fmt: skip
JOG = Gait(12, 2.3, 0.38, 0.42, 0.08, 0.95, 0.025, 9, ((0.25, 0.30), (0.5, 0.28), (0.8, 0.10)),
           ((0, 45), (0.25, 80), (0.5, 50), (0.8, 2)), -8, (0, 34), (82, 14), 16)  # fmt: skip
RUN = Gait(16, 3.1, 0.29, 0.40, 0.06, 0.955, 0.028, 14, ((0.2, 0.42), (0.5, 0.42), (0.8, 0.13)),
           ((0, 52), (0.2, 95), (0.5, 55), (0.8, 5)), 0, (2, 52), (88, 18), 22)  # fmt: skip
BACKPEDAL = Gait(12, -1.6, 0.45, -0.36, 0.15, 0.83, 0.012, 24, ((0.3, 0.12), (0.6, 0.12)),
                 ((0, 5), (0.3, 15), (0.6, 30)), 25, (8, 26), (95, 8), 8, abduct=16, spine=12)  # fmt: skip


def _shuffle(n: int, stride_m: float) -> list[Pose]:
    """Side steps to the left: the left foot reaches, the right one follows; both slide back under the body."""
    base = Pose(root=np.array([-0.06, 0, 0.82]), tilt=np.array([0, 28, 0]), spine=np.array([0, 14, 0]),
                head=np.array([0, 10, 0]), knee_l=np.array([22]), knee_r=np.array([22]),
                arm_l=swing_arm("l", 30, 22, 75, 15), arm_r=swing_arm("r", 30, 22, 75, 15))  # fmt: skip
    out, duty = [], 0.6
    for k in range(n):
        feet = []
        for phase, near, far in ((k / n, 0.50, 0.16), ((k / n + 0.45) % 1, -0.14, -0.48)):
            if phase < duty:
                feet.append((near - stride_m * phase, 0.0))
            else:
                s = (phase - duty) / (1 - duty)
                back = near - stride_m * duty
                feet.append((back + (near - back) * (3 * s**2 - 2 * s**3), 0.07 * np.sin(np.pi * s)))
        out.append(base.change(foot_l=(0.1, feet[0][0] - 0.04, feet[0][1], 6, 12),
                               foot_r=(0.1, feet[1][0] + 0.04, feet[1][1], 6, -12)))  # fmt: skip
    return out


def football() -> dict[str, Pose]:
    """Single key poses of the game that several clips share."""
    stand = Pose()
    ready = Pose().change(
        root=(-0.08, 0, 0.84), tilt=(0, 30, 0), spine=(0, 16, 0), head=(0, 8, 0), knee_l=[14], knee_r=[14],
        foot_l=(0.06, 0.24, 0, 0, 10), foot_r=(0.06, -0.24, 0, 0, -10),
        arm_l=swing_arm("l", 42, 12, 55, 10), arm_r=swing_arm("r", 42, 12, 55, 10))  # fmt: skip
    three = Pose().change(
        root=(-0.28, 0, 0.645), tilt=(0, 73, 0), spine=(0, 12, 0), head=(0, 30, 0), knee_l=[12], knee_r=[14],
        foot_l=(0.10, 0.24, 0, 12, 5), foot_r=(-0.22, -0.24, 0, 32, -5),
        arm_l=plant("l", 0.20, 0.20, 0.46, (-0.6, 0.6, 0.2)), arm_r=plant("r", 0.44, -0.12, 0.165))  # fmt: skip
    two = Pose().change(
        root=(-0.20, 0, 0.72), tilt=(0, 44, 0), spine=(0, 14, 0), head=(0, 12, 0), knee_l=[16], knee_r=[16],
        foot_l=(0.12, 0.27, 0, 2, 12), foot_r=(-0.04, -0.27, 0, 8, -12),
        arm_l=plant("l", 0.30, 0.20, 0.60, (-0.6, 0.8, 0)), arm_r=plant("r", 0.26, -0.20, 0.60, (-0.6, 0.8, 0)))
    guard = ready.change(
        root=(-0.08, 0, 0.85), tilt=(0, 20, 0), spine=(0, 8, 0), foot_l=(0.10, 0.26, 0, 0, 10),
        foot_r=(-0.10, -0.26, 0, 4, -16), arm_l=reach("l", 0.55, -0.05, -0.12, (-0.3, 0.7, -0.8)),
        arm_r=reach("r", 0.55, -0.05, -0.12, (-0.3, 0.7, -0.8)))  # fmt: skip
    return dict(stand=stand, ready=ready, three=three, two=two, guard=guard)


def upright_clips() -> dict[str, Motion]:
    """Clips of men on their feet who stay where they are."""
    k = football()
    stand, ready, guard = k["stand"], k["ready"], k["guard"]
    shift = stand.change(root=(0, 0.03, 0.98), tilt=(2, 0, 4), head=(0, 4, 20), knee_r=[15])
    other = stand.change(root=(0, -0.03, 0.98), tilt=(-2, 2, -4), head=(0, 8, -25), arm_l=swing_arm("l", 18, 12, 30))
    step = guard.change(root=(-0.06, 0.05, 0.85), foot_l=(0.06, 0.40, 0.08, 0, 10))
    push = guard.change(
        root=(0.0, 0, 0.84), tilt=(0, 30, 0), spine=(0, 6, 0), foot_l=(0.16, 0.22, 0, 0, 8),
        foot_r=(-0.34, -0.24, 0, 30, -12), arm_l=reach("l", 0.88, 0.0, 0.0), arm_r=reach("r", 0.88, 0.0, 0.05))
    drive = push.change(foot_l=(-0.26, 0.22, 0, 25, 8), foot_r=(0.16, -0.24, 0.04, 5, -10),
                        arm_l=reach("l", 0.80, 0.02, 0.1), arm_r=reach("r", 0.86, 0.02, -0.05))  # fmt: skip
    hold = ready.change(
        root=(0, 0, 0.95), tilt=(0, 5, -25), spine=(0, 4, 0), head=(0, 4, 0), foot_l=(0.16, 0.17, 0, 0, 0),
        foot_r=(-0.12, -0.16, 0, 8, -40), arm_l=reach("l", 0.38, -0.20, -0.12), arm_r=reach("r", 0.36, -0.15, -0.05))
    hop = hold.change(root=(0, 0.02, 0.93), foot_l=(0.18, 0.16, 0, 12, 0), foot_r=(-0.12, -0.16, 0, 14, -40))
    cock = hold.change(tilt=(0, -4, -70), spine=(0, 0, -15), foot_l=(0.24, 0.10, 0.04, 0, -20),
                       arm_l=reach("l", 0.55, 0.55, 0.05), arm_r=reach("r", -0.10, 0.55, 0.35, (-0.6, 0.8, -0.2)))
    whip = hold.change(root=(0.12, 0, 0.93), tilt=(0, 8, -10), spine=(6, 8, 20), foot_l=(0.45, 0.14, 0, 0, 0),
                       foot_r=(-0.2, -0.14, 0, 40, -15), arm_l=reach("l", 0.1, 0.35, -0.4, (-1, 0.5, 0)),
                       arm_r=reach("r", 0.35, 0.35, 0.80, (-0.2, 1, 0)))  # fmt: skip
    follow = whip.change(root=(0.2, 0, 0.92), tilt=(0, 16, 15), spine=(0, 14, 25), foot_r=(0.0, -0.14, 0.06, 45, -5),
                         arm_r=reach("r", 0.65, -0.5, -0.35), arm_l=reach("l", -0.1, 0.3, -0.7, (-1, 0.4, 0)))
    grab = stand.change(root=(0, 0, 0.97), tilt=(0, 2, 0), head=(0, -15, 0), arm_l=reach("l", 0.65, -0.15, 0.45),
                        arm_r=reach("r", 0.65, -0.15, 0.45))  # fmt: skip
    high = grab.change(root=(0, 0, 1.0), head=(0, -30, 0), arm_l=reach("l", 0.45, -0.15, 0.86),
                       arm_r=reach("r", 0.45, -0.15, 0.86))  # fmt: skip
    tuck = ready.change(root=(0, 0, 0.92), tilt=(0, 15, 0), head=(0, 18, 0), arm_l=swing_arm("l", 10, 15, 100, 20),
                        arm_r=swing_arm("r", 5, 12, 110, 45))  # fmt: skip
    arms_up = stand.change(arm_l=reach("l", 0.05, 0.12, 0.97, (0, 1, 0)), arm_r=reach("r", 0.05, 0.12, 0.97, (0, 1, 0)))
    wide = arms_up.change(arm_l=reach("l", 0.05, 0.45, 0.85, (0, 1, 0)), arm_r=reach("r", 0.05, 0.45, 0.85, (0, 1, 0)))
    hips = stand.change(arm_l=reach("l", 0.08, 0.12, -0.62, (-0.4, 1, 0)), arm_r=reach("r", 0.08, 0.12, -0.62, (-0.4, 1, 0)))
    point = stand.change(arm_r=reach("r", 0.25, 0.93, 0.05, (-1, 0, 0)), head=(0, 4, -40))
    knees = ready.change(root=(-0.12, 0, 0.86), tilt=(0, 46, 0), spine=(0, 18, 0), head=(0, 30, 0),
                         arm_l=plant("l", 0.14, 0.22, 0.56), arm_r=plant("r", 0.14, -0.22, 0.56))  # fmt: skip
    receiver = ready.change(
        root=(0.02, 0, 0.93), tilt=(0, 16, 0), spine=(0, 8, 0), head=(0, 5, 20), foot_l=(0.34, 0.12, 0, 0, 4),
        foot_r=(-0.28, -0.12, 0, 38, -6), arm_l=swing_arm("l", 22, 12, 55, 15), arm_r=swing_arm("r", 26, 12, 60, 15))
    folded = stand.change(arm_l=reach("l", 0.30, -0.30, -0.20, (-0.2, 1, -0.5)),
                          arm_r=reach("r", 0.36, -0.30, -0.24, (-0.2, 1, -0.5)))  # fmt: skip
    sit = stand.change(root=(-0.1, 0, 0.54), tilt=(0, 8, 0), spine=(0, 22, 0), head=(0, 14, 0),
                       foot_l=(0.46, 0.18, 0, 0, 10), foot_r=(0.42, -0.18, 0, 0, -10),
                       arm_l=plant("l", 0.36, 0.16, 0.60), arm_r=plant("r", 0.34, -0.16, 0.60))  # fmt: skip
    low = lambda p: p.change(root=p.root + [0, 0.01, -0.015], head=p.head + [0, 2, 6])  # noqa: E731
    return {
        "stand": Motion(blend([stand, shift, stand, other], 8, closed=True), True),
        "stance2": Motion(blend([k["two"], low(k["two"])], 4, closed=True), True),
        "stance3": Motion(blend([k["three"], low(k["three"])], 4, closed=True), True),
        "stance3_left": Motion(blend([mirror(k["three"]), low(mirror(k["three"]))], 2, closed=True), True),
        "receiver": Motion(blend([receiver, low(receiver)], 2, closed=True), True),
        "folded": Motion([folded, folded.change(head=(0, 5, -25))], True),
        "sit": Motion([sit, sit.change(head=(0, 10, 30))], True, ground="none"),
        "crouch": Motion(blend([ready, low(ready)], 4, closed=True), True),
        "pass_set": Motion(blend([guard, step, guard, step.change(foot_l=guard.foot_l, foot_r=(-0.14, -0.40, 0.08, 4, -16),
                                 root=(-0.06, -0.05, 0.85))], 8, closed=True), True),
        "block": Motion(blend([push, drive], 8, closed=True), True),
        "throw": Motion(blend([hold, cock, whip, follow], 12, [0, 0.4, 0.65, 1]), False),
        "catch": Motion(blend([ready.change(root=(0, 0, 0.93), tilt=(0, 8, 0)), grab, high, tuck], 8, [0, 0.3, 0.5, 1]), False),
        "hold_ball": Motion(blend([hold, hop], 6, closed=True), True),
        "arms_up": Motion(blend([arms_up, wide], 4, closed=True), True),
        "hips": Motion(blend([hips, hips.change(head=(0, 6, 25))], 2, closed=True), True),
        "point": Motion([point, point.change(arm_r=reach("r", 0.8, 0.2, 0.1))], False),
        "knees": Motion([knees, low(knees)], True),
    }  # fmt: skip


def low_clips() -> dict[str, Motion]:
    """Falling, lying, getting up, kneeling, the pile."""
    trip = Pose().change(root=(0.05, 0, 0.86), tilt=(0, 38, 0), head=(0, 10, 0), foot_l=(-0.1, 0.12, 0, 30, 0),
                         foot_r=(-0.5, -0.12, 0.1, 60, 0), arm_l=reach("l", 0.7, 0.2, 0.1),
                         arm_r=reach("r", 0.7, 0.2, 0.1))  # fmt: skip
    dive = trip.change(root=(0.05, 0, 0.45), tilt=(0, 70, 0), head=(0, 40, 0), foot_l=(-0.62, 0.14, 0.0, 55, 0),
                       foot_r=(-0.75, -0.14, 0.25, 80, 0), arm_l=reach("l", 0.5, 0.2, 0.75),
                       arm_r=reach("r", 0.5, 0.2, 0.75))  # fmt: skip
    prone = dive.change(root=(0, 0, 0.13), tilt=(0, 88, 0), spine=(0, -4, 0), head=(0, 70, 20),
                        foot_l=(-0.95, 0.18, 0.05, 88, 0), foot_r=(-0.95, -0.16, 0.05, 88, 0),
                        arm_l=reach("l", 0.15, 0.45, 0.7), arm_r=reach("r", 0.15, 0.5, 0.6))  # fmt: skip
    bent = prone.change(foot_l=(-0.5, 0.35, 0.06, 88, 30), knee_l=[60], head=(0, 70, -30))
    side = prone.change(tilt=(80, 0, 82), spine=(0, 14, 0), root=(0, 0, 0.17), head=(80, 0, 70),
                        foot_l=(-0.62, 0.28, 0.12, 80, 40), foot_r=(-0.80, 0.10, 0.0, 80, 40),
                        arm_l=reach("l", 0.6, 0.1, -0.2), arm_r=reach("r", 0.75, -0.1, 0.45, (0.2, 0.3, -1)))  # fmt: skip
    supine = prone.change(root=(0, 0, 0.13), tilt=(0, -86, 0), spine=(0, 4, 0), head=(0, -70, 20),
                          foot_l=(0.85, 0.2, 0.14, -70, 20), foot_r=(0.50, -0.22, 0.0, -12, -10), knee_l=[20],
                          arm_l=reach("l", 0.1, 0.6, -0.7, (-1, 0.5, 0)), arm_r=reach("r", 0.4, 0.0, -0.4, (-0.5, 1, 0)))
    fours = Pose().change(root=(0, 0, 0.5), tilt=(0, 78, 0), spine=(0, 4, 0), head=(0, 45, 0), knee_l=[8], knee_r=[8],
                          foot_l=(-0.45, 0.14, 0.03, 85, 0), foot_r=(-0.45, -0.14, 0.03, 85, 0),
                          arm_l=plant("l", 0.42, 0.24, 0.16), arm_r=plant("r", 0.42, -0.24, 0.16))  # fmt: skip
    lunge = Pose().change(root=(0, 0, 0.60), tilt=(0, 40, 0), head=(0, 15, 0), foot_l=(0.32, 0.15, 0, 0, 5),
                          foot_r=(-0.40, -0.14, 0, 60, 0), arm_l=plant("l", 0.35, 0.2, 0.52),
                          arm_r=reach("r", 0.3, 0.2, -0.8))  # fmt: skip
    kneel = Pose().change(root=(0, 0, 0.55), tilt=(0, 5, 0), foot_l=(0.42, 0.14, 0, 0, 5), foot_r=(-0.42, -0.12, 0, 70, 0),
                          arm_l=plant("l", 0.38, 0.17, 0.60), arm_r=reach("r", 0.2, 0.2, -0.85))  # fmt: skip
    heap = fours.change(root=(0, 0, 0.34), tilt=(8, 82, 10), spine=(0, 10, 10), head=(0, 70, 20),
                        foot_l=(-0.6, 0.3, 0.02, 80, 15), arm_l=reach("l", 0.6, 0.2, 0.4), arm_r=reach("r", 0.6, 0.1, 0.3))
    over = trip.change(root=(0, 0, 0.55), tilt=(-15, 70, 0), head=(0, 60, -20), foot_l=(-0.45, 0.2, 0, 55, 0),
                       foot_r=(-0.70, -0.2, 0, 65, 0), arm_l=reach("l", 0.8, 0.1, 0.2), arm_r=reach("r", 0.7, 0.2, 0))
    return {
        "fall": Motion(blend([trip, dive, prone], 8, [0, 0.5, 1]), False, ground="all"),
        "down": Motion([prone, bent, side, supine], False, ground="all"),
        "getup": Motion(blend([prone, fours, lunge, Pose()], 9), False, ground="all"),
        "kneel": Motion([kneel, kneel.change(head=(0, 10, 20))], True, ground="all"),
        "pile": Motion([heap, bent, side, over], False, ground="all"),
    }


def lunging_clips() -> dict[str, Motion]:
    """Cuts, tackles and dives: the leaning bodies a detector boxes badly."""
    run = gait(RUN)
    plant_right = run[10].change(
        root=(-0.05, 0.02, 0.84), tilt=(-20, 18, 12), spine=(-4, 10, 12), head=(-6, 8, 30),
        foot_r=(0.12, -0.52, 0, 4, 5), foot_l=(-0.32, 0.05, 0.22, 55, 20))  # fmt: skip
    drive_left = run[4].change(root=(0, 0.05, 0.86), tilt=(-16, 20, 25), spine=(-4, 8, 5), head=(-4, 8, 35),
                               foot_r=(-0.34, -0.40, 0, 40, 20), foot_l=(0.32, 0.22, 0.16, 5, 30))  # fmt: skip
    reach_in = football()["ready"].change(
        root=(0.1, 0, 0.78), tilt=(0, 46, 0), spine=(0, 8, 0), head=(0, 20, 0), foot_l=(0.40, 0.16, 0, 0, 6),
        foot_r=(-0.50, -0.16, 0, 45, -6), arm_l=reach("l", 0.75, 0.45, 0.1), arm_r=reach("r", 0.75, 0.45, 0.0))
    wrap = reach_in.change(root=(0.16, 0, 0.62), tilt=(8, 62, 10), foot_l=(0.05, 0.18, 0, 35, 6),
                           foot_r=(-0.62, -0.16, 0, 60, 0), arm_l=reach("l", 0.72, -0.05, 0.15, (0, 1, 0)),
                           arm_r=reach("r", 0.72, -0.05, 0.0, (0, 1, 0)))  # fmt: skip
    drag = wrap.change(root=(0.1, 0, 0.30), tilt=(6, 78, 10), head=(0, 60, 15), foot_l=(-0.60, 0.22, 0.03, 75, 6),
                       foot_r=(-0.80, -0.12, 0.05, 85, 0))  # fmt: skip
    leap = run[4].change(root=(0.1, 0, 0.85), tilt=(0, 48, 0), spine=(0, -6, 0), head=(0, 5, 0),
                         foot_l=(-0.1, 0.12, 0.25, 60, 0), foot_r=(-0.65, -0.12, 0.05, 70, 0),
                         arm_l=reach("l", 0.6, 0.05, 0.75, (0, 1, 0)), arm_r=reach("r", 0.6, 0.05, 0.75, (0, 1, 0)))
    flat = leap.change(root=(0.1, 0, 0.55), tilt=(0, 78, 0), head=(0, 30, 0), foot_l=(-0.72, 0.14, 0.45, 88, 0),
                       foot_r=(-0.82, -0.14, 0.40, 88, 0))  # fmt: skip
    land = flat.change(root=(0.1, 0, 0.16), tilt=(0, 86, 0), head=(0, 50, 0), foot_l=(-0.78, 0.16, 0.20, 88, 0),
                       foot_r=(-0.80, -0.16, 0.10, 88, 0))  # fmt: skip
    return {
        "cut": Motion([plant_right, drive_left, mirror(plant_right), mirror(drive_left)], False),
        "tackle": Motion(blend([reach_in, wrap, drag], 6), False, ground="all"),
        "dive": Motion(blend([leap, flat, land], 5), False, ground="none"),
    }


def all_clips() -> dict[str, Motion]:
    """Every clip of the library, in the order of the asset."""
    carry = lambda s, p: swing_arm("r", 8 + 4 * np.sin(2 * np.pi * p), 12, 112, 45) if s == "r" else swing_arm(  # noqa: E731
        "l", 2 - 50 * np.cos(2 * np.pi * p), 12, 85, 15)  # fmt: skip
    run_ground = "none"
    out = {
        "walk": Motion(gait(WALK), True, WALK.stride_m / YARD_M, keep_xy=True),
        "jog": Motion(gait(JOG), True, JOG.stride_m / YARD_M, run_ground, True),
        "run": Motion(gait(RUN), True, RUN.stride_m / YARD_M, run_ground, True),
        "carry": Motion(gait(RUN, carry)[::2] + [], True, RUN.stride_m / YARD_M, run_ground, True),
        "backpedal": Motion(gait(BACKPEDAL), True, -BACKPEDAL.stride_m / YARD_M, "none", True),
        "shuffle": Motion(_shuffle(10, 0.95), True, 0.95 / YARD_M, "none", True),
    }
    return {**upright_clips(), **out, **low_clips(), **lunging_clips()}
