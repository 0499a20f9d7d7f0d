"""Clips of men who fall, lie, kneel, get up, cut, tackle and dive, hand-keyed (no source)."""

from __future__ import annotations

from models.training.people_clips import football
from models.training.people_gait import RUN, Motion, blend, gait
from models.training.people_pose import Pose, mirror, plant, reach


def _lying() -> dict[str, Pose]:
    """Key poses of a fall and of men on the ground."""
    trip = Pose().change(
        root=(0.05, 0, 0.86),
        tilt=(0, 38, 0),
        head=(0, 10, 0),
        foot_l=(-0.1, 0.12, 0, 30, 0),
        foot_r=(-0.5, -0.12, 0.1, 60, 0),
        arm_l=reach("l", 0.7, 0.2, 0.1),
        arm_r=reach("r", 0.7, 0.2, 0.1),
    )
    dive = trip.change(
        root=(0.05, 0, 0.45),
        tilt=(0, 70, 0),
        head=(0, 40, 0),
        foot_l=(-0.62, 0.14, 0.0, 55, 0),
        foot_r=(-0.75, -0.14, 0.25, 80, 0),
        arm_l=reach("l", 0.5, 0.2, 0.75),
        arm_r=reach("r", 0.5, 0.2, 0.75),
    )
    prone = dive.change(
        root=(0, 0, 0.13),
        tilt=(0, 88, 0),
        spine=(0, -4, 0),
        head=(0, 70, 20),
        foot_l=(-0.95, 0.18, 0.05, 88, 0),
        foot_r=(-0.95, -0.16, 0.05, 88, 0),
        arm_l=reach("l", 0.15, 0.45, 0.7),
        arm_r=reach("r", 0.15, 0.5, 0.6),
    )
    bent = prone.change(foot_l=(-0.5, 0.35, 0.06, 88, 30), knee_l=[60], head=(0, 70, -30))
    side = prone.change(
        tilt=(80, 0, 82),
        spine=(0, 14, 0),
        root=(0, 0, 0.17),
        head=(80, 0, 70),
        foot_l=(-0.62, 0.28, 0.12, 80, 40),
        foot_r=(-0.80, 0.10, 0.0, 80, 40),
        arm_l=reach("l", 0.6, 0.1, -0.2),
        arm_r=reach("r", 0.75, -0.1, 0.45, (0.2, 0.3, -1)),
    )
    supine = prone.change(
        root=(0, 0, 0.13),
        tilt=(0, -86, 0),
        spine=(0, 4, 0),
        head=(0, -70, 20),
        foot_l=(0.85, 0.2, 0.14, -70, 20),
        foot_r=(0.50, -0.22, 0.0, -12, -10),
        knee_l=[20],
        arm_l=reach("l", 0.1, 0.6, -0.7, (-1, 0.5, 0)),
        arm_r=reach("r", 0.4, 0.0, -0.4, (-0.5, 1, 0)),
    )
    return dict(trip=trip, dive=dive, prone=prone, bent=bent, side=side, supine=supine)


def _rising() -> dict[str, Pose]:
    """Key poses on hands and knees, and of kneeling."""
    fours = Pose().change(
        root=(0, 0, 0.5),
        tilt=(0, 78, 0),
        spine=(0, 4, 0),
        head=(0, 45, 0),
        knee_l=[8],
        knee_r=[8],
        foot_l=(-0.45, 0.14, 0.03, 85, 0),
        foot_r=(-0.45, -0.14, 0.03, 85, 0),
        arm_l=plant("l", 0.42, 0.24, 0.16),
        arm_r=plant("r", 0.42, -0.24, 0.16),
    )
    lunge = Pose().change(
        root=(0, 0, 0.60),
        tilt=(0, 40, 0),
        head=(0, 15, 0),
        foot_l=(0.32, 0.15, 0, 0, 5),
        foot_r=(-0.40, -0.14, 0, 60, 0),
        arm_l=plant("l", 0.35, 0.2, 0.52),
        arm_r=reach("r", 0.3, 0.2, -0.8),
    )
    kneel = Pose().change(
        root=(0, 0, 0.55),
        tilt=(0, 5, 0),
        foot_l=(0.42, 0.14, 0, 0, 5),
        foot_r=(-0.42, -0.12, 0, 70, 0),
        arm_l=plant("l", 0.38, 0.17, 0.60),
        arm_r=reach("r", 0.2, 0.2, -0.85),
    )
    return dict(fours=fours, lunge=lunge, kneel=kneel)


