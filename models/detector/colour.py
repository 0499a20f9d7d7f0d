"""What colours a man wears: twelve numbers a box, made comparable between sun and shade.

Three patches of the box (jersey, helmet, trousers) are sampled on a small fixed grid. Pixels that look
like the turf beside the man are left out, and lightness and chroma are scaled by how bright that turf
is against the turf of the whole picture, so a man in shadow keeps his description. Own method.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

COLOURS = 12
"""Columns: jersey L a b, helmet L a b, trousers L a b (CIE Lab, L 0..100), jersey contrast (sd of L),
share of whitish jersey pixels, share of jersey pixels that are not turf."""

_PATCHES = {"jersey": (0.27, 0.73, 0.2, 0.46, 7, 9), "helmet": (0.3, 0.7, 0.02, 0.15, 6, 6),
            "trousers": (0.28, 0.72, 0.5, 0.68, 6, 6)}  # fmt: skip


def _lab(bgr: np.ndarray) -> np.ndarray:
    flat = np.ascontiguousarray(bgr.reshape(-1, 1, 3)).astype(np.float32) / 255.0
    return np.asarray(cv2.cvtColor(flat, cv2.COLOR_BGR2LAB)).reshape(bgr.shape)


def _grid(boxes: np.ndarray, patch: tuple[float, float, float, float, int, int]) -> np.ndarray:
    """(N, ny*nx, 2) pixel places of a patch's grid in every box."""
    x0, x1, y0, y1, nx, ny = patch
    gx, gy = np.meshgrid(np.linspace(x0, x1, nx), np.linspace(y0, y1, ny))
    grid = np.stack([gx.ravel(), gy.ravel()], 1)
    size = boxes[:, 2:] - boxes[:, :2]
    return np.asarray(boxes[:, None, :2] + grid[None] * size[:, None])


def _look(bgr: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pixels at places (N,M,2) as Lab (N,M,3), and which lie in the picture (N,M)."""
    height, width = bgr.shape[:2]
    x, y = np.rint(places[..., 0]).astype(int), np.rint(places[..., 1]).astype(int)
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    return _lab(bgr[y.clip(0, height - 1), x.clip(0, width - 1)]), inside


def describe_colour(bgr: np.ndarray, boxes: Any) -> np.ndarray:
    """Colour description of every box.

    bgr: (H,W,3) uint8 picture. boxes: (N,4) left top right bottom in pixels. Returns (N,12) float32,
    see `COLOURS`; parts behind nearer boxes are left out; a row is NaN where nearly all of the jersey patch
    lies outside the picture or behind nearer men.
    """
    boxes = np.asarray(boxes, float).reshape(-1, 4)
    if bgr.ndim != 3 or bgr.shape[2] != 3 or bgr.dtype != np.uint8:
        raise ValueError(f"bgr: expected (H,W,3) uint8, found {bgr.shape} {bgr.dtype}")
    if not len(boxes):
        return np.zeros((0, COLOURS), np.float32)
    tone, turf = _turf(bgr, boxes)
    pairs = _nearer_pairs(boxes)
    out = np.empty((len(boxes), COLOURS), np.float32)
    for k, name in enumerate(_PATCHES):
        places = _grid(boxes, _PATCHES[name])
        lab, inside = _look(bgr, places)
        inside &= _in_sight(places, boxes, pairs)
        weight = _not_turf(lab, turf) * inside
        scaled = lab * tone[:, None, None]
        total = weight.sum(1)
        mean = (scaled * weight[..., None]).sum(1) / np.maximum(total, 1e-6)[:, None]
        out[:, 3 * k : 3 * k + 3] = mean
        if name == "jersey":
            spread = (weight * (scaled[..., 0] - mean[:, None, 0]) ** 2).sum(1) / np.maximum(total, 1e-6)
            white = (scaled[..., 0] > 65) & (np.hypot(scaled[..., 1], scaled[..., 2]) < 18)
            out[:, 9] = np.sqrt(spread)
            out[:, 10] = (white * weight).sum(1) / np.maximum(total, 1e-6)
            out[:, 11] = total / np.maximum(inside.sum(1), 1)
            hidden = inside.mean(1) < 0.15
    out[hidden] = np.nan
    return out


def _nearer_pairs(boxes: np.ndarray) -> list[tuple[int, int]]:
    """(hidden, nearer) rows whose boxes overlap; two boxes on one man (IoU above 0.6) do not count."""
    a, b = boxes[:, None], boxes[None]
    w = np.minimum(a[..., 2], b[..., 2]) - np.maximum(a[..., 0], b[..., 0])
    h = np.minimum(a[..., 3], b[..., 3]) - np.maximum(a[..., 1], b[..., 1])
    inter = np.clip(w, 0, None) * np.clip(h, 0, None)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    iou = inter / np.maximum(area[:, None] + area[None] - inter, 1e-6)
    pairs = (inter > 0) & (b[..., 3] > a[..., 3]) & (iou < 0.6)
    return [(int(i), int(j)) for i, j in zip(*np.nonzero(pairs), strict=True)]


def _in_sight(places: np.ndarray, boxes: np.ndarray, pairs: list[tuple[int, int]]) -> np.ndarray:
    """(N,M) bool: not within the middle three quarters (across) of a nearer box."""
    out = np.ones(places.shape[:2], bool)
    for i, j in pairs:
        x0, y0, x1, y1 = boxes[j]
        margin = 0.12 * (x1 - x0)
        x, y = places[i, :, 0], places[i, :, 1]
        out[i] &= (x < x0 + margin) | (x > x1 - margin) | (y < y0) | (y > y1)
    return out


def _turf(bgr: np.ndarray, boxes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How the light at each man scales to the picture's (N,), and the turf beside him in Lab (N,3)."""
    left = _grid(boxes, (-0.35, -0.1, 0.55, 1.02, 3, 6))
    right = _grid(boxes, (1.1, 1.35, 0.55, 1.02, 3, 6))
    lab, _ = _look(bgr, np.concatenate([left, right], 1))
    own = np.median(lab, axis=1)
    usual = np.median(own, axis=0)
    alike = np.hypot(*(own[:, 1:] - usual[1:]).T) < 15
    own = np.where(alike[:, None], own, usual)
    tone = np.clip((usual[0] + 8) / (own[:, 0] + 8), 0.65, 1.5)
    return tone, own


def _not_turf(lab: np.ndarray, turf: np.ndarray) -> np.ndarray:
    """(N,M) weight 0.02..1: how unlike the turf a pixel is (chroma counts more than lightness)."""
    d = (lab - turf[:, None]) / np.array([22.0, 9.0, 9.0])
    return np.asarray(0.02 + 0.98 * (1 - np.exp(-0.5 * (d * d).sum(-1))))
