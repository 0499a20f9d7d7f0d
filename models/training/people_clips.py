"""Every action of rendered people, hand-keyed from common knowledge of the game (no source)."""

from __future__ import annotations

from models.training.people_gait import (
    Motion,
    blend,
)
from models.training.people_pose import Pose, mirror, plant, reach, swing_arm


def football() -> dict[str, Pose]:
    """Single key poses of the game that several clips share."""
    stand = Pose()
    ready = Pose().change(
        root=(-0.08, 0, 0.84),
        tilt=(0, 30, 0),
        spine=(0, 16, 0),
        head=(0, 8, 0),
        knee_l=[14],
        knee_r=[14],
        foot_l=(0.06, 0.24, 0, 0, 10),
        foot_r=(0.06, -0.24, 0, 0, -10),
        arm_l=swing_arm("l", 42, 12, 55, 10),
        arm_r=swing_arm("r", 42, 12, 55, 10),
    )
    three = Pose().change(
        root=(-0.28, 0, 0.645),
        tilt=(0, 73, 0),
        spine=(0, 12, 0),
        head=(0, 30, 0),
        knee_l=[12],
        knee_r=[14],
        foot_l=(0.10, 0.24, 0, 12, 5),
        foot_r=(-0.22, -0.24, 0, 32, -5),
        arm_l=plant("l", 0.20, 0.20, 0.46, (-0.6, 0.6, 0.2)),
        arm_r=plant("r", 0.44, -0.12, 0.165),
    )
    two = Pose().change(
        root=(-0.20, 0, 0.72),
        tilt=(0, 44, 0),
        spine=(0, 14, 0),
        head=(0, 12, 0),
        knee_l=[16],
        knee_r=[16],
        foot_l=(0.12, 0.27, 0, 2, 12),
        foot_r=(-0.04, -0.27, 0, 8, -12),
        arm_l=plant("l", 0.30, 0.20, 0.60, (-0.6, 0.8, 0)),
        arm_r=plant("r", 0.26, -0.20, 0.60, (-0.6, 0.8, 0)),
    )
    guard = ready.change(
        root=(-0.08, 0, 0.85),
        tilt=(0, 20, 0),
        spine=(0, 8, 0),
        foot_l=(0.10, 0.26, 0, 0, 10),
        foot_r=(-0.10, -0.26, 0, 4, -16),
        arm_l=reach("l", 0.55, -0.05, -0.12, (-0.3, 0.7, -0.8)),
        arm_r=reach("r", 0.55, -0.05, -0.12, (-0.3, 0.7, -0.8)),
    )
    return dict(stand=stand, ready=ready, three=three, two=two, guard=guard)


def low(p: Pose) -> Pose:
    """The same pose a breath later: a little lower, the head turned."""
    return p.change(root=p.root + [0, 0.01, -0.015], head=p.head + [0, 2, 6])