def low_clips() -> dict[str, Motion]:
    """Falling, lying, getting up, kneeling, the pile."""
    k = {**_lying(), **_rising()}
    heap = k["fours"].change(
        root=(0, 0, 0.34),
        tilt=(8, 82, 10),
        spine=(0, 10, 10),
        head=(0, 70, 20),
        foot_l=(-0.6, 0.3, 0.02, 80, 15),
        arm_l=reach("l", 0.6, 0.2, 0.4),
        arm_r=reach("r", 0.6, 0.1, 0.3),
    )
    over = k["trip"].change(
        root=(0, 0, 0.55),
        tilt=(-15, 70, 0),
        head=(0, 60, -20),
        foot_l=(-0.45, 0.2, 0, 55, 0),
        foot_r=(-0.70, -0.2, 0, 65, 0),
        arm_l=reach("l", 0.8, 0.1, 0.2),
        arm_r=reach("r", 0.7, 0.2, 0),
    )
    return {
        "fall": Motion(blend([k["trip"], k["dive"], k["prone"]], 8, [0, 0.5, 1]), False, ground="all"),
        "down": Motion([k["prone"], k["bent"], k["side"], k["supine"]], False, ground="all"),
        "getup": Motion(blend([k["prone"], k["fours"], k["lunge"], Pose()], 9), False, ground="all"),
        "kneel": Motion([k["kneel"], k["kneel"].change(head=(0, 10, 20))], True, ground="all"),
        "pile": Motion([heap, k["bent"], k["side"], over], False, ground="all"),
    }


def cuts() -> dict[str, Motion]:
    """Planting a foot to turn: left, left again, right, right again."""
    run = gait(RUN)
    plant_right = run[10].change(
        root=(-0.05, 0.02, 0.84),
        tilt=(-20, 18, 12),
        spine=(-4, 10, 12),
        head=(-6, 8, 30),
        foot_r=(0.12, -0.52, 0, 4, 5),
        foot_l=(-0.32, 0.05, 0.22, 55, 20),
    )
    drive_left = run[4].change(
        root=(0, 0.05, 0.86),
        tilt=(-16, 20, 25),
        spine=(-4, 8, 5),
        head=(-4, 8, 35),
        foot_r=(-0.34, -0.40, 0, 40, 20),
        foot_l=(0.32, 0.22, 0.16, 5, 30),
    )
    return {
        "cut": Motion([plant_right, drive_left, mirror(plant_right), mirror(drive_left)], False),
    }


def tackles() -> dict[str, Motion]:
    """A lunge, a wrap, a drag."""
    reach_in = football()["ready"].change(
        root=(0.1, 0, 0.78),
        tilt=(0, 46, 0),
        spine=(0, 8, 0),
        head=(0, 20, 0),
        foot_l=(0.40, 0.16, 0, 0, 6),
        foot_r=(-0.50, -0.16, 0, 45, -6),
        arm_l=reach("l", 0.75, 0.45, 0.1),
        arm_r=reach("r", 0.75, 0.45, 0.0),
    )
    wrap = reach_in.change(
        root=(0.16, 0, 0.62),
        tilt=(8, 62, 10),
        foot_l=(0.05, 0.18, 0, 35, 6),
        foot_r=(-0.62, -0.16, 0, 60, 0),
        arm_l=reach("l", 0.72, -0.05, 0.15, (0, 1, 0)),
        arm_r=reach("r", 0.72, -0.05, 0.0, (0, 1, 0)),
    )
    drag = wrap.change(
        root=(0.1, 0, 0.30),
        tilt=(6, 78, 10),
        head=(0, 60, 15),
        foot_l=(-0.60, 0.22, 0.03, 75, 6),
        foot_r=(-0.80, -0.12, 0.05, 85, 0),
    )
    return {
        "tackle": Motion(blend([reach_in, wrap, drag], 6), False, ground="all"),
    }


def dives() -> dict[str, Motion]:
    """A dive at full stretch."""
    run = gait(RUN)
    leap = run[4].change(
        root=(0.1, 0, 0.85),
        tilt=(0, 48, 0),
        spine=(0, -6, 0),
        head=(0, 5, 0),
        foot_l=(-0.1, 0.12, 0.25, 60, 0),
        foot_r=(-0.65, -0.12, 0.05, 70, 0),
        arm_l=reach("l", 0.6, 0.05, 0.75, (0, 1, 0)),
        arm_r=reach("r", 0.6, 0.05, 0.75, (0, 1, 0)),
    )
    flat = leap.change(
        root=(0.1, 0, 0.55),
        tilt=(0, 78, 0),
        head=(0, 30, 0),
        foot_l=(-0.72, 0.14, 0.45, 88, 0),
        foot_r=(-0.82, -0.14, 0.40, 88, 0),
    )
    land = flat.change(
        root=(0.1, 0, 0.16),
        tilt=(0, 86, 0),
        head=(0, 50, 0),
        foot_l=(-0.78, 0.16, 0.20, 88, 0),
        foot_r=(-0.80, -0.16, 0.10, 88, 0),
    )
    return {
        "dive": Motion(blend([leap, flat, land], 5), False, ground="none"),
    }


def lunging_clips() -> dict[str, Motion]:
    """Cuts, tackles and dives: the leaning bodies a detector boxes badly."""
    return {**cuts(), **tackles(), **dives()}
