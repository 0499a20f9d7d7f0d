"""From a pose description to joint rotations to skinned vertices (forward and two-bone inverse kinematics).

A `Pose` is a flat set of numbers (metres for a man with 0.92 m hips, degrees), so that poses can be blended:
feet are given by the ball of the foot on the ground, hands by targets, so contact with the ground is exact
for every shape. Two-bone inverse kinematics: law of cosines with a pole vector (no source, common practice).
Frame: x forward, y left, z up. Angles: roll lifts the left side, pitch leans forward, yaw turns left.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np
from scipy.spatial.transform import Rotation

from models.training.people_body import JOINTS, PARENT, Body

J = {name: k for k, name in enumerate(JOINTS)}
REFERENCE_HIP_M = 0.92
UP, FORWARD = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])


def _vector(*values: float):
    return field(default_factory=lambda: np.array(values, float))


@dataclass
class Pose:
    """One key pose.

    root    pelvis x, y (m), z (1 = standing upright)
    tilt    pelvis roll, pitch, yaw; spine the same relative to the pelvis, over three joints; head absolute
    foot_*  x, y of the ball of the foot (m), lift (m), pitch (+ heel up), yaw
    knee_*  knee turned outward
    arm_*   wrist relative to the shoulder in the chest frame (arm lengths), direction the elbow points to
            (chest frame), then wrist in the body frame (m) and its weight 0..1
    """

    root: np.ndarray = _vector(0, 0, 0.995)
    tilt: np.ndarray = _vector(0, 0, 0)
    spine: np.ndarray = _vector(0, 3, 0)
    head: np.ndarray = _vector(0, 5, 0)
    foot_l: np.ndarray = _vector(0.14, 0.13, 0, 0, 8)
    foot_r: np.ndarray = _vector(0.14, -0.13, 0, 0, -8)
    knee_l: np.ndarray = _vector(8)
    knee_r: np.ndarray = _vector(8)
    arm_l: np.ndarray = _vector(0.1, 0.15, -0.95, -1, 0.3, 0, 0, 0, 0, 0)
    arm_r: np.ndarray = _vector(0.1, -0.15, -0.95, -1, -0.3, 0, 0, 0, 0, 0)

    def to_vector(self) -> np.ndarray:
        """All numbers in one row."""
        return np.concatenate([getattr(self, f.name) for f in fields(self)])

    @classmethod
    def from_vector(cls, v: np.ndarray) -> Pose:
        """Inverse of `to_vector`."""
        out, at = cls(), 0
        for f in fields(cls):
            n = len(getattr(out, f.name))
            setattr(out, f.name, v[at : at + n].copy())
            at += n
        return out

    def change(self, **parts) -> Pose:
        """A copy with some parts replaced (sequences become arrays)."""
        return replace(
            Pose.from_vector(self.to_vector()), **{k: np.array(v, float) for k, v in parts.items()}
        )


def mirror(p: Pose) -> Pose:
    """Left and right exchanged."""
    turn, foot, arm = (
        np.array([-1, 1, -1]),
        np.array([1, -1, 1, 1, -1]),
        np.array([1, -1, 1, 1, -1, 1, 1, -1, 1, 1]),
    )
    return Pose(
        p.root * [1, -1, 1],
        p.tilt * turn,
        p.spine * turn,
        p.head * turn,
        p.foot_r * foot,
        p.foot_l * foot,
        p.knee_r.copy(),
        p.knee_l.copy(),
        p.arm_r * arm,
        p.arm_l * arm,
    )


def swing_arm(side: str, flex: float, abduct: float, elbow: float, inward: float = 0.0) -> np.ndarray:
    """Arm numbers from joint angles: flex forward, abduct to the side, elbow bend, forearm turned inward."""
    s = 1.0 if side == "l" else -1.0
    f, a, e, t = np.deg2rad([flex, abduct, elbow, inward])
    upper = np.array([np.sin(f) * np.cos(a), s * np.sin(a), -np.cos(f) * np.cos(a)])
    bend = np.array([np.cos(f), 0.0, np.sin(f)])
    bend -= bend @ upper * upper
    bend /= np.linalg.norm(bend)
    bend = Rotation.from_rotvec(-s * t * -upper).apply(bend)
    fore = np.cos(e) * upper + np.sin(e) * bend
    return np.concatenate([0.53 * upper + 0.47 * fore, -bend, [0, 0, 0, 0]])


def reach(side: str, x: float, y: float, z: float, elbow=(-0.4, 0.8, -0.6)) -> np.ndarray:
    """Arm numbers from a wrist place in the chest frame (arm lengths; y outward) and the elbow direction."""
    s = 1.0 if side == "l" else -1.0
    return np.array([x, s * y, z, elbow[0], s * elbow[1], elbow[2], 0, 0, 0, 0])


def plant(side: str, x: float, y: float, z: float, elbow=(-0.3, 1.0, 0.0)) -> np.ndarray:
    """Arm numbers for a wrist held at a place in the body frame (m; y to the left)."""
    s = 1.0 if side == "l" else -1.0
    return np.array([0.2, s * 0.1, -0.9, elbow[0], s * elbow[1], elbow[2], x, y, z, 1.0])


def euler(angles_deg: np.ndarray) -> np.ndarray:
    """Rotation matrix: roll about x, then pitch about y, then yaw about z (fixed axes)."""
    return Rotation.from_euler("xyz", angles_deg, degrees=True).as_matrix()


def _between(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Smallest rotation taking direction a to direction b."""
    return Rotation.align_vectors(b[None], a[None])[0].as_matrix() if a @ b < 0.9999999 else np.eye(3)