def bystanders() -> dict[str, Motion]:
    """Men who wait: players between plays, officials, coaches, the bench."""
    k = football()
    stand, ready = k["stand"], k["ready"]
    shift = stand.change(root=(0, 0.03, 0.98), tilt=(2, 0, 4), head=(0, 4, 20), knee_r=[15])
    other = stand.change(
        root=(0, -0.03, 0.98), tilt=(-2, 2, -4), head=(0, 8, -25), arm_l=swing_arm("l", 18, 12, 30)
    )
    arms_up = stand.change(
        arm_l=reach("l", 0.05, 0.12, 0.97, (0, 1, 0)), arm_r=reach("r", 0.05, 0.12, 0.97, (0, 1, 0))
    )
    wide = arms_up.change(
        arm_l=reach("l", 0.05, 0.45, 0.85, (0, 1, 0)), arm_r=reach("r", 0.05, 0.45, 0.85, (0, 1, 0))
    )
    hips = stand.change(
        arm_l=reach("l", 0.08, 0.12, -0.62, (-0.4, 1, 0)), arm_r=reach("r", 0.08, 0.12, -0.62, (-0.4, 1, 0))
    )
    point = stand.change(arm_r=reach("r", 0.25, 0.93, 0.05, (-1, 0, 0)), head=(0, 4, -40))
    knees = ready.change(
        root=(-0.12, 0, 0.86),
        tilt=(0, 46, 0),
        spine=(0, 18, 0),
        head=(0, 30, 0),
        arm_l=plant("l", 0.14, 0.22, 0.56),
        arm_r=plant("r", 0.14, -0.22, 0.56),
    )
    folded = stand.change(
        arm_l=reach("l", 0.30, -0.30, -0.20, (-0.2, 1, -0.5)),
        arm_r=reach("r", 0.36, -0.30, -0.24, (-0.2, 1, -0.5)),
    )
    sit = stand.change(
        root=(-0.1, 0, 0.54),
        tilt=(0, 8, 0),
        spine=(0, 22, 0),
        head=(0, 14, 0),
        foot_l=(0.46, 0.18, 0, 0, 10),
        foot_r=(0.42, -0.18, 0, 0, -10),
        arm_l=plant("l", 0.36, 0.16, 0.60),
        arm_r=plant("r", 0.34, -0.16, 0.60),
    )
    return {
        "stand": Motion(blend([stand, shift, stand, other], 8, closed=True), True),
        "hips": Motion(blend([hips, hips.change(head=(0, 6, 25))], 2, closed=True), True),
        "folded": Motion([folded, folded.change(head=(0, 5, -25))], True),
        "point": Motion([point, point.change(arm_r=reach("r", 0.8, 0.2, 0.1))], False),
        "arms_up": Motion(blend([arms_up, wide], 4, closed=True), True),
        "knees": Motion([knees, low(knees)], True),
        "sit": Motion([sit, sit.change(head=(0, 10, 30))], True, ground="none"),
    }


def stances() -> dict[str, Motion]:
    """Stances before the snap."""
    k = football()
    ready = k["ready"]
    receiver = ready.change(
        root=(0.02, 0, 0.93),
        tilt=(0, 16, 0),
        spine=(0, 8, 0),
        head=(0, 5, 20),
        foot_l=(0.34, 0.12, 0, 0, 4),
        foot_r=(-0.28, -0.12, 0, 38, -6),
        arm_l=swing_arm("l", 22, 12, 55, 15),
        arm_r=swing_arm("r", 26, 12, 60, 15),
    )
    return {
        "stance2": Motion(blend([k["two"], low(k["two"])], 4, closed=True), True),
        "stance3": Motion(blend([k["three"], low(k["three"])], 4, closed=True), True),
        "stance3_left": Motion(blend([mirror(k["three"]), low(mirror(k["three"]))], 2, closed=True), True),
        "receiver": Motion(blend([receiver, low(receiver)], 2, closed=True), True),
        "crouch": Motion(blend([ready, low(ready)], 4, closed=True), True),
    }


def line_play() -> dict[str, Motion]:
    """Blockers."""
    k = football()
    guard = k["guard"]
    step = guard.change(root=(-0.06, 0.05, 0.85), foot_l=(0.06, 0.40, 0.08, 0, 10))
    push = guard.change(
        root=(0.0, 0, 0.84),
        tilt=(0, 30, 0),
        spine=(0, 6, 0),
        foot_l=(0.16, 0.22, 0, 0, 8),
        foot_r=(-0.34, -0.24, 0, 30, -12),
        arm_l=reach("l", 0.88, 0.0, 0.0),
        arm_r=reach("r", 0.88, 0.0, 0.05),
    )
    drive = push.change(
        foot_l=(-0.26, 0.22, 0, 25, 8),
        foot_r=(0.16, -0.24, 0.04, 5, -10),
        arm_l=reach("l", 0.80, 0.02, 0.1),
        arm_r=reach("r", 0.86, 0.02, -0.05),
    )
    return {
        "pass_set": Motion(
            blend(
                [
                    guard,
                    step,
                    guard,
                    step.change(
                        foot_l=guard.foot_l, foot_r=(-0.14, -0.40, 0.08, 4, -16), root=(-0.06, -0.05, 0.85)
                    ),
                ],
                8,
                closed=True,
            ),
            True,
        ),
        "block": Motion(blend([push, drive], 8, closed=True), True),
    }


