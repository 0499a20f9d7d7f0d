"""Whole games drawn by the second program: film for every stage that owes the renderer nothing.

Men move as the simulator says (its plays are also the renderer's); everything seen is this program's:
mannequins of :mod:`models.synthetic.strange` with numbers on their backs, painted ground of
:mod:`models.synthetic.strange_field`, its own pinhole, operator, weather-free light and codec settings. The
folder is laid out as `models.synthetic.season` lays out its games, so `underneath score` reads it.

    python -m models.synthetic.strange_film OUT --seed 9201 --plays 4 [--standard ncaa] [--size 1280x720]
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from models.synthetic import season, tables
from models.synthetic.clip import ClipWriter, FilmFormat, ball_at
from models.synthetic.playsim_records import BALL_FLIGHT
from models.synthetic.strange import Pose, _colours, _ground_texture, draw_figure, in_sight, pose_of
from models.synthetic.strange_field import RULES, marks_over
from models.synthetic.strange_motion import FilmEye, Walk, watch

PAINT_PER_YD = 28
ROOM_YD = 24.0
"""Ground painted beyond the lines of the field."""
SIZES = ((1920, 1080), (1280, 720), (1280, 720), (960, 540), (854, 480))
MARGIN_YD = 10.0
COARSE = 4
FINE = 2
"""Ground is drawn this many times finer than the picture and averaged."""
BENCH = 14


class Stage:
    """A game's colours, ground and cameras, the same in all its plays."""

    def __init__(self, plan: season.GamePlan) -> None:
        rng = np.random.default_rng([plan.seed, 71])
        self.rules = RULES[plan.look.field.standard]
        self.kits = [_colours(rng, False), _colours(rng, False)]
        while np.abs(self.kits[0]["jersey"] - self.kits[1]["jersey"]).max() < 60:
            self.kits[1] = _colours(rng, False)  # rules ask for contrasting jerseys
        self.officials = _colours(rng, True)
        self.ink = [255.0 * (k["jersey"].mean() < 128) * np.ones(3) for k in self.kits]
        self.paint = self._paint(rng)
        self.sky = rng.uniform(40, 200, 3)
        self.clutter = rng.uniform(0.6, 1.4, (64, 512, 1)).astype(np.float32)
        self.light, self.noise, self.blur = rng.uniform(0.6, 1.1), rng.uniform(1, 7), rng.uniform(0.3, 0.9)
        length, width = self.rules.length, self.rules.width
        self.places = {
            "sideline": np.array([length / 2 + rng.normal(0, 9), -rng.uniform(18, 55), rng.uniform(9, 26)]),
            "endzone": np.array([-rng.uniform(28, 50), width / 2 + rng.normal(0, 2.5), rng.uniform(9, 20)]),
        }
        self.habits = {
            view: {
                "roll_rad": float(np.deg2rad(rng.normal(0, 0.6))),
                "bend": float(rng.normal(-0.004, 0.01)),
                "span_yd": float(rng.uniform(*span)),
            }
            for view, span in (("sideline", (34.0, 48.0)), ("endzone", (23.0, 36.0)))
        }
        self.bench = [
            (np.array([rng.uniform(25, length - 25), -rng.uniform(2.5, 5)]), float(rng.uniform(0, 6.28)))
            for _ in range(BENCH)
        ]
        self.plain = [_colours(rng, False) for _ in range(3)]

    def _paint(self, rng: np.random.Generator) -> np.ndarray:
        """(H, W, 3) uint8 BGR of the ground from above, row 0 at y = -ROOM_YD."""
        step = 1 / PAINT_PER_YD
        x, y = np.meshgrid(
            np.arange(-ROOM_YD, self.rules.length + ROOM_YD, step),
            np.arange(-ROOM_YD, self.rules.width + ROOM_YD, step),
        )
        texture = _ground_texture(rng)
        ground = texture[(y * 37).astype(int) % texture.shape[0], (x * 37).astype(int) % texture.shape[1]]
        if rng.random() < 0.5:
            ground = ground * (1 + rng.uniform(0.03, 0.1) * np.sign(np.sin(x * np.pi / 5)))[..., None]
        fine = np.full_like(x, step)
        marks = marks_over(rng, self.rules, x, y, fine, fine)
        worn = rng.uniform(0.5, 1.0, (x.shape[0] // 16 + 1, x.shape[1] // 16 + 1)).astype(np.float32)
        alpha = (marks * cv2.resize(worn, x.shape[::-1]) * rng.uniform(0.65, 1.0))[..., None]
        colour = np.array([235.0, 240, 240]) * rng.uniform(0.75, 1.0)
        return np.asarray(np.clip(ground * (1 - alpha) + colour * alpha, 0, 255).astype(np.uint8))


def folded(at: np.ndarray, length: float) -> np.ndarray:
    """Yards from the start of the painted ground; what lies beyond it repeats its plain margin."""
    low, high = np.float32(-ROOM_YD), np.float32(length + ROOM_YD)
    out = at - low
    outside = (at < low) | (at > high)
    if outside.any():
        far = at[outside]
        beyond = np.maximum(low - far, far - high)
        back = MARGIN_YD - np.abs(beyond % (2 * MARGIN_YD) - MARGIN_YD)
        out[outside] = np.where(far < low, back, high - low - back)
    return np.asarray(out, np.float32)


class Ground:
    """The painted ground as a clip's exposures see it: rays of the lens are worked out once."""

    def __init__(self, stage: Stage, eye: FilmEye) -> None:
        self.stage = stage
        self.far = cv2.resize(stage.paint, None, fx=1 / COARSE, fy=1 / COARSE, interpolation=cv2.INTER_AREA)
        wide, high = eye.width * FINE, eye.height * FINE
        u = ((np.arange(wide) + 0.5) / FINE - 0.5 - (eye.width - 1) / 2)[None]
        v = ((np.arange(high) + 0.5) / FINE - 0.5 - (eye.height - 1) / 2)[:, None]
        bend = eye.k1 / eye.focal**2  # in pixels, the same at every focal length
        flat_u, flat_v = np.broadcast_arrays(u, v)
        for _ in range(8):
            grow = 1 + bend * (flat_u**2 + flat_v**2)
            flat_u, flat_v = u / grow, v / grow
        self.u, self.v = flat_u.astype(np.float32), flat_v.astype(np.float32)

    def seen(self, eye: FilmEye) -> np.ndarray:
        """(H, W, 3) uint8 of the empty field."""
        r = (eye.rows * [[1.0], [1.0], [eye.focal]]).astype(np.float32)
        away = [self.u * r[0, k] + self.v * r[1, k] + r[2, k] for k in range(3)]
        down = np.minimum(away[2], np.float32(-1e-3 * eye.focal))
        reach = np.float32(-eye.place[2]) / down
        x = np.float32(eye.place[0]) + away[0] * reach
        y = np.float32(eye.place[1]) + away[1] * reach
        rules = self.stage.rules
        u, v = folded(x, rules.length) * PAINT_PER_YD, folded(y, rules.width) * PAINT_PER_YD
        picture = cv2.remap(self.stage.paint, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        # a pixel that covers a long stretch of ground shows a mean of it
        stretch = reach * reach * np.float32(eye.focal / (eye.place[2] * FINE))
        share = np.clip(stretch * PAINT_PER_YD - 1.5, 0, 1)
        if share.any():
            half = np.float32(0.5 - 0.5 / COARSE)
            even = cv2.remap(
                self.far,
                (u - half * COARSE) / COARSE,
                (v - half * COARSE) / COARSE,
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            picture = cv2.blendLinear(picture, even, 1 - share, share)
        outside = (away[2] > -0.02 * eye.focal) | (y > self.stage.rules.width + 12)
        if outside.any():
            turn = np.arctan2(away[0][outside], away[1][outside])
            rise = away[2][outside] / np.hypot(away[0][outside], away[1][outside])
            grain = self.stage.clutter[(rise * 200).astype(int) % 64, (turn * 160).astype(int) % 512]
            picture[outside] = np.clip(self.stage.sky * grain, 0, 255)
        return cv2.resize(picture, (eye.width, eye.height), interpolation=cv2.INTER_AREA)


@dataclass(frozen=True)
class Figure:
    """Somebody at one moment: who he is, what he wears, where he stands (yd), which way (rad) and how."""

    name: str
    kind: str
    team: str
    number: int
    colours: dict[str, np.ndarray]
    ink: np.ndarray
    place: np.ndarray
    facing: float
    pose: Pose
    action: str


def draw_number(picture: np.ndarray, eye: FilmEye, man: Figure) -> None:
    """Paint a jersey number over a mannequin's chest or back, whichever the camera sees."""
    place, facing, pose = man.place, man.facing, man.pose
    toward = eye.place[:2] - place
    front = float(np.dot(toward / np.linalg.norm(toward), [np.cos(facing), np.sin(facing)]))
    if abs(front) < 0.45 or pose["chest"][2] < 0.7:
        return
    left, right = (
        (pose["shoulder_r"], pose["shoulder_l"]) if front > 0 else (pose["shoulder_l"], pose["shoulder_r"])
    )
    local = np.array([left, right, left * [1, 1, 0] + [0, 0, pose["pelvis"][2] + 0.15]])
    turn = np.array([[np.cos(facing), -np.sin(facing)], [np.sin(facing), np.cos(facing)]])
    corners, _ = eye.see(np.concatenate([local[:, :2] @ turn.T + place, local[:, 2:]], 1))
    if np.linalg.norm(corners[1] - corners[0]) < 7:
        return
    text = str(man.number)
    (w, h), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_DUPLEX, 1.0, 3)
    tile = np.zeros((h + 14, w + 14), np.uint8)
    cv2.putText(tile, text, (7, h + 6), cv2.FONT_HERSHEY_DUPLEX, 1.0, 255, 3, cv2.LINE_AA)
    low = np.floor(corners.min(0) - 8).astype(int).clip(0)
    high = np.ceil(np.concatenate([corners, corners[1:2] + corners[2:] - corners[:1]]).max(0) + 8).astype(int)
    part = picture[low[1] : max(0, high[1]), low[0] : max(0, high[0])]
    if not part.size:
        return
    source = np.array([[0, 0], [tile.shape[1], 0], [0, tile.shape[0]]], np.float32)
    move = cv2.getAffineTransform(source, (corners - low).astype(np.float32))
    alpha = cv2.warpAffine(tile, move, part.shape[1::-1], flags=cv2.INTER_AREA)[..., None] / 255.0
    part[:] = (part * (1 - alpha) + man.ink * alpha).astype(np.uint8)


def figures_at(stage: Stage, walks: list[Walk], t: float, swap: bool) -> list[Figure]:
    """Everybody at ``t`` s from the snap; swap: the second team attacks."""
    out = []
    for walk in walks:
        man, (place, facing, pose, action) = walk.person, walk.at(t)
        official = man.team == "official"
        kit = 0 if (man.team == "offense") != swap else 1
        colours = stage.officials if official else stage.kits[kit]
        number = -1 if official or man.jersey is None else int(man.jersey)
        kind = "official" if official else "player"
        out.append(
            Figure(man.id, kind, man.team, number, colours, stage.ink[kit], place, facing, pose, action)
        )
    pose = pose_of(0.03, 0.05, 0.02)
    for k, (place, facing) in enumerate(stage.bench):
        at = place + [0.15 * np.sin(0.4 * t + k), 0.0]
        colours = stage.plain[k % len(stage.plain)]
        out.append(Figure(f"B{k}", "other", "none", -1, colours, stage.ink[0], at, facing, pose, "stand"))
    return out


def draw_exposure(
    eye: FilmEye, ground: Ground, figures: list[Figure], script: Any, t: float
) -> tuple[np.ndarray, list[dict[str, Any]]]:
    """One picture and who is in it (rows of :func:`models.synthetic.tables.track_rows`)."""
    picture = ground.seen(eye)
    owner = np.zeros(picture.shape[:2], np.uint8)
    rows, painted, shares = {}, {}, {}
    far_first = sorted(figures, key=lambda f: -float(np.linalg.norm(f.place - eye.place[:2])))
    for k, man in enumerate(far_first, 1):
        official = man.kind == "official"
        box = draw_figure(picture, eye, man.place, man.facing, man.pose, man.colours, official, owner, k)
        if box is None:
            continue
        if man.number >= 0:
            draw_number(picture, eye, man)
        painted[k] = max(1, int((owner == k).sum()))
        cut = in_sight(box, eye.width, eye.height)
        shares[k] = float(np.prod(cut[2:] - cut[:2]) / max(1e-6, np.prod(box[2:] - box[:2])))
        if shares[k] > 0 and box[3] - box[1] >= 2:
            rows[k] = _row(eye, man, box)
    left = np.bincount(owner.ravel(), minlength=len(figures) + 1)
    for k, row in rows.items():
        row["visible"] = round(min(1.0, shares[k] * left[k] / painted[k]), 3)
    ball = draw_ball(picture, eye, script, t)
    return picture, [*rows.values(), *([ball] if ball else [])]


def _row(eye: FilmEye, man: Figure, box: np.ndarray) -> dict[str, Any]:
    foot = eye.see(np.array([[*man.place, 0.0]]))[0][0]
    return {
        "id": man.name,
        "kind": man.kind,
        "team": man.team,
        "number": man.number,
        "action": man.action,
        "box": [round(float(v), 2) for v in box],
        "field_yd": [round(float(v), 3) for v in (*man.place, 0.0)],
        "foot_px": [round(float(v), 2) for v in foot],
    }


def draw_ball(picture: np.ndarray, eye: FilmEye, script: Any, t: float) -> dict[str, Any] | None:
    """Paint the ball in the air or on the ground before the snap; its row, or None where it is not seen."""
    moment = int(np.argmin(np.abs(script.t_s - t)))
    place = ball_at(script, t)
    flying = int(script.ball_state[moment]) == BALL_FLIGHT
    px, depth = eye.see(place[None])
    if depth[0] < 1 or not (flying or t < -0.1):
        return None
    nose = place + (np.array([0.15, 0, 0]) if not flying else _heading(script, t) * 0.15)
    tip = eye.see(nose[None])[0][0]
    long, thin = max(1.5, float(np.linalg.norm(tip - px[0]))), max(1.0, 0.09 * eye.focal / depth[0])
    angle = float(np.degrees(np.arctan2(*(tip - px[0])[::-1])))
    at = tuple(int(v) for v in px[0] * 8)
    cv2.ellipse(picture, at, (int(long * 8), int(thin * 8)), angle, 0, 360, (35, 60, 110), -1, cv2.LINE_AA, 3)
    reach = np.maximum(np.abs(tip - px[0]), thin)
    if not ((px[0] > 0) & (px[0] < [eye.width, eye.height])).all():
        return None
    return {
        "id": "ball",
        "kind": "ball",
        "team": "ball",
        "number": -1,
        "action": "",
        "box": [round(float(v), 2) for v in (*(px[0] - reach), *(px[0] + reach))],
        "visible": 1.0,
        "foot_px": None,
        "field_yd": [round(float(v), 3) for v in place],
    }


def _heading(script: Any, t: float) -> np.ndarray:
    step = ball_at(script, t + 0.05) - ball_at(script, t)
    return np.asarray(step / max(1e-3, float(np.linalg.norm(step))))


def draw_clip(
    plan: season.GamePlan,
    stage: Stage,
    call: dict[str, Any],
    script: Any,
    view: str,
    path: Path,
    play_id: str,
) -> dict[str, pd.DataFrame]:
    """Write one clip; returns its clips, cameras and boxes tables."""
    rng = np.random.default_rng([plan.seed, call["n"], view == "endzone", 72])
    rate = float(plan.fmt.rate)
    t_s, eyes = watch(rng, script, view, stage.places[view], plan.size, rate, stage.habits[view])
    people = [
        Walk(np.random.default_rng([plan.seed, call["n"], k]), p, script.t_s)
        for k, p in enumerate(script.people)
    ]
    writer, ground = ClipWriter(path, plan.fmt, *plan.size), Ground(stage, eyes[0])
    name, cameras, boxes = path.stem, [], []
    for k, (t, eye) in enumerate(zip(t_s, eyes, strict=True)):
        figures = figures_at(stage, people, float(t), call["swap"])
        picture, rows = draw_exposure(eye, ground, figures, script, float(t))
        soft = cv2.GaussianBlur(picture, (0, 0), stage.blur).astype(np.float32) * stage.light
        soft += rng.normal(0, stage.noise, soft.shape[:2]).astype(np.float32)[..., None]
        writer.write(np.clip(soft, 0, 255).astype(np.uint8), k)
        cameras.append(tables.camera_row(name, k, k / rate, eye, 0.0))
        boxes.append(tables.track_rows(name, play_id, k, float(t), rows))
    writer.close()
    row = tables.clip_row(name, path, view, *plan.size, plan.fmt, len(t_s), play_id, (len(t_s) - 1) / rate)
    row |= {"snap_frame": int(np.argmin(np.abs(t_s))), "snap_s": float(-t_s[0])}
    return {
        "clips": pd.DataFrame([row]),
        "cameras": pd.DataFrame(cameras),
        "boxes": pd.concat(boxes, ignore_index=True),
    }


def draw_play(job: tuple[season.GamePlan, dict[str, Any]]) -> dict[str, Any]:
    """Draw one play from both views; the rows `models.synthetic.season.write_game` writes."""
    plan, call = job
    cv2.setNumThreads(1)
    stage, script = _stage(plan), season.play_script(plan, call)

    def draw(k: int, view: str, path: Path, play_id: str) -> dict[str, pd.DataFrame]:
        return draw_clip(plan, stage, call, script, view, path, play_id)

    return season.play_of_views(plan, call, script, draw)


_STAGES: list[tuple[season.GamePlan, Stage]] = []


def _stage(plan: season.GamePlan) -> Stage:
    if not _STAGES or _STAGES[0][0] != plan:
        _STAGES[:] = [(plan, Stage(plan))]
    return _STAGES[0][1]


def plan_film(
    seed: int, out: Path, standard: str | None = None, size: tuple[int, int] | None = None
) -> season.GamePlan:
    """A game from its seed: rules, picture size and codec; of the renderer's look only the rules are used."""
    rng = np.random.default_rng([seed, 70])
    standard = standard or str(rng.choice(list(RULES)))
    size = size or SIZES[int(rng.integers(len(SIZES)))]
    plan = season.plan_game(seed, "college", out, standard, ("sideline", "endzone"), size)
    rate = Fraction(int(rng.choice([25, 30])))
    fmt = FilmFormat(codec=str(rng.choice(["h264", "hevc"])), rate=rate, quality=int(rng.integers(20, 30)))
    return replace(plan, fmt=fmt, clip_prefix=f"x{seed}")


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=9201)
    parser.add_argument("--plays", type=int, default=4)
    parser.add_argument("--standard", choices=tuple(RULES))
    parser.add_argument("--size", type=season.size_of, help="picture size WIDTHxHEIGHT; drawn when left out")
    parser.add_argument("--workers", type=int, default=0)
    args = parser.parse_args(argv)
    plan = plan_film(args.seed, args.out, args.standard, args.size)
    print(json.dumps(season.write_game(plan, season.draw_plays(draw_play, plan, args.plays, args.workers))))


if __name__ == "__main__":
    main()
