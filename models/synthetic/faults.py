"""Boxes and cameras as a real detector and solver would give them for a simulated play.

Independent misses on true boxes flatter a tracker. Here faults last and cluster as on film: men are
missed for many frames while covered, small or lying; two men share one box and one man gets two; a
false box sits on a painted mark; the lower edge of a box jumps when the legs are hidden; officials
are taken for players for seconds; men of the bench stand at the near line. The camera drifts.

All draws come from one seed. Truth stays beside every box.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from calibration.camera import Camera
from models.detector.colour import COLOURS
from models.synthetic.fault_camera import SimpleCameras, disturb, follow_path
from models.synthetic.fault_settings import CLEAN, PRESETS, PRO, SCHOOL, FaultSettings

HEIGHT_YD = {
    "stance2": 1.35, "stance3": 1.1, "crouch": 1.45, "pass_set": 1.8, "block": 1.75, "fall": 1.1,
    "down": 0.5, "getup": 0.95, "kneel": 1.25, "pile": 0.75, "arms_up": 2.5,
}  # fmt: skip
WIDTH_YD = {"run": 1.0, "jog": 0.85, "stance3": 0.95, "fall": 1.5, "down": 1.7, "pile": 1.4, "throw": 1.1}
STANDING_YD = 2.05
TAILS = 0.5
"""Spread of the logarithm of the wandering's size: the outer 2 % lie 2.7 times as far as a normal law's."""
DOUBLE_SHIFT = np.array([0.1, 0.22, 0.1, 0.22])
"""How far the sides of a second box of one man lie from the first's, shares of his height: IoU 0.45-0.76 in
nine of ten, as the detector's second boxes do (4,628 of them on sixteen rendered clips)."""


@dataclass(frozen=True)
class FaultyBoxes:
    """Boxes of one clip as a detector might give them, with the truth of each.

    frame (N,), xyxy_px (N,4), confidence (N,), kind (N,) 0 player 1 official, colour (N,12),
    pts_s (F,), width_px, height_px: as in the program's detections.
    person (N,): row of the play's people, -1 false box, -2 bench; a shared box carries its nearer man.
    cameras: the disturbed cameras the tracker may use; true_cameras: the ones the film was shot with.
    in_picture (P,F) bool: foot point inside the picture.  person_team, person_id: of the people.
    """

    frame: np.ndarray
    xyxy_px: np.ndarray
    confidence: np.ndarray
    kind: np.ndarray
    colour: np.ndarray
    pts_s: np.ndarray
    width_px: int
    height_px: int
    person: np.ndarray
    cameras: SimpleCameras
    true_cameras: tuple[Camera, ...]
    in_picture: np.ndarray
    person_team: tuple[str, ...]
    person_id: tuple[str, ...]
    xy_field_yd: np.ndarray

    def fields(self) -> dict[str, Any]:
        """What the program's `Detections` takes."""
        names = ("frame", "xyxy_px", "confidence", "kind", "colour", "pts_s", "width_px", "height_px")
        return {name: getattr(self, name) for name in names}


def episodes(
    rng: np.random.Generator, hazard_per_s: np.ndarray, length_s: np.ndarray | float, dt: float
) -> np.ndarray:
    """(P,F) bool: a two-state Markov chain with entry hazard (P,F) and mean stay `length_s`."""
    enter = 1 - np.exp(-np.asarray(hazard_per_s) * dt)
    leave = np.broadcast_to(1 - np.exp(-dt / np.maximum(length_s, dt)), enter.shape)
    u = rng.random(enter.shape)
    on = np.zeros(enter.shape, bool)
    state = u[:, 0] < enter[:, 0]
    for f in range(enter.shape[1]):
        state = np.where(state, u[:, f] > leave[:, f], u[:, f] < enter[:, f])
        on[:, f] = state
    return on


