"""From the mark network's maps to marks: peaks with sub-cell offsets, ridge points of the masks."""

from __future__ import annotations

import cv2
import numpy as np

from models.marks.network import CHANNELS, MASKS, POINTS, STRIDE

ACROSS_SHARE = 0.6


def sigmoid(x: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(-np.clip(x, -30, 30)))


def to_cells(px: np.ndarray) -> np.ndarray:
    """Network-input pixels (integer at centres) -> cell coordinates (integer at cell centres)."""
    return (np.asarray(px) - (STRIDE - 1) / 2) / STRIDE


def to_pixels(cells: np.ndarray) -> np.ndarray:
    """Inverse of :func:`to_cells`."""
    return np.asarray(cells) * STRIDE + (STRIDE - 1) / 2


def peaks(output: np.ndarray, kind: str, threshold: float = 0.3, radius: int = 2) -> np.ndarray:
    """Peaks of one heat channel: (N, 3) x, y in network-input pixels and score, best first.

    output: (12, h, w) raw network output. A peak is the maximum of its (2 radius + 1)^2 window.
    """
    index = POINTS.index(kind)
    heat = sigmoid(output[len(MASKS) + index])
    size = 2 * radius + 1
    top = (heat >= cv2.dilate(heat, np.ones((size, size), np.uint8))) & (heat > threshold)
    rows, cols = np.nonzero(top)
    dx = output[len(CHANNELS) + 2 * index][rows, cols]
    dy = output[len(CHANNELS) + 2 * index + 1][rows, cols]
    xy = to_pixels(np.stack([cols + np.clip(dx, -1.5, 1.5), rows + np.clip(dy, -1.5, 1.5)], 1))
    score = heat[rows, cols]
    order = np.argsort(-score)
    return np.column_stack([xy, score])[order].reshape(-1, 3)


def ridges(mask: np.ndarray, threshold: float = 0.35, low_px: float = 0.0) -> np.ndarray:
    """Ridge points of a mask of probabilities: (N, 5) x, y (network-input pixels), nx, ny, score.

    low_px: how far the marks lie below the ridges of these weights (network.MarkNet.ridge_low_px).

    Works in both scan directions: a cell is a ridge point when it is the maximum of its row (or
    column) neighbourhood; the place is refined by a parabola through the three log-values, and
    (nx, ny) is the unit vector of the scan, the direction in which the point is sharp. A scan along the
    ridge meets chance maxima beside its crest: it counts only where the mask bends nearly as much along
    the scan as across it.
    """
    out = []
    logs = np.log(np.clip(mask, 1e-4, 1.0))
    bend = [np.roll(logs, 1, a) - 2 * logs + np.roll(logs, -1, a) for a in (0, 1)]
    for axis in (1, 0):
        before, after = np.roll(logs, 1, axis), np.roll(logs, -1, axis)
        before2, after2 = np.roll(logs, 2, axis), np.roll(logs, -2, axis)
        top = (mask > threshold) & (logs > before) & (logs >= after) & (logs > before2) & (logs >= after2)
        top[:, :2] = top[:, -2:] = False
        top[:2] = top[-2:] = False
        curve = bend[axis]
        top &= (curve < -0.02) & (curve < ACROSS_SHARE * bend[1 - axis])
        rows, cols = np.nonzero(top)
        shift = 0.5 * (before - after)[rows, cols] / curve[rows, cols]
        shift = np.clip(shift, -0.7, 0.7)
        x = cols + (shift if axis == 1 else 0.0)
        y = rows + (shift if axis == 0 else 0.0)
        sharp = curve[rows, cols]
        xy = to_pixels(np.stack([x, y], 1))
        n = np.tile([[1.0, 0.0]] if axis == 1 else [[0.0, 1.0]], (len(xy), 1))
        out.append(np.column_stack([xy, n, mask[rows, cols], sharp]))
    both = np.concatenate(out)
    return _sharper_direction(both, mask.shape) + [0.0, low_px, 0.0, 0.0, 0.0]


def _sharper_direction(points: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Where both scans found the same cell, keep the one whose ridge is sharper."""
    if not len(points):
        return points[:, :5]
    cells = np.round(to_cells(points[:, :2])).astype(int)
    key = cells[:, 1] * shape[1] + cells[:, 0]
    order = np.lexsort((points[:, 5], key))
    first = np.ones(len(order), bool)
    first[1:] = key[order][1:] != key[order][:-1]
    return points[order[first]][:, :5]
