"""A strange look on purpose: wide frames from a second, unrelated drawing program.

The detector is trained on one renderer; this one shares nothing with it: mannequins of capsules
painted flat with OpenCV, turf cut from real photographs (scikit-image's grass, gravel and brick), its
own cameras, its own poses, JPEG or MPEG-4 damage. A detector that holds here has not only learnt its
renderer. Truth: the extent of each figure's own drawing, before anyone stands in front of it;
men hidden almost whole are left out.

    python -m models.synthetic.strange OUT --frames 120 --seed 9001
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol, TypeVar

import cv2
import numpy as np

SIZES = ((1920, 1080), (1280, 720), (854, 480))
FIELD_LENGTH_YD, FIELD_WIDTH_YD = 100.0, 160 / 3
BRUSH_PX = 0.5  # OpenCV's filled circles cover the pixels within about that beyond the radius asked for
LEAST_SEEN = 0.12  # share of a man in view below which he is no truth, as in the rendered sets

# joint offsets in yards: forward, left, up (from memory of common body proportions, height 2.0 yd)
Pose = dict[str, np.ndarray]
Truth = TypeVar("Truth")
LIMBS = (
    ("hip_l", "knee_l", 0.105, "pants"),
    ("knee_l", "foot_l", 0.075, "sock"),
    ("hip_r", "knee_r", 0.105, "pants"),
    ("knee_r", "foot_r", 0.075, "sock"),
    ("pelvis", "chest", 0.20, "jersey"),
    ("shoulder_l", "shoulder_r", 0.16, "jersey"),
    ("shoulder_l", "elbow_l", 0.075, "jersey"),
    ("elbow_l", "hand_l", 0.06, "skin"),
    ("shoulder_r", "elbow_r", 0.075, "jersey"),
    ("elbow_r", "hand_r", 0.06, "skin"),
    ("head", "head", 0.17, "helmet"),
)


CROUCH = {"run": 0.08, "stand": 0.0, "stance": 0.55, "low": 0.3}
SWING = {"run": 0.55, "stand": 0.1, "stance": 0.15, "low": 0.25}
LEAN = {"run": 0.22, "stand": 0.02, "stance": 0.75, "low": 0.4}


def make_pose(rng: np.random.Generator, kind: str) -> Pose:
    """Joints of a mannequin in its own frame (forward, left, up), feet on the ground."""
    crouch = CROUCH[kind] + rng.uniform(0, 0.06)
    swing = rng.uniform(-1, 1) * SWING[kind]
    return pose_of(crouch, swing, LEAN[kind] * rng.uniform(0.7, 1.2), kind == "stance")


def pose_of(crouch: float, swing: float, lean: float, hands_low: bool = False) -> Pose:
    """Joints of a mannequin: crouch (0 upright), swing (-1..1 stride, left foot ahead), lean (rad)."""
    hip = 1.02 - crouch * 0.5
    pose: Pose = {"pelvis": np.array([0, 0, hip])}
    pose["chest"] = np.array([lean * 0.6, 0, hip + 0.5 * np.cos(lean)])
    pose["head"] = pose["chest"] + [0.1 + lean * 0.25, 0, 0.32]
    for side, sign in (("l", 1), ("r", -1)):
        pose[f"hip_{side}"] = pose["pelvis"] + [0, 0.12 * sign, 0]
        reach = swing * sign * 0.55
        pose[f"foot_{side}"] = np.array([reach, 0.14 * sign, 0.06 + max(0, -reach) * 0.35])
        middle = (pose[f"hip_{side}"] + pose[f"foot_{side}"]) / 2
        pose[f"knee_{side}"] = middle + [0.12 + crouch * 0.35, 0, 0.05]
        pose[f"shoulder_{side}"] = pose["chest"] + [0, 0.24 * sign, 0.02]
        arm = -swing * sign * 0.5
        down = 0.45 if hands_low else 0.33
        pose[f"elbow_{side}"] = pose[f"shoulder_{side}"] + [arm * 0.5, 0.08 * sign, -down * 0.9]
        pose[f"hand_{side}"] = pose[f"elbow_{side}"] + [
            0.2 + arm * 0.4,
            -0.02,
            -0.4 if hands_low else -0.15,
        ]
    return pose


class Seer(Protocol):
    """What a mannequin needs of a camera."""

    focal: float

    def see(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(N, 3) yards to ((N, 2) px, (N,) depth)."""