def slow_noise(rng: np.random.Generator, shape: tuple[int, ...], dt: float, time_s: float) -> np.ndarray:
    """First-order autoregressive noise along axis 1, unit variance, correlation time `time_s`."""
    rho = float(np.exp(-dt / time_s))
    out = rng.standard_normal(shape)
    for f in range(1, shape[1]):
        out[:, f] = rho * out[:, f - 1] + np.sqrt(1 - rho * rho) * out[:, f]
    return out


def _smooth(values: np.ndarray, frames: int) -> np.ndarray:
    """Moving mean along the last axis (posture does not change in one frame)."""
    kernel = np.ones(frames) / frames
    padded = np.pad(values, ((0, 0), (frames // 2, frames - 1 - frames // 2)), mode="edge")
    return np.stack([np.convolve(row, kernel, "valid") for row in padded])


def true_boxes(people: Any, cameras: tuple[Camera, ...], rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Amodal boxes (P,F,4) and foot points in the picture (P,F,2), NaN where behind the camera."""
    stand = np.array([[HEIGHT_YD.get(a, STANDING_YD) for a in p.action[rows]] for p in people])
    wide = np.array([[WIDTH_YD.get(a, 0.8) for a in p.action[rows]] for p in people])
    stand, wide = _smooth(stand, 7), _smooth(wide, 7)
    xy = np.stack([p.xy_field_yd[rows] for p in people]).astype(float)
    boxes = np.full((len(people), len(rows), 4), np.nan)
    feet = np.full((len(people), len(rows), 2), np.nan)
    for f, camera in enumerate(cameras):
        away = xy[:, f] - camera.centre_field_yd[:2]
        away /= np.linalg.norm(away, axis=1, keepdims=True)
        foot, ok = camera.to_image(xy[:, f])
        low, ok_low = camera.to_image(xy[:, f] - 0.2 * away)
        ground = np.column_stack([xy[:, f], np.zeros(len(people))])
        top, ok_top = camera.project(ground + np.array([0, 0, 1.0]) * stand[:, f, None])
        side = np.column_stack([-away[:, 1], away[:, 0], np.zeros(len(people))])
        left, ok_left = camera.project(ground + side * wide[:, f, None] / 2)
        half = np.abs(left[:, 0] - foot[:, 0])
        ok = ok & ok_low & ok_top & ok_left
        boxes[ok, f] = np.column_stack([foot[:, 0] - half, top[:, 1], foot[:, 0] + half, low[:, 1]])[ok]
        feet[ok, f] = foot[ok]
    return boxes, feet


def covered_share(boxes: np.ndarray) -> np.ndarray:
    """(P,F) greatest share of each box hidden by one nearer box (nearer = lower edge lower)."""
    a, b = boxes[:, None], boxes[None]
    w = np.minimum(a[..., 2], b[..., 2]) - np.maximum(a[..., 0], b[..., 0])
    h = np.minimum(a[..., 3], b[..., 3]) - np.maximum(a[..., 1], b[..., 1])
    inter = np.clip(w, 0, None) * np.clip(h, 0, None)
    area = (a[..., 2] - a[..., 0]) * (a[..., 3] - a[..., 1])
    share = np.where(b[..., 3] > a[..., 3], inter / np.maximum(area, 1e-6), 0)
    return np.nan_to_num(share).max(1)


def _iou(boxes: np.ndarray, i: int, j: int) -> np.ndarray:
    a, b = boxes[i], boxes[j]
    w = np.minimum(a[:, 2], b[:, 2]) - np.maximum(a[:, 0], b[:, 0])
    h = np.minimum(a[:, 3], b[:, 3]) - np.maximum(a[:, 1], b[:, 1])
    inter = np.clip(w, 0, None) * np.clip(h, 0, None)
    area = (a[:, 2] - a[:, 0]) * (a[:, 3] - a[:, 1]) + (b[:, 2] - b[:, 0]) * (b[:, 3] - b[:, 1])
    return np.nan_to_num(inter / np.maximum(area - inter, 1e-6))


def _kit_colours(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Mean colour description of each side: jersey, helmet and trousers in Lab; see `colour.py`."""

    def kit(light: float) -> np.ndarray:
        jersey = [light, *(rng.normal(0, 8 if light > 75 else 28, 2))]
        helmet = [rng.uniform(15, 85), *rng.normal(0, 20, 2)]
        trousers = [rng.uniform(25, 85), *rng.normal(0, 12, 2)]
        return np.array([*jersey, *helmet, *trousers, rng.uniform(3, 8), float(light > 75), 0.85])

    light, dark = kit(rng.uniform(78, 90)), kit(rng.uniform(15, 50))
    official = np.array([55, 0, 0, 20, 0, 0, rng.choice([15, 80]), 0, 0, rng.uniform(14, 24), 0.45, 0.85])
    sides = [light, dark] if rng.random() < 0.5 else [dark, light]
    return {"offense": sides[0], "defense": sides[1], "official": official}


COLOUR_SD = np.array([7, 4, 4, 9, 5, 5, 9, 5, 5, 3, 0.15, 0.1])
"""Spread of one box's description about its kit (sun, shade, pose, turf let in)."""


def make_faulty(
    play: Any, seed: int, settings: FaultSettings = PRO, *, size: tuple[int, int] = (1280, 720),
    view: str = "sideline", cameras: tuple[Camera, ...] | None = None,
) -> FaultyBoxes:  # fmt: skip
    """Detections of a simulated play with faults.

    play: a PlayScript. cameras: the film's own, one a time of the play; None draws an operator's
    path that follows the ball. Returns boxes sorted by frame. The same seed gives the same faults.
    """
    rng = np.random.default_rng(seed)
    t = np.asarray(play.t_s, float)
    if cameras is None:
        cameras = follow_path(play, rng, size, view, low="school" in settings.name)
    people = play.people
    dt = float(np.median(np.diff(t)))
    boxes, feet = true_boxes(people, cameras, np.arange(len(t)))
    width, height = cameras[0].width_px, cameras[0].height_px
    centre = (boxes[..., :2] + boxes[..., 2:]) / 2
    inside = (centre[..., 0] > 0) & (centre[..., 0] < width) & (boxes[..., 1] < height) & (boxes[..., 3] > 0)
    draw = _Draw(rng, settings, boxes, inside, dt, people)
    bench = _bench(rng, settings, play, cameras, draw.rows)
    _false_boxes(rng, settings, play, cameras, draw.rows, bench)
    table = draw.table()
    in_picture = (feet[..., 0] >= 0) & (feet[..., 0] < width) & (feet[..., 1] >= 0) & (feet[..., 1] < height)
    return FaultyBoxes(
        **table, pts_s=t - t[0], width_px=width, height_px=height,
        cameras=disturb(cameras, rng, settings.camera_sd_yd, settings.lost_spans, dt),
        true_cameras=tuple(cameras), in_picture=in_picture & inside,
        person_team=tuple(p.team for p in people), person_id=tuple(p.id for p in people),
        xy_field_yd=np.stack([p.xy_field_yd for p in people]).astype(float),
    )  # fmt: skip


class _Draw:
    """Draws the faults of the people of the play; `rows` collects boxes."""

    def __init__(
        self, rng: np.random.Generator, s: FaultSettings, boxes: np.ndarray, inside: np.ndarray,
        dt: float, people: Any,
    ) -> None:  # fmt: skip
        self.rng, self.s, self.people = rng, s, people
        self.rows: list[tuple[Any, ...]] = []
        n, frames = inside.shape
        self.covered = covered_share(boxes)
        tall = np.nan_to_num(boxes[..., 3] - boxes[..., 1])
        small = np.clip((40 - tall) / 40, 0, 1)
        lying = np.array([[a in ("down", "pile", "fall") for a in p.action] for p in people])[:, :frames]
        free = s.miss_free_per_s * (1 + s.miss_small * small) * (1 - self.covered) ** s.free_fades
        hazard = free + s.miss_covered_per_s * self.covered**2
        hazard = hazard + (s.miss_free_per_s * 10) * lying
        length = s.miss_length_s * (0.6 + 1.2 * self.covered + 0.8 * lying)
        missed = episodes(rng, hazard, length, dt) | (rng.random((n, frames)) < s.white_miss)
        noisy = self._jitter(boxes, tall, dt)
        self._cut_legs(noisy, boxes, dt)
        swallowed = self._share(noisy, boxes, inside, dt)
        kind = self._kinds(n, frames, dt)
        kits = _kit_colours(rng)
        own = np.stack([kits[p.team] for p in people]) + rng.normal(0, 0.25, (n, COLOURS)) * COLOUR_SD
        shade = slow_noise(rng, (n, frames), dt, 1.5)[..., None] * np.array([5, 0, 0] * 3 + [0] * 3)
        noise = rng.standard_normal((n, frames, COLOURS)) * COLOUR_SD * 0.7
        colour = own[:, None] + s.colour_noise * (noise + shade)
        mix = np.clip(self.covered * 1.2 - 0.15, 0, 0.8)[..., None]
        colour = colour * (1 - mix) + own.mean(0) * mix
        confidence = np.clip(
            0.88 - 0.55 * self.covered**1.5 - 0.25 * small + rng.normal(0, 0.07, missed.shape), 0.06, 0.97
        )
        for i in range(n):
            for f in np.flatnonzero(inside[i] & ~swallowed[i]):
                if missed[i, f]:
                    if rng.random() > s.low_during_miss:
                        continue
                    box = noisy[i, f] + rng.normal(0, 0.06 * tall[i, f], 4)
                    self._add(f, box, rng.uniform(0.05, 0.25), kind[i, f], colour[i, f], i)
                else:
                    self._add(f, noisy[i, f], confidence[i, f], kind[i, f], colour[i, f], i)
        self._doubles(noisy, inside, tall, confidence, kind, colour, dt)

    def _add(self, f: Any, box: np.ndarray, conf: Any, kind: Any, colour: np.ndarray, who: Any) -> None:
        box = np.concatenate([np.minimum(box[:2], box[2:]), np.maximum(box[:2], box[2:])])
        self.rows.append((int(f), box, float(conf), int(kind), colour, int(who)))

    def _jitter(self, boxes: np.ndarray, tall: np.ndarray, dt: float) -> np.ndarray:
        n, frames, _ = boxes.shape
        slow = slow_noise(self.rng, (n, frames, 4), dt, 0.25)
        white = self.rng.standard_normal((n, frames, 4))
        worse = (1 + self.s.jitter_covered * self.covered)[..., None] * tall[..., None]
        low = np.array([0, 0, 0, self.s.low_edge]) * tall[..., None]
        noise = worse * self.s.jitter * np.sqrt(0.5) * (slow + white) * np.array([0.7, 1, 0.7, 1])
        return np.asarray(boxes + low + noise + worse * self._wander((n, frames), dt))

    def _wander(self, shape: tuple[int, int], dt: float) -> np.ndarray:
        """Shares of the height by which a box lies aside and its feet lie off: fast, slow and lasting parts
        alike, their size itself coming and going (so that a few are far off)."""
        low, side = self.s.jitter_low, self.s.jitter_side
        if not low and not side:
            return np.zeros((*shape, 4))
        two = (*shape, 2)
        noise = self.rng.standard_normal(two) + slow_noise(self.rng, two, dt, 0.2)
        noise = (noise + slow_noise(self.rng, two, dt, 1.5)) / np.sqrt(3)
        noise = noise * np.exp(TAILS * slow_noise(self.rng, two, dt, 0.3))
        aside, feet = side * noise[..., 0], low * noise[..., 1]
        return np.stack([aside, np.zeros(shape), aside, feet], axis=-1)

    def _cut_legs(self, noisy: np.ndarray, boxes: np.ndarray, dt: float) -> None:
        hidden = np.clip(self.covered - 0.25, 0, 1) * 2
        on = episodes(self.rng, self.s.cut_per_s * hidden, self.s.cut_length_s, dt)
        share = self.rng.uniform(0.2, 0.38, (len(boxes), 1))
        noisy[..., 3] -= on * share * (boxes[..., 3] - boxes[..., 1])

    def _share(self, noisy: np.ndarray, boxes: np.ndarray, inside: np.ndarray, dt: float) -> np.ndarray:
        """One box for two men: the nearer man's box becomes the common one, the other's is dropped."""
        n = len(boxes)
        swallowed = np.zeros(inside.shape, bool)
        for i in range(n):
            for j in range(i + 1, n):
                iou = _iou(boxes, i, j)
                if iou.max() < 0.4:
                    continue
                hazard = self.s.merge_per_s * np.clip((iou - 0.35) * 3, 0, 1)
                on = episodes(self.rng, hazard[None], self.s.merge_length_s, dt)[0] & (iou > 0.25)
                on &= inside[i] & inside[j] & ~swallowed[i] & ~swallowed[j]
                for f in np.flatnonzero(on):
                    near, far = (i, j) if boxes[i, f, 3] > boxes[j, f, 3] else (j, i)
                    union = np.r_[np.minimum(boxes[i, f, :2], boxes[j, f, :2]),
                                  np.maximum(boxes[i, f, 2:], boxes[j, f, 2:])]  # fmt: skip
                    noisy[near, f] = 0.5 * noisy[near, f] + 0.5 * union
                    swallowed[far, f] = True
        return swallowed

    def _kinds(self, n: int, frames: int, dt: float) -> np.ndarray:
        official = np.array([p.team == "official" for p in self.people])
        level = np.where(official, self.s.official_as_player, self.s.player_as_official)[:, None]
        wrong = slow_noise(self.rng, (n, frames), dt, 0.8)
        wrong = 0.7 * wrong + 0.7 * self.rng.standard_normal((n, frames))
        flip = wrong < np.sqrt(2) * 0.7 * _normal_quantile(level)
        return np.where(official[:, None] ^ flip, 1, 0)

    def _doubles(
        self, noisy: np.ndarray, inside: np.ndarray, tall: np.ndarray, confidence: np.ndarray,
        kind: np.ndarray, colour: np.ndarray, dt: float,
    ) -> None:  # fmt: skip
        hazard = self.s.double_per_s * (1 + 6 * self.covered)
        on = episodes(self.rng, hazard, self.s.double_length_s, dt) & inside
        shift = self.rng.uniform(-1, 1, (len(noisy), 4)) * DOUBLE_SHIFT
        for i, f in zip(*np.nonzero(on), strict=True):
            box = noisy[i, f] + shift[i] * tall[i, f] + self.rng.normal(0, 0.03 * tall[i, f], 4)
            self._add(f, box, confidence[i, f] * self.rng.uniform(0.3, 0.8), kind[i, f], colour[i, f], i)

    def table(self) -> dict[str, np.ndarray]:
        """The collected boxes, sorted by frame, in random order within a frame."""
        order = sorted(range(len(self.rows)), key=lambda k: (self.rows[k][0], self.rng.random()))
        rows = [self.rows[k] for k in order]
        boxes = np.array([r[1] for r in rows], np.float32).reshape(-1, 2, 2)
        return {
            "frame": np.array([r[0] for r in rows], np.int32),
            "xyxy_px": np.sort(boxes, axis=1).reshape(-1, 4),
            "confidence": np.array([r[2] for r in rows], np.float32),
            "kind": np.array([r[3] for r in rows], np.uint8),
            "colour": np.array([r[4] for r in rows], np.float32).reshape(-1, COLOURS),
            "person": np.array([r[5] for r in rows], np.int32),
        }


def _normal_quantile(p: np.ndarray) -> np.ndarray:
    from scipy.stats import norm

    return np.where(p > 0, norm.ppf(np.clip(p, 1e-9, 1 - 1e-9)), -np.inf)


def _man_box(camera: Camera, xy: np.ndarray, tall_yd: float) -> np.ndarray | None:
    foot, ok = camera.to_image(xy[None])
    top, ok_top = camera.project(np.array([[xy[0], xy[1], tall_yd]]))
    if not (ok[0] and ok_top[0]):
        return None
    half = 0.2 * abs(foot[0, 1] - top[0, 1])
    box = np.array([foot[0, 0] - half, top[0, 1], foot[0, 0] + half, foot[0, 1]])
    if box[2] < 0 or box[0] > camera.width_px or box[3] < 0 or box[1] > camera.height_px - 4:
        return None
    return box


def _bench(
    rng: np.random.Generator, s: FaultSettings, play: Any, cameras: tuple[Camera, ...], rows: list[Any]
) -> np.ndarray:
    """People standing beyond the near line, and a few beyond the far one. Returns their usual colour."""
    colour = rng.normal([50, 0, 0, 40, 0, 0, 40, 0, 0, 6, 0.3, 0.8], COLOUR_SD)
    width = cameras[0].field_width_yd
    for _ in range(s.bench):
        x = play.los_field_yd + rng.uniform(-25, 25)
        y = rng.uniform(-5, -1.0) if rng.random() < 0.7 else width + rng.uniform(1.0, 4)
        speed = rng.normal(0, 0.3)
        own = colour + rng.normal(0, 1.5, COLOURS) * COLOUR_SD
        for f, camera in enumerate(cameras):
            box = _man_box(camera, np.array([x + speed * play.t_s[f], y]), 1.9)
            if box is not None and rng.random() < 0.85:
                tall = box[3] - box[1]
                box = box + rng.normal(0, s.jitter * tall, 4)
                box[3] = max(min(box[3], camera.height_px - 1), box[1] + 1)
                rows.append((f, box, rng.uniform(0.3, 0.8), 0, own + rng.normal(0, 1, COLOURS), -2))
    return colour


def _false_boxes(
    rng: np.random.Generator, s: FaultSettings, play: Any, cameras: tuple[Camera, ...], rows: list[Any],
    colour: np.ndarray,
) -> None:  # fmt: skip
    """Boxes that sit on a painted mark for a second or so."""
    dt = float(np.median(np.diff(play.t_s)))
    width = cameras[0].field_width_yd
    for _ in range(rng.poisson(s.false_per_s * len(cameras) * dt)):
        xy = np.array([play.los_field_yd + rng.uniform(-25, 25), rng.uniform(1, width - 1)])
        start = int(rng.integers(0, len(cameras)))
        stay = int(rng.exponential(s.false_length_s) / dt) + 1
        tall, level = rng.uniform(1.2, 2.2), rng.uniform(0.15, 0.6)
        own = colour + rng.normal(0, 2, COLOURS) * COLOUR_SD
        for f in range(start, min(start + stay, len(cameras))):
            box = _man_box(cameras[f], xy, tall)
            if box is not None and rng.random() < 0.8:
                box = box + rng.normal(0, 0.03 * (box[3] - box[1]), 4)
                box = np.r_[np.minimum(box[:2], box[2:]), np.maximum(box[:2], box[2:])]
                conf = np.clip(level + rng.normal(0, 0.08), 0.05, 0.9)
                rows.append((f, box, conf, 0, own + rng.normal(0, 1, COLOURS), -1))


__all__ = ["CLEAN", "PRESETS", "PRO", "SCHOOL", "FaultSettings", "FaultyBoxes", "make_faulty", "true_boxes"]
