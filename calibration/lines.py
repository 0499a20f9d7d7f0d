"""Straight strands in the picture: ridge points gathered into lines, crossings into rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class ImageLine:
    """A line a x + b y + c = 0 (a^2 + b^2 = 1), the span of its points and how many there are."""

    abc: np.ndarray
    start_px: np.ndarray
    end_px: np.ndarray
    weight: float

    def distance(self, px: np.ndarray) -> np.ndarray:
        """Signed distance (N,) of points in pixels."""
        return px @ self.abc[:2] + self.abc[2]

    def meet(self, other: ImageLine) -> np.ndarray | None:
        """Intersection (2,), None when nearly parallel."""
        a, b = self.abc, other.abc
        z = a[0] * b[1] - a[1] * b[0]
        if abs(z) < 1e-3:
            return None
        return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2]]) / z


def fit_line(px: np.ndarray, weight: np.ndarray | None = None) -> ImageLine:
    """Total least squares."""
    w = np.ones(len(px)) if weight is None else weight
    mean = (px * w[:, None]).sum(0) / w.sum()
    d = px - mean
    _, vectors = np.linalg.eigh((d * w[:, None]).T @ d)
    normal, along = vectors[:, 0], vectors[:, 1]
    t = d @ along
    return ImageLine(
        np.array([*normal, -normal @ mean]), mean + t.min() * along, mean + t.max() * along, float(w.sum())
    )


def _best_support(
    px: np.ndarray, i: np.ndarray, j: np.ndarray, least_apart_px: float, tolerance_px: float
) -> np.ndarray:
    """(N,) bool: points within the tolerance of the line through the pair (i[k], j[k]) that most points
    support; pairs closer than ``least_apart_px`` say nothing."""
    d = px[j] - px[i]
    length = np.hypot(*d.T)
    ok = length > least_apart_px
    if not ok.any():
        return np.zeros(len(px), bool)
    n = np.column_stack([-d[ok, 1], d[ok, 0]]) / length[ok, None]
    near = np.abs(px @ n.T - (n * px[i[ok]]).sum(1)) < tolerance_px
    return np.asarray(near[:, int(near.sum(0).argmax())])


def find_lines(
    px: np.ndarray,
    rng: np.random.Generator,
    tolerance_px: float,
    minimum: int = 8,
    most: int = 30,
    tries: int = 120,
) -> list[ImageLine]:
    """Lines by sequential RANSAC (Fischler and Bolles 1981) over points (N, 2), strongest first.

    A lens bends lines by a few pixels: points within ``tolerance_px`` support, those within twice
    that are removed with the line.
    """
    left = np.asarray(px, float)
    lines: list[ImageLine] = []
    while len(left) >= minimum and len(lines) < most:
        i = rng.integers(0, len(left), tries)
        j = rng.integers(0, len(left), tries)
        inside = _best_support(left, i, j, 8 * tolerance_px, tolerance_px)
        if inside.sum() < minimum:
            break
        line = None
        for _ in range(2):
            line = fit_line(left[inside])
            inside = np.abs(line.distance(left)) < tolerance_px
            if inside.sum() < minimum:
                break
        assert line is not None
        if inside.sum() >= minimum:
            lines.append(line)
        left = left[np.abs(line.distance(left)) >= 2 * tolerance_px]
    return lines


def find_transversals(
    px: np.ndarray, rng: np.random.Generator, tolerance_px: float, minimum: int = 3, most: int = 3
) -> list[ImageLine]:
    """Rows through crossings (few, some false): RANSAC over all pairs, largest agreeing set first."""
    left = np.asarray(px, float)[:, :2]
    rows: list[ImageLine] = []
    while len(left) >= minimum and len(rows) < most:
        i, j = np.triu_indices(len(left), 1)
        if len(i) > 1500:
            pick = rng.permutation(len(i))[:1500]
            i, j = i[pick], j[pick]
        inside = _best_support(left, i, j, 15 * tolerance_px, tolerance_px)
        if inside.sum() < minimum:
            break
        line = fit_line(left[inside])
        rows.append(line)
        left = left[np.abs(line.distance(left)) >= 2 * tolerance_px]
    return rows
