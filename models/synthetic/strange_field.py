"""Marked fields from the second drawing program: film for the camera that owes the renderer nothing.

Every pixel asks which place of the ground it sees and is painted by that place's distance to the lines,
ticks and numerals of the rules (own constants below, each with its rule); turf from real photographs,
numerals in OpenCV's stroke fonts or DejaVu, mannequins of :mod:`models.synthetic.strange` standing on it.
Single frames: the hardest case, no time and no game to lean on.

    python -m models.synthetic.strange_field OUT --frames 60 --seed 9101

Writes OUT/images/*.jpg and OUT/truth.json: per frame the rule set, the view, men's boxes (px) and the men's
places, each as (x_px, y_px, x_field_yd, y_field_yd).
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.synthetic.strange import _colours, _ground_texture, draw_figure, make_pose, write_frames

SIZES = ((1920, 1080), (1280, 720), (960, 540), (854, 480))


@dataclass(frozen=True)
class Rules:
    """length, width; hash rows' distance from the side line; numerals' centre from the side line and their
    height and width, all yards."""

    length: float
    width: float
    row: float
    number: float
    tall: float
    wide: float


RULES = {
    # NFL rule 1: hash marks 70 ft 9 in from the side line, numbers' bottoms 12 yd from it, 6 ft by 4 ft
    "nfl": Rules(100, 160 / 3, 70.75 / 3, 13.0, 2.0, 4 / 3),
    # NCAA rule 1-2-1: hash marks 60 ft in, tops of the numbers 9 yd in, 6 ft by 4 ft
    "ncaa": Rules(100, 160 / 3, 20.0, 8.0, 2.0, 4 / 3),
    # NFHS rule 1-2-3: hash marks divide the field in thirds, tops of the numbers 9 yd in
    "nfhs": Rules(100, 160 / 3, 160 / 9, 8.0, 2.0, 4 / 3),
    # Canadian rule 1-1: 110 by 65 yd, hash marks 24 yd in; place of numbers from memory
    "canadian": Rules(110, 65.0, 24.0, 13.0, 2.0, 4 / 3),
}


def rows_toward(place: np.ndarray, aim: np.ndarray, roll_rad: float) -> np.ndarray:
    """(3, 3) rows right, down, forward of a camera at ``place`` that looks at ``aim`` (yards)."""
    forward = (aim - place) / np.linalg.norm(aim - place)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    down = -np.cross(right, forward)
    cos, sin = np.cos(roll_rad), np.sin(roll_rad)
    return np.stack([cos * right + sin * down, cos * down - sin * right, forward])


class Eye:
    """This program's camera: pinhole with one radial coefficient, y down, upright or slightly rolled."""

    def __init__(self, rng: np.random.Generator, size: tuple[int, int], rules: Rules, view: str) -> None:
        self.width, self.height = size
        length, width = rules.length, rules.width
        aim = np.array([rng.uniform(14, length - 14), width / 2 + rng.uniform(-9, 9), 0.0])
        if view == "sideline":
            self.place = np.array([length / 2 + rng.normal(0, 9), -rng.uniform(16, 60), rng.uniform(8, 28)])
            span = float(np.exp(rng.uniform(np.log(28), np.log(60))))
        else:
            self.place = np.array([-rng.uniform(28, 55), width / 2 + rng.normal(0, 3), rng.uniform(8, 22)])
            span = rng.uniform(20, 42)
        self.rows = rows_toward(self.place, aim, float(np.deg2rad(rng.normal(0, 0.8))))
        self.aim = aim
        self.focal = float(self.width * np.linalg.norm(aim - self.place) / span)
        half = np.hypot(self.width, self.height) / 2 / self.focal
        self.k1 = float(rng.normal(-0.004, 0.012)) / half**2

    def see(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(N, 3) yards to ((N, 2) px, (N,) depth)."""
        camera = (points - self.place) @ self.rows.T
        depth = camera[:, 2]
        xy = camera[:, :2] / np.maximum(depth, 0.1)[:, None]
        xy = xy * (1 + self.k1 * (xy**2).sum(1, keepdims=True))
        return xy * self.focal + [(self.width - 1) / 2, (self.height - 1) / 2], depth

    def ground(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """x, y (yards) of the ground under every pixel and its distance; NaN above the horizon."""
        u, v = np.meshgrid(np.arange(self.width), np.arange(self.height))
        bent = np.stack([u - (self.width - 1) / 2, v - (self.height - 1) / 2], -1) / self.focal
        flat = bent.copy()
        for _ in range(8):
            flat = bent / (1 + self.k1 * (flat**2).sum(-1, keepdims=True))
        world = np.concatenate([flat, np.ones((*flat.shape[:2], 1))], -1) @ self.rows
        reach = np.where(world[..., 2] < -1e-4, -self.place[2] / np.minimum(world[..., 2], -1e-4), np.nan)
        reach[reach > 400] = np.nan
        return self.place[0] + world[..., 0] * reach, self.place[1] + world[..., 1] * reach, reach


def _cover(distance: np.ndarray, half: float | np.ndarray, blur: np.ndarray) -> np.ndarray:
    """Share of a pixel covered by a stripe ``half`` wide at ``distance``, blurred over ``blur`` (yards)."""
    return np.asarray(np.clip((half - np.abs(distance)) / np.maximum(blur, 1e-3) + 0.5, 0, 1))


def _glyphs(rng: np.random.Generator, rules: Rules) -> dict[int, np.ndarray]:
    """Alpha pictures (60, 120) of the two-digit numbers, digits apart so that a line runs between them."""
    font, weight = int(rng.choice([0, 2, 3, 4])), int(rng.integers(3, 9))
    out = {}
    for tens in range(1, 6):
        tile = np.zeros((60, 120), np.uint8)
        for digit, left in ((str(tens), 6), ("0", 68)):
            (w, h), _ = cv2.getTextSize(digit, font, 1.0, weight)
            glyph = np.zeros((h + 2 * weight, w + 2 * weight), np.uint8)
            cv2.putText(glyph, digit, (weight, h + weight // 2), font, 1.0, 255, weight, cv2.LINE_AA)
            rows, columns = np.nonzero(glyph.max(1))[0], np.nonzero(glyph.max(0))[0]
            glyph = glyph[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            tile[2:58, left : left + 46] = cv2.resize(glyph, (46, 56), interpolation=cv2.INTER_AREA)
        out[tens * 10] = tile
    return out


def marks_over(
    rng: np.random.Generator,
    rules: Rules,
    x: np.ndarray,
    y: np.ndarray,
    blur_x: np.ndarray,
    blur_y: np.ndarray,
) -> np.ndarray:
    """Share of paint (0..1) at places x, y (yards), each seen as wide as blur_x by blur_y."""
    inside_x, inside_y = (x > -0.06) & (x < rules.length + 0.06), (y > 0) & (y < rules.width)
    off = (x + 2.5) % 5 - 2.5
    marks = _cover(off, 1 / 18, blur_x) * (inside_x & inside_y)
    border = rng.uniform(0.06, 2.0)
    for line in (0.0, rules.width):
        out = (line - y) if line == 0 else (y - line)
        marks = np.maximum(
            marks, _cover(out - border / 2, border / 2, blur_y) * (x > -10) * (x < rules.length + 10)
        )
    yard = (x + 0.5) % 1 - 0.5
    for row in (rules.row, rules.width - rules.row):
        near = np.where(row < rules.width / 2, y - row, row - y)
        marks = np.maximum(
            marks,
            _cover(yard, 1 / 18, blur_x)
            * _cover(near + (1 / 3 if rules.row > 22 else -1 / 3), 1 / 3, blur_y)
            * inside_x,
        )
    for line in (0.15, rules.width - 0.15):
        marks = np.maximum(
            marks,
            _cover(yard, 1 / 18, blur_x) * _cover(y - line, 0.5, blur_y) * inside_x * rng.integers(0, 2),
        )
    return np.asarray(np.maximum(marks, _numbers(rng, rules, x, y)))


def paint_marks(rng: np.random.Generator, rules: Rules, eye: Eye) -> tuple[np.ndarray, np.ndarray]:
    """(picture (H, W, 3) float BGR, ground (H, W) bool) of an empty marked field."""
    x, y, reach = eye.ground()
    ground = np.isfinite(reach)
    x, y, reach = np.nan_to_num(x, nan=-999), np.nan_to_num(y, nan=-999), np.nan_to_num(reach, nan=400)
    texture = _ground_texture(rng)
    picture = texture[(y * 37).astype(int) % texture.shape[0], (x * 37).astype(int) % texture.shape[1]].copy()
    if rng.random() < 0.5:
        picture *= (1 + rng.uniform(0.03, 0.1) * np.sign(np.sin(x * np.pi / 5)))[..., None]
    fine = reach / eye.focal  # a pixel across, yards; along the sight it is longer
    long = fine * reach / max(eye.place[2], 1.0)
    side_on = abs(eye.rows[2][1]) > abs(eye.rows[2][0])
    blur_x, blur_y = (fine, long) if side_on else (long, fine)
    marks = marks_over(rng, rules, x, y, blur_x, blur_y)
    colour = np.array([235.0, 240, 240]) * rng.uniform(0.75, 1.0)
    worn = cv2.resize(
        rng.uniform(0.45, 1.0, (eye.height // 16 + 1, eye.width // 16 + 1)).astype(np.float32),
        (eye.width, eye.height),
    )
    alpha = (marks * worn * rng.uniform(0.6, 1.0))[..., None]
    return picture * (1 - alpha) + colour * alpha, ground


def _numbers(rng: np.random.Generator, rules: Rules, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    glyphs = _glyphs(rng, rules)
    out = np.zeros_like(x)
    long = rules.wide * 2 + 0.6
    for k in range(1, int(rules.length // 10)):
        value = int(round(min(k * 10, rules.length - k * 10)))
        if value not in glyphs:
            continue
        for middle, up in ((rules.number, 1.0), (rules.width - rules.number, -1.0)):
            u = ((x - k * 10) * up / long + 0.5) * 120 - 0.5
            v = (0.5 - (y - middle) * up / rules.tall) * 60 - 0.5
            hit = (u > -1) & (u < 120) & (v > -1) & (v < 60)
            if hit.any():
                tile = cv2.remap(glyphs[value], u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR)
                out = np.maximum(out, tile.astype(float) / 255 * hit)
            if value != round(rules.length / 2):  # the arrow beside it, to the nearer goal line
                toward = -1.0 if k * 10 < rules.length / 2 else 1.0
                ahead = (x - k * 10) * toward - long / 2 - 0.15
                wing = np.abs(y - middle - up * 0.35)
                out = np.maximum(
                    out, ((ahead > 0) & (ahead < 0.9) & (wing < 0.22 * (1 - ahead / 0.9))).astype(float)
                )
    return cv2.GaussianBlur(out, (0, 0), 0.6)


def _men(rng: np.random.Generator, eye: Eye) -> list[tuple[int, np.ndarray]]:
    """(side, place) of twenty-two men about a line of scrimmage, those far from the camera first."""
    men: list[tuple[int, np.ndarray]] = []
    for side, sign in ((0, -1), (1, 1)):
        for slot in range(11):
            across = (slot - 2) * 1.3 if slot < 5 else rng.uniform(-20, 20)
            ahead = rng.uniform(0.6, 1.2) if slot < 5 else rng.uniform(1, 14)
            men.append((side, np.array([eye.aim[0] + sign * ahead, eye.aim[1] + across])))
    return sorted(men, key=lambda m: -float(np.linalg.norm(m[1] - eye.place[:2])))


def draw_frame(
    rng: np.random.Generator, standard: str | None = None, view: str | None = None
) -> tuple[np.ndarray, dict[str, Any]]:
    """One picture (BGR) and its truth; rule set and view are drawn where not given."""
    standard = standard or str(rng.choice(list(RULES)))
    view = view or ("sideline" if rng.random() < 0.7 else "endzone")
    rules = RULES[standard]
    eye = Eye(rng, SIZES[rng.integers(len(SIZES))], rules, view)
    paint, ground = paint_marks(rng, rules, eye)
    paint[~ground] = rng.uniform(40, 200, 3)
    clutter = rng.uniform(0.6, 1.4, (eye.height // 12 + 1, eye.width // 9 + 1, 3)).astype(np.float32)
    paint[~ground] *= cv2.resize(clutter, (eye.width, eye.height))[~ground]
    picture = np.ascontiguousarray(np.clip(paint * rng.uniform(0.5, 1.1), 0, 255).astype(np.uint8))
    owner = np.zeros(picture.shape[:2], np.uint8)
    kits = [_colours(rng, False), _colours(rng, False)]
    boxes, feet = [], []
    for number, (side, place) in enumerate(_men(rng, eye), 1):
        pose, facing = make_pose(rng, str(rng.choice(["run", "stand", "low"]))), float(rng.uniform(0, 6.28))
        box = draw_figure(picture, eye, place, facing, pose, kits[side], False, owner, number)
        px, away = eye.see(np.array([[*place, 0.0]]))
        if box is None or away[0] < 1 or not (0 <= px[0, 0] < eye.width and 0 <= px[0, 1] < eye.height):
            continue
        boxes.append([round(float(v), 2) for v in box])
        feet.append([round(float(v), 4) for v in (*px[0], *place)])
    noise = rng.normal(0, rng.uniform(1, 8), picture.shape)
    picture = np.clip(cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.4, 1.0)) + noise, 0, 255).astype(
        np.uint8
    )
    return picture, {"standard": standard, "view": view, "boxes_xyxy_px": boxes, "feet": feet}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--seed", type=int, default=9101)
    args = parser.parse_args()
    drawn = write_frames(args.out, args.frames, args.seed, draw_frame)
    truth = [row | {"image": f"{name}.jpg"} for name, _, row in drawn]
    (args.out / "truth.json").write_text(json.dumps(truth))


if __name__ == "__main__":
    main()
