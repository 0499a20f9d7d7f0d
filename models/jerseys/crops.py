"""Which piece of the picture shows a man's number: a square over the upper part of his box.

A standing player's number is 0.25-0.30 yd high on a man of 2.05 yd (rule books ask for at least 8 in on the
chest and 10 in on the back), that is 0.12-0.15 of his box, and lies between 0.2 and 0.45 of the box below
its top; a man in a stance carries it a little lower. The square takes half of the box's longer side.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

CROP_PX = 48
SIDE_SHARE, TOP_SHARE = 0.5, 0.08


def squares_px(xyxy_px: Any) -> np.ndarray:
    """(N,3) left, top and side in px of the square of each box (N,4)."""
    b = np.asarray(xyxy_px, float).reshape(-1, 4)
    height, width = b[:, 3] - b[:, 1], b[:, 2] - b[:, 0]
    side = SIDE_SHARE * np.maximum(np.maximum(height, width), 1.0)
    return np.stack([(b[:, 0] + b[:, 2]) / 2 - side / 2, b[:, 1] + TOP_SHARE * height, side], 1)


def cut_torsos(bgr: np.ndarray, xyxy_px: Any) -> np.ndarray:
    """(N, CROP_PX, CROP_PX, 3) uint8 BGR: the square of every box (N,4), its border repeated outside the
    picture. Squares larger than the crop are averaged, not sampled."""
    out = np.empty((len(np.atleast_2d(xyxy_px)) if np.size(xyxy_px) else 0, CROP_PX, CROP_PX, 3), np.uint8)
    for k, (left, top, side) in enumerate(squares_px(xyxy_px)[: len(out)]):
        scale = CROP_PX / side
        if scale < 0.8:  # cut first, then average
            big = max(CROP_PX, int(round(side)))
            piece = _warp(bgr, left, top, big / side, big)
            out[k] = cv2.resize(piece, (CROP_PX, CROP_PX), interpolation=cv2.INTER_AREA)
        else:
            out[k] = _warp(bgr, left, top, scale, CROP_PX)
    return out


def _warp(bgr: np.ndarray, left: float, top: float, scale: float, size: int) -> np.ndarray:
    """(size, size, 3): pixel centres of the square that begins at (left, top), `scale` px a picture px."""
    move = np.array([[scale, 0, -left * scale - 0.5], [0, scale, -top * scale - 0.5]])
    return np.asarray(
        cv2.warpAffine(bgr, move, (size, size), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    )


def normalise(crops: Any) -> np.ndarray:
    """(N,S,S,3) of any kind -> (N,3,S,S) float32: grey mean 0 and spread 1 over the middle of each crop, so
    that light and contrast of the film do not matter."""
    x = np.asarray(crops, np.float32)
    size = x.shape[1]
    low, high = size // 6, size - size // 6
    middle = x[:, low:high, low:high].mean(3)
    mean, spread = middle.mean((1, 2)), middle.std((1, 2)) + 4.0
    return np.ascontiguousarray(
        ((x - mean[:, None, None, None]) / spread[:, None, None, None]).transpose(0, 3, 1, 2)
    )
