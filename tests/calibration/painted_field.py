"""Quick painted frames for tests: the field's texture seen through a camera, by ray and lookup.

Not the film renderer: no people but dark upright bars, flat light, a plain backdrop. Enough to
test a solver end to end with exact cameras.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from calibration import Camera, FieldStandard


def paint_frame(
    texture: np.ndarray,
    extent: tuple[float, float, float, float],
    camera: Camera,
    rng: np.random.Generator,
    turf: tuple[float, float, float] = (70, 120, 60),
    men: np.ndarray | None = None,
    noise: float = 4.0,
) -> tuple[np.ndarray, np.ndarray]:
    """(bgr (H, W, 3) uint8, occluded (H, W) bool). texture: (rows, cols, 4) uint8 RGBA, row grows with y."""
    h, w, over = camera.height_px, camera.width_px, 2
    big = camera.scaled(over)
    yy, xx = np.mgrid[0 : h * over, 0 : w * over].astype(float)
    xy, ok = big._ground(np.column_stack([xx.ravel(), yy.ravel()]))
    x0, y0, x1, y1 = extent
    rows, cols = texture.shape[:2]
    u = ((xy[:, 0] - x0) / (x1 - x0) * cols - 0.5).reshape(h * over, w * over).astype(np.float32)
    v = ((xy[:, 1] - y0) / (y1 - y0) * rows - 0.5).reshape(h * over, w * over).astype(np.float32)
    u, v = np.nan_to_num(u, nan=-1e4), np.nan_to_num(v, nan=-1e4)
    rgba = cv2.remap(texture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    stripes = 1 + 0.06 * (np.floor(np.nan_to_num(xy[:, 0]) / 5) % 2).reshape(h * over, w * over, 1)
    ground = np.where(ok.reshape(h * over, w * over, 1), np.array(turf[::-1], float) * stripes, 150.0)
    alpha = rgba[..., 3:4] / 255.0
    bgr = ground * (1 - alpha) + rgba[..., 2::-1] * alpha
    bgr = cv2.resize(bgr.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA)
    hidden = np.zeros((h, w), np.uint8)
    for man in np.zeros((0, 2)) if men is None else men:
        feet, good = camera.project(np.array([[*man, 0.0], [*man, 2.0]]))
        if good.all():
            tall = feet[0, 1] - feet[1, 1]
            a, b = (feet[1] - [tall * 0.18, 0]).astype(int), (feet[0] + [tall * 0.18, 0]).astype(int)
            colour: Any = [int(c) for c in rng.integers(10, 250, 3)]
            cv2.rectangle(bgr, a.tolist(), b.tolist(), colour, -1)
            cv2.rectangle(hidden, a.tolist(), b.tolist(), 1, -1)
    bgr = bgr + rng.normal(0, noise, bgr.shape)
    return np.clip(bgr, 0, 255).astype(np.uint8), hidden > 0


def field_texture(
    standard: FieldStandard, per_yd: int = 24
) -> tuple[np.ndarray, tuple[float, float, float, float]]:
    """RGBA paint of a plain field without numbers and its extent (x0, y0, x1, y1) in yards."""
    depth, w, edge = standard.end_zone_yd, standard.width_yd, 3.0
    x0, y0, x1, y1 = -depth - edge, -edge, standard.length_yd + depth + edge, w + edge
    image = np.zeros((round((y1 - y0) * per_yd), round((x1 - x0) * per_yd), 4), np.uint8)

    def bar(xa: float, ya: float, xb: float, yb: float) -> None:
        rows = slice(round((ya - y0) * per_yd), round((yb - y0) * per_yd))
        image[rows, round((xa - x0) * per_yd) : round((xb - x0) * per_yd)] = (240, 240, 240, 225)

    half = 1 / 12
    for x in standard.yard_lines_yd:
        bar(x - half, 0, x + half, w)
    for y in (-2 * half, w):
        bar(-depth, y, standard.length_yd + depth, y + 2 * half)
    for x in (-depth - 2 * half, standard.length_yd + depth):
        bar(x, 0, x + 2 * half, w)
    for y in standard.hash_rows_yd:
        for x in np.arange(1, standard.length_yd):
            if x % 5:
                bar(x - half, y - 1 / 3, x + half, y + 1 / 3)
            else:
                bar(x - 1 / 3, y - half, x + 1 / 3, y + half)
    return image, (x0, y0, x1, y1)
