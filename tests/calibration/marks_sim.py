"""Mark evidence as a finder would give it, made from an exactly known camera: noise, misses, false marks."""

from __future__ import annotations

import cv2
import numpy as np

from calibration import Camera, FieldStandard
from calibration.evidence import FrameMarks


def random_camera(
    rng: np.random.Generator,
    standard: FieldStandard,
    view: str = "sideline",
    width: int = 1280,
    low: bool = False,
    place: Camera | None = None,
) -> Camera:
    """A wide camera as film facts describe them; ``place`` keeps another camera's place and lens."""
    height = round(width * 9 / 16)
    if place is not None:
        c, roll, k1, crown = place.centre_field_yd, place.roll_deg, place.k1, place.crown_yd
    else:
        if view == "sideline":
            up, back = (
                (rng.uniform(8, 15), rng.uniform(18, 40))
                if low
                else (rng.uniform(12, 30), rng.uniform(24, 68))
            )
            c = np.array([standard.centre_x_yd + rng.normal(0, 8), -back, up])
        else:
            c = np.array(
                [-10 - rng.uniform(20, 45), standard.width_yd / 2 + rng.normal(0, 3), rng.uniform(9, 20)]
            )
            if rng.random() < 0.5:
                c[0] = standard.length_yd - c[0]
        roll, k1, crown = rng.normal(0, 0.7), rng.normal(-0.005, 0.02), rng.uniform(0.0, 0.28)
    focus = np.array(
        [rng.uniform(15, standard.length_yd - 15), standard.width_yd / 2 + rng.normal(0, 5), 0.0]
    )
    d = focus - c
    pan = float(np.degrees(np.arctan2(d[0], d[1])))
    tilt = float(np.degrees(np.arctan2(-d[2], np.hypot(d[0], d[1]))))
    span = rng.uniform(32, 62) if view == "sideline" else rng.uniform(22, 42)
    focal = width * np.linalg.norm(d) / span
    return Camera(width, height, c, pan, tilt, roll, focal, k1, crown, standard.width_yd)


def _visible(camera: Camera, xy: np.ndarray, margin: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    px, ok = camera.to_image(xy)
    inside = ok & (px[:, 0] > margin) & (px[:, 1] > margin) & (px[:, 0] < camera.width_px - margin)
    return px, inside & (px[:, 1] < camera.height_px - margin)


def simulate_marks(
    rng: np.random.Generator,
    camera: Camera,
    standard: FieldStandard,
    noise_px: float = 1.0,
    row_recall: float = 0.75,
    side_recall: float = 0.6,
    false_share: float = 0.06,
    hide: float = 0.25,
) -> FrameMarks:
    """Ridge points, crossings and numerals with localisation noise in 1280-wide pixels."""
    unit = camera.width_px / 1280
    noise = noise_px * unit
    w = standard.width_yd
    scale = 4 * unit
    shape = (round(camera.height_px / scale), round(camera.width_px / scale))
    line_map, boundary_map = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    lines, boundary = [], []

    def strand(a: np.ndarray, b: np.ndarray, canvas: np.ndarray, out: list[np.ndarray]) -> None:
        t = np.linspace(0, 1, 400)[:, None]
        xy = a * (1 - t) + b * t
        px, ok = _visible(camera, xy)
        if ok.sum() < 5:
            return
        p = px[ok]
        step = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
        at = np.arange(0, step[-1], 10 * unit)
        q = np.column_stack([np.interp(at, step, p[:, 0]), np.interp(at, step, p[:, 1])])
        if len(q) < 3:
            return
        d = q[-1] - q[0]
        n = np.array([1.0, 0.0]) if abs(d[1]) > abs(d[0]) else np.array([0.0, 1.0])
        seen = rng.random(len(q)) > hide
        wobble = rng.normal(0, 0.3 * noise)
        q = q + (rng.normal(0, noise * 0.8, (len(q), 1)) + wobble) * n
        out.append(np.column_stack([q, np.tile(n, (len(q), 1)), np.full(len(q), 0.8)])[seen])
        cells = (q + 0.5) / scale - 0.5
        cv2.polylines(canvas, [np.round(cells * 16).astype(np.int32)], False, 255, 2, cv2.LINE_AA, 4)

    for x in standard.yard_lines_yd:
        strand(np.array([x, 0.0]), np.array([x, w]), line_map, lines)
    for y in (0.0, w):
        strand(np.array([-10.0, y]), np.array([standard.length_yd + 10, y]), boundary_map, boundary)
    kinds = {}
    for name, ys, recall in (("row", standard.hash_rows_yd, row_recall), ("side", (0.0, w), side_recall)):
        xy = np.array([(x, y) for x in standard.yard_lines_yd for y in ys])
        kinds[name] = _spots(rng, camera, xy, recall, noise, false_share)
    numbers = np.array([(x, y) for x in standard.number_lines_yd for y in standard.number_rows_yd])
    kinds["numeral"] = _spots(rng, camera, numbers, 0.9, 3 * noise, false_share)
    stack = lambda rows: np.concatenate(rows) if rows else np.zeros((0, 5))  # noqa: E731
    return FrameMarks(
        camera.width_px,
        camera.height_px,
        stack(lines),
        stack(boundary),
        np.zeros((0, 5)),
        kinds["row"],
        kinds["side"],
        kinds["numeral"],
        line_map,
        boundary_map,
        scale,
    )


def _spots(
    rng: np.random.Generator, camera: Camera, xy: np.ndarray, recall: float, noise: float, false_share: float
) -> np.ndarray:
    px, ok = _visible(camera, xy)
    p = px[ok & (rng.random(len(px)) < recall)]
    p = p + rng.normal(0, noise, p.shape)
    n = rng.binomial(len(p), false_share)
    wrong = rng.uniform([0, camera.height_px * 0.3], [camera.width_px, camera.height_px], (n, 2))
    return np.column_stack([np.concatenate([p, wrong]), np.full(len(p) + n, 0.7)])