class Eye:
    """This program's own pinhole: place, aim point and focal length; returns pixels and depth."""

    def __init__(self, rng: np.random.Generator, size: tuple[int, int]) -> None:
        self.width, self.height = size
        aim = np.array([rng.uniform(15, 85), rng.uniform(18, 32), 0.0])
        if rng.random() < 0.8:
            self.place = np.array([aim[0] + rng.uniform(-30, 30), -rng.uniform(20, 70), rng.uniform(8, 30)])
        else:
            self.place = np.array(
                [-rng.uniform(25, 50), FIELD_WIDTH_YD / 2 + rng.uniform(-6, 6), rng.uniform(8, 20)]
            )
        forward = (aim - self.place) / np.linalg.norm(aim - self.place)
        right = np.cross(forward, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        self.rows = np.stack([right, -np.cross(right, forward), forward])
        distance = np.linalg.norm(aim - self.place)
        self.aim = aim
        self.focal = float(rng.uniform(0.045, 0.11) / 2.0 * self.height * distance)

    def see(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        camera = (points - self.place) @ self.rows.T
        depth = camera[:, 2]
        safe = np.maximum(depth, 0.1)
        px = camera[:, :2] / safe[:, None] * self.focal + [self.width / 2, self.height / 2]
        return px, depth


def _ground_texture(rng: np.random.Generator) -> np.ndarray:
    from skimage import data

    grey = np.asarray(
        getattr(data, str(rng.choice(["grass", "gravel", "brick"], p=[0.7, 0.2, 0.1])))(), np.float32
    )
    grey = grey / grey.mean()
    tint = np.array([rng.uniform(30, 90), rng.uniform(80, 150), rng.uniform(30, 110)], np.float32)
    return np.clip(1 + (grey[..., None] - 1) * rng.uniform(0.1, 0.6), 0.2, 2) * tint


def draw_ground(rng: np.random.Generator, eye: Eye) -> np.ndarray:
    """Turf by inverse mapping of a photograph, yard lines, side lines, a plain backdrop above the horizon."""
    texture = _ground_texture(rng)
    u, v = np.meshgrid(np.arange(eye.width), np.arange(eye.height))
    rays = np.stack(
        [(u - eye.width / 2) / eye.focal, (v - eye.height / 2) / eye.focal, np.ones_like(u, float)], -1
    )
    world = rays @ eye.rows
    down = np.minimum(world[..., 2], -1e-4)
    reach = -eye.place[2] / down
    x, y = eye.place[0] + world[..., 0] * reach, eye.place[1] + world[..., 1] * reach
    ground = (world[..., 2] < -1e-4) & (reach < 400)
    picture = texture[(y * 37).astype(int) % texture.shape[0], (x * 37).astype(int) % texture.shape[1]].copy()
    picture *= (1 + 0.08 * np.sign(np.sin(x * np.pi / 5)))[..., None] if rng.random() < 0.5 else 1
    inside = (x > -10) & (x < 110) & (y > 0) & (y < FIELD_WIDTH_YD)
    footprint = np.maximum(reach / eye.focal * 1.2, 0.06)
    line = (np.abs((x + 2.5) % 5 - 2.5) < footprint) & inside
    line |= (np.minimum(np.abs(y), np.abs(y - FIELD_WIDTH_YD)) < footprint * 2) & (x > -10) & (x < 110)
    picture[line] = picture[line] * 0.3 + 150
    picture[~ground] = rng.uniform(40, 200, 3)
    clutter = cv2.resize(
        rng.uniform(0.6, 1.4, (eye.height // 12 + 1, eye.width // 9 + 1, 3)).astype(np.float32),
        (eye.width, eye.height),
    )
    outside = ~ground | (y > FIELD_WIDTH_YD + 12)
    picture[outside] *= clutter[outside]
    return np.clip(picture, 0, 255).astype(np.uint8)


def _colours(rng: np.random.Generator, official: bool) -> dict[str, np.ndarray]:
    if official:
        white, black = np.array([230.0] * 3), np.array([25.0] * 3)
        return {
            "jersey": white,
            "pants": black,
            "sock": black,
            "helmet": black,
            "skin": np.array([110, 140, 190.0]),
        }
    return {
        "jersey": rng.uniform(10, 245, 3),
        "pants": rng.uniform(10, 245, 3),
        "sock": rng.uniform(10, 245, 3),
        "helmet": rng.uniform(10, 245, 3),
        "skin": np.array([110, 140, 190.0]) * rng.uniform(0.35, 1.1),
    }


def draw_figure(
    picture: np.ndarray,
    eye: Seer,
    place: np.ndarray,
    facing: float,
    pose: Pose,
    colours: dict[str, np.ndarray],
    official: bool,
    owner: np.ndarray,
    number: int,
) -> np.ndarray | None:
    """Paint one mannequin; returns its box (x0, y0, x1, y1) px before cutting, or None when unseen.

    Boxes are the edges of the painted pixels, in coordinates whose integers are pixels' centres: the brush
    covers half a pixel more than its radius on every side.
    owner (H, W) uint8, in place: number of the man last painted on a pixel, for who hides whom.
    """
    turn = np.array([[np.cos(facing), -np.sin(facing)], [np.sin(facing), np.cos(facing)]])
    names = list(pose)
    local = np.stack([pose[n] for n in names])
    world = np.concatenate([local[:, :2] @ turn.T + place, local[:, 2:]], 1)
    px, depth = eye.see(world)
    if depth.min() < 1:
        return None
    at = dict(zip(names, px, strict=True))
    scale = eye.focal / depth.mean()
    x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
    shift, one = 3, 1 << 3
    for a, b, radius, part in LIMBS:
        r = radius * scale
        p, q = at[a], at[b]
        colour = colours[part] * (0.85 if a.endswith("_r") else 1.0)
        steps = max(2, int(np.linalg.norm(q - p) / max(1.0, r * 0.5)))
        for t in np.linspace(0, 1, steps):
            c = p * (1 - t) + q * t
            stripe = official and part == "jersey" and int(t * 9) % 2 == 0
            shade = colour * (0.15 if stripe else 1.0)
            centre = (int(c[0] * one), int(c[1] * one))
            wide = max(one // 2, int(r * one))
            cv2.circle(picture, centre, wide, shade.tolist(), -1, cv2.LINE_AA, shift)
            cv2.circle(owner, centre, wide, number, -1, cv2.LINE_8, shift)
        x0, y0 = min(x0, p[0] - r, q[0] - r), min(y0, p[1] - r, q[1] - r)
        x1, y1 = max(x1, p[0] + r, q[0] + r), max(y1, p[1] + r, q[1] + r)
    return np.array([x0 - BRUSH_PX, y0 - BRUSH_PX, x1 + BRUSH_PX, y1 + BRUSH_PX])


def in_sight(box: np.ndarray, width: int, height: int) -> np.ndarray:
    """The box (x0, y0, x1, y1) px cut at the picture's edges, half a pixel beyond its outermost centres."""
    return np.asarray(box.clip(-0.5, [width - 0.5, height - 0.5] * 2))


def draw_frame(rng: np.random.Generator) -> tuple[np.ndarray, list[tuple[int, np.ndarray]]]:
    """One picture and its (kind, box px) list: 0 player, 1 official."""
    eye = Eye(rng, SIZES[rng.integers(len(SIZES))])
    picture = draw_ground(rng, eye)
    light = rng.uniform(0.5, 1.1)
    los, kits = eye.aim[0], [_colours(rng, False), _colours(rng, False)]
    people = []
    for side, sign in ((0, -1), (1, 1)):
        for slot in range(11):
            line = slot < 5
            across = eye.aim[1] + ((slot - 2) * 1.3 if line else rng.uniform(-20, 20))
            depth = rng.uniform(0.6, 1.2) if line else rng.uniform(1, 14)
            kind = "stance" if line and rng.random() < 0.6 else str(rng.choice(["run", "stand", "low"]))
            people.append((0, side, np.array([los + sign * depth, across]), kind, 0.0 if sign < 0 else np.pi))
    for _ in range(int(rng.integers(3, 7))):
        people.append(
            (1, 2, np.array([los + rng.uniform(-18, 18), rng.uniform(2, 51)]), "stand", rng.uniform(0, 6.28))
        )
    people.sort(key=lambda p: -float(np.linalg.norm(p[2] - eye.place[:2])))
    out = []
    owner = np.zeros((eye.height, eye.width), np.uint8)
    painted: dict[int, int] = {}
    for number, (man, side, place, pose_kind, facing) in enumerate(people, 1):
        colours = kits[side] if man == 0 else _colours(rng, True)
        facing = facing + rng.normal(0, 0.5)
        box = draw_figure(
            picture, eye, place, facing, make_pose(rng, pose_kind), colours, man == 1, owner, number
        )
        painted[number] = int((owner == number).sum())
        if box is None:
            continue
        cut = in_sight(box, eye.width, eye.height)
        in_picture = np.prod(cut[2:] - cut[:2]) > 0.4 * np.prod(box[2:] - box[:2])
        if in_picture and cut[3] - cut[1] > 8:
            out.append((man, cut, number))
    left = np.bincount(owner.ravel(), minlength=len(people) + 1)
    seen = [(man, cut) for man, cut, k in out if left[k] >= LEAST_SEEN * max(1, painted[k])]
    noise = rng.normal(0, rng.uniform(1, 10), picture.shape)
    return np.clip(picture * light + noise, 0, 255).astype(np.uint8), seen


def write_frames(
    out: Path, frames: int, seed: int, draw: Callable[[np.random.Generator], tuple[np.ndarray, Truth]]
) -> Iterator[tuple[str, tuple[int, ...], Truth]]:
    """Draw frames and write them to images/; yields each one's name, its picture's shape and its truth."""
    (out / "images").mkdir(parents=True, exist_ok=True)
    for index in range(frames):
        rng = np.random.default_rng([seed, index])
        picture, truth = draw(rng)
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(35, 95))]
        cv2.imwrite(str(out / "images" / f"{index:05d}.jpg"), picture, quality)
        yield f"{index:05d}", picture.shape, truth


def write_set(out: Path, frames: int, seed: int) -> None:
    """Write images/ and labels/ (Ultralytics detection format: zero is the first pixel's corner)."""
    (out / "labels").mkdir(parents=True, exist_ok=True)
    for name, (h, w, *_), boxes in write_frames(out, frames, seed, draw_frame):
        rows = []
        for k, b in boxes:
            middle, extent = ((b[:2] + b[2:]) / 2 + 0.5) / [w, h], (b[2:] - b[:2]) / [w, h]
            rows.append(f"{k} {middle[0]:.6f} {middle[1]:.6f} {extent[0]:.6f} {extent[1]:.6f}")
        (out / "labels" / f"{name}.txt").write_text("\n".join(rows))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--frames", type=int, default=120)
    parser.add_argument("--seed", type=int, default=9001)
    args = parser.parse_args()
    write_set(args.out, args.frames, args.seed)


if __name__ == "__main__":
    main()