def passing() -> dict[str, Motion]:
    """The man with the ball."""
    k = football()
    ready = k["ready"]
    hold = ready.change(
        root=(0, 0, 0.95),
        tilt=(0, 5, -25),
        spine=(0, 4, 0),
        head=(0, 4, 0),
        foot_l=(0.16, 0.17, 0, 0, 0),
        foot_r=(-0.12, -0.16, 0, 8, -40),
        arm_l=reach("l", 0.38, -0.20, -0.12),
        arm_r=reach("r", 0.36, -0.15, -0.05),
    )
    hop = hold.change(root=(0, 0.02, 0.93), foot_l=(0.18, 0.16, 0, 12, 0), foot_r=(-0.12, -0.16, 0, 14, -40))
    cock = hold.change(
        tilt=(0, -4, -70),
        spine=(0, 0, -15),
        foot_l=(0.24, 0.10, 0.04, 0, -20),
        arm_l=reach("l", 0.55, 0.55, 0.05),
        arm_r=reach("r", -0.10, 0.55, 0.35, (-0.6, 0.8, -0.2)),
    )
    whip = hold.change(
        root=(0.12, 0, 0.93),
        tilt=(0, 8, -10),
        spine=(6, 8, 20),
        foot_l=(0.45, 0.14, 0, 0, 0),
        foot_r=(-0.2, -0.14, 0, 40, -15),
        arm_l=reach("l", 0.1, 0.35, -0.4, (-1, 0.5, 0)),
        arm_r=reach("r", 0.35, 0.35, 0.80, (-0.2, 1, 0)),
    )
    follow = whip.change(
        root=(0.2, 0, 0.92),
        tilt=(0, 16, 15),
        spine=(0, 14, 25),
        foot_r=(0.0, -0.14, 0.06, 45, -5),
        arm_r=reach("r", 0.65, -0.5, -0.35),
        arm_l=reach("l", -0.1, 0.3, -0.7, (-1, 0.4, 0)),
    )
    return {
        "throw": Motion(blend([hold, cock, whip, follow], 12, [0, 0.4, 0.65, 1]), False),
        "hold_ball": Motion(blend([hold, hop], 6, closed=True), True),
    }


def catching() -> dict[str, Motion]:
    """A catch over the head, brought in."""
    k = football()
    stand, ready = k["stand"], k["ready"]
    grab = stand.change(
        root=(0, 0, 0.97),
        tilt=(0, 2, 0),
        head=(0, -15, 0),
        arm_l=reach("l", 0.65, -0.15, 0.45),
        arm_r=reach("r", 0.65, -0.15, 0.45),
    )
    high = grab.change(
        root=(0, 0, 1.0),
        head=(0, -30, 0),
        arm_l=reach("l", 0.45, -0.15, 0.86),
        arm_r=reach("r", 0.45, -0.15, 0.86),
    )
    tuck = ready.change(
        root=(0, 0, 0.92),
        tilt=(0, 15, 0),
        head=(0, 18, 0),
        arm_l=swing_arm("l", 10, 15, 100, 20),
        arm_r=swing_arm("r", 5, 12, 110, 45),
    )
    return {
        "catch": Motion(
            blend([ready.change(root=(0, 0, 0.93), tilt=(0, 8, 0)), grab, high, tuck], 8, [0, 0.3, 0.5, 1]),
            False,
        ),
    }


def upright_clips() -> dict[str, Motion]:
    """Clips of men on their feet who stay where they are."""
    return {**bystanders(), **stances(), **line_play(), **passing(), **catching()}