def _unit(v: np.ndarray) -> np.ndarray:
    return v / max(float(np.linalg.norm(v)), 1e-9)


def two_bone(start, target, upper: float, lower: float, pole) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Directions of both bones and the hinge axis cross(reach, pole) of a two-bone limb."""
    n = target - start
    distance = float(np.clip(np.linalg.norm(n), abs(upper - lower) + 1e-3, 0.998 * (upper + lower)))
    n = _unit(n)
    side = _unit(pole - pole @ n * n)
    along = (upper**2 - lower**2 + distance**2) / (2 * distance)
    out = np.sqrt(max(upper**2 - along**2, 0.0))
    first = _unit(along * n + out * side)
    return first, _unit(distance * n - upper * first), np.cross(n, side)


def _segment(direction: np.ndarray, axis_y: np.ndarray) -> np.ndarray:
    z = -direction
    x = _unit(np.cross(axis_y, z))
    return np.stack([x, np.cross(z, x), z], axis=1)


class Poser:
    """Poses one rest body."""

    def __init__(self, body: Body):
        self.body = body
        p = body.pivots
        self.rest = {j: p[J[j]] for j in JOINTS}
        self.neutral = {
            f"{a}.{s}": _between(_unit(p[J[f"{b}.{s}"]] - p[J[f"{a}.{s}"]]), -UP)
            for s in "LR"
            for a, b in (("arm", "fore"), ("fore", "hand"), ("thigh", "shin"), ("shin", "foot"))
        }
        self.length = {
            f"{a}.{s}": float(np.linalg.norm(p[J[f"{b}.{s}"]] - p[J[f"{a}.{s}"]]))
            for s in "LR"
            for a, b in (("arm", "fore"), ("fore", "hand"), ("thigh", "shin"), ("shin", "foot"))
        }
        self.hip = float(self.rest["thigh.L"][2])
        self.ratio = self.hip / REFERENCE_HIP_M
        self.heel_m = 0.22 * self.ratio  # ball of the foot to the back of the heel

    def __call__(self, pose: Pose, ground: str = "feet", keep_xy: bool = False) -> np.ndarray:
        """Posed vertices (V, 3).

        ground: "feet" (lower the pelvis until planted feet reach the ground, put the lowest point
        at z = 0), "all" (lowest point at 0) or "none" (flight phases).
        keep_xy: feet keep their yards for every leg length (gaits), else they scale with the legs.
        """
        drop = 0.0
        for _ in range(12 if ground == "feet" else 1):
            turn, place, gap = self._joints(pose, drop, 1.0 if keep_xy else self.ratio)
            if gap < 2e-3:
                break
            drop += max(gap, 4e-3)
        v = self.skin(turn, place)
        if ground == "all" or (ground == "feet" and abs(v[:, 2].min()) < 0.06):
            v[:, 2] -= v[:, 2].min()
        return v

    def skin(self, turn: dict[str, np.ndarray], place: dict[str, np.ndarray]) -> np.ndarray:
        """Linear blend skinning."""
        out = np.zeros_like(self.body.vertices)
        for j in JOINTS:
            w = self.body.weights[:, J[j], None]
            out += w * ((self.body.vertices - self.rest[j]) @ turn[j].T + place[j])
        return out

    def _joints(self, pose: Pose, drop: float, xy: float):
        turn: dict[str, np.ndarray] = {"pelvis": euler(pose.tilt)}
        place = {"pelvis": np.array([pose.root[0] * xy, pose.root[1] * xy, 0.0])}
        place["pelvis"][2] = pose.root[2] * self.rest["pelvis"][2] - drop

        def follow(joint: str) -> None:
            parent = PARENT[joint]
            place[joint] = place[parent] + turn[parent] @ (self.rest[joint] - self.rest[parent])

        third = euler(pose.spine / 3)
        for joint in ("belly", "waist", "chest"):
            follow(joint)
            turn[joint] = turn[PARENT[joint]] @ third
        turn["head"] = euler(pose.head)
        half = Rotation.from_matrix(turn["chest"].T @ turn["head"]).as_rotvec() * 0.5
        turn["neck"] = turn["chest"] @ Rotation.from_rotvec(half).as_matrix()
        follow("neck")
        follow("head")
        gap = 0.0
        for side in "LR":
            self._arm(pose, side, turn, place, follow)
            gap = max(gap, self._leg(pose, side, xy, turn, place, follow))
        return turn, place, gap

    def _arm(self, pose: Pose, side: str, turn, place, follow) -> None:
        a = pose.arm_l if side == "L" else pose.arm_r
        clav, arm, fore, hand = (f"{k}.{side}" for k in ("clav", "arm", "fore", "hand"))
        s = 1.0 if side == "L" else -1.0
        raise_deg = 28 * np.clip(a[2] + 0.1, 0, 1) * (1 - a[9])  # the shoulder rises with a lifted arm
        forward_deg = 14 * np.clip(a[0] - 0.3, 0, 1) * (1 - a[9])
        turn[clav] = turn["chest"] @ euler(np.array([s * raise_deg, 0, -s * forward_deg]))
        follow(clav)
        place[arm] = place[clav] + turn[clav] @ (self.rest[arm] - self.rest[clav])
        upper, lower = self.length[arm], self.length[fore]
        target = place[arm] + turn["chest"] @ (a[:3] * (upper + lower))
        target = (1 - a[9]) * target + a[9] * a[6:9] * self.ratio
        first, second, hinge = two_bone(place[arm], target, upper, lower, turn["chest"] @ a[3:6])
        turn[arm] = _segment(first, hinge) @ self.neutral[arm]
        turn[fore] = _segment(second, hinge) @ self.neutral[fore]
        turn[hand] = turn[fore]
        follow(fore)
        follow(hand)

    def _leg(self, pose: Pose, side: str, xy: float, turn, place, follow) -> float:
        f = pose.foot_l if side == "L" else pose.foot_r
        out = (pose.knee_l if side == "L" else pose.knee_r)[0] * (1 if side == "L" else -1)
        thigh, shin, foot, toe = (f"{k}.{side}" for k in ("thigh", "shin", "foot", "toe"))
        follow(thigh)
        pitch, lift = f[3], f[2] * self.ratio
        turn[foot] = euler(np.array([0, pitch, f[4]]))
        free = np.clip(lift / 0.08, 0, 1)
        turn[toe] = euler(np.array([0, pitch if pitch < 0 else pitch * 0.7 * free, f[4]]))
        ball_height = self.rest[toe][2]
        z = lift + ball_height
        if pitch < 0:
            z += ball_height * (np.cos(np.deg2rad(pitch)) - 1) - self.heel_m * np.sin(np.deg2rad(pitch))
        ball = np.array([f[0] * xy, f[1] * xy, z])
        ankle = ball + turn[foot] @ (self.rest[foot] - self.rest[toe])
        upper, lower = self.length[thigh], self.length[shin]
        # the knee points where the pelvis faces, with half its lean: a bent man's thighs lie along its front
        pole = euler(pose.tilt * [1, 0.5, 1]) @ euler(np.array([0, 0, out])) @ FORWARD
        first, second, hinge = two_bone(place[thigh], ankle, upper, lower, pole)
        turn[thigh] = _segment(first, -hinge) @ self.neutral[thigh]
        turn[shin] = _segment(second, -hinge) @ self.neutral[shin]
        follow(shin)
        follow(foot)
        follow(toe)
        return float(np.linalg.norm(ankle - place[foot])) if lift <= 1e-6 else 0.0
