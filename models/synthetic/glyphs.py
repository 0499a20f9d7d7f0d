"""Digits and letters as coverage masks: block, slab, thin and round strokes of our own, and the built-in
font."""

from __future__ import annotations

import cv2
import numpy as np

_STROKES: dict[
    str, list[list[tuple[float, float]]]
] = {  # seven-segment-like block digits on a 4 x 6 grid, y up; polylines
    "0": [[(0, 0), (4, 0), (4, 6), (0, 6), (0, 0)]],
    "1": [[(2.4, 0), (2.4, 6)], [(2.4, 6), (1.2, 5.2)]],
    "2": [[(0, 6), (4, 6), (4, 3), (0, 3), (0, 0), (4, 0)]],
    "3": [[(0, 6), (4, 6), (4, 0), (0, 0)], [(1, 3), (4, 3)]],
    "4": [[(3.2, 0), (3.2, 6)], [(0.2, 6), (0.2, 2.4), (4, 2.4)]],
    "5": [[(4, 6), (0, 6), (0, 3.2), (4, 3.2), (4, 0), (0, 0)]],
    "6": [[(4, 6), (0, 6), (0, 0), (4, 0), (4, 3), (0, 3)]],
    "7": [[(0, 6), (4, 6), (4, 4.2), (1.8, 0)]],
    "8": [[(0, 0), (4, 0), (4, 6), (0, 6), (0, 0)], [(0, 3), (4, 3)]],
    "9": [[(0, 0), (4, 0), (4, 6), (0, 6), (0, 3), (4, 3)]],
    "C": [[(4, 6), (0, 6), (0, 0), (4, 0)]],
}


def glyph(char: str, style: str, height_px: int, width_px: int) -> np.ndarray:
    """Coverage (height, width) uint8 of one character that fills the box, row 0 on top."""
    if style in ("block", "slab", "thin", "round"):
        big_h, big_w = 240, max(40, int(240 * width_px / max(height_px, 1)))
        t = int(big_h * (0.11 if style == "thin" else 0.17))
        img: np.ndarray = np.zeros((big_h, big_w), np.uint8)
        sx, sy = (big_w - t) / 4.0, (big_h - t) / 6.0
        for line in _STROKES.get(char, _STROKES["0"]):
            pts = np.array([(t / 2 + x * sx, big_h - t / 2 - y * sy) for x, y in line])
            for a, b in zip(pts[:-1], pts[1:], strict=True):
                d = (b - a) / max(np.linalg.norm(b - a), 1e-6) * t / 2
                n = np.array([-d[1], d[0]])
                if style == "round":
                    cv2.line(
                        img,
                        np.round(a).astype(int).tolist(),
                        np.round(b).astype(int).tolist(),
                        255,
                        t,
                        cv2.LINE_AA,
                    )
                    continue
                cv2.fillPoly(
                    img, [np.round([a - d - n, b + d - n, b + d + n, a - d + n]).astype(np.int32)], 255
                )
        if style == "slab" and char in "147":
            cv2.rectangle(img, (int(big_w * 0.3), big_h - int(t * 0.6)), (int(big_w * 0.95), big_h), 255, -1)
        if style == "block":  # chamfered corners
            c = int(t * 0.8)
            for px, py, dx, dy in (
                (0, 0, 1, 1),
                (big_w, 0, -1, 1),
                (0, big_h, 1, -1),
                (big_w, big_h, -1, -1),
            ):
                cv2.fillPoly(img, [np.array([(px, py), (px + dx * c, py), (px, py + dy * c)], np.int32)], 0)
    else:
        canvas = _put(np.zeros((300, 300), np.uint8), char, style)
        ys, xs = np.nonzero(canvas > 30)
        if len(ys) == 0:
            return np.zeros((height_px, width_px), np.uint8)
        img = canvas[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
        if char == "1":  # keep the thin digit thin
            pad = int((img.shape[0] * width_px / height_px - img.shape[1]) / 2)
            img = np.pad(img, ((0, 0), (max(pad, 0), max(pad, 0))))
    return cv2.resize(img, (max(width_px, 1), max(height_px, 1)), interpolation=cv2.INTER_AREA)


def _put(canvas: np.ndarray, text: str, style: str) -> np.ndarray:
    img = cv2.merge([canvas] * 3)
    weight = {"sans": 800, "serif": 500}.get(style, 650)
    cv2.putText(
        img, text.replace("0", "O"), (40, 240), (255, 255, 255), cv2.FontFace("sans"), 220, weight
    )  # no slashed zero
    return img[:, :, 0]


def text_mask(text: str, style: str = "sans", height_px: int = 64) -> np.ndarray:
    """Coverage of a line of text, tightly cropped, ``height_px`` high."""
    img = np.zeros((140, 90 * max(len(text), 1) + 80, 3), np.uint8)
    cv2.putText(img, text.replace("0", "O"), (20, 110), (255, 255, 255), cv2.FontFace("sans"), 90, 800)
    ys, xs = np.nonzero(img[:, :, 0] > 30)
    if len(ys) == 0:
        return np.zeros((height_px, height_px), np.uint8)
    crop = img[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1, 0]
    return cv2.resize(crop, (max(1, int(crop.shape[1] * height_px / crop.shape[0])), height_px))
