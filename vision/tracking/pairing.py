"""Men of two views paired one to one, and the clocks of the views set by it."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.records import Tracks
from vision.tracking.clock import at_times

FAR_YD = 5.0
"""Distances above this all count the same when pairing."""


def distances(a: np.ndarray, b: np.ndarray, least_times: int = 5) -> np.ndarray:
    """(P,Q) mean distance over common times, each time capped at FAR_YD; FAR_YD where never together."""
    d = np.linalg.norm(a[:, None] - b[None], axis=-1)
    both = np.isfinite(d)
    n = both.sum(2)
    mean = np.where(both, np.minimum(d, FAR_YD), 0).sum(2) / np.maximum(n, 1)
    return np.where(n >= least_times, mean, FAR_YD)


def pairing_cost(a: np.ndarray, b: np.ndarray) -> float:
    """Mean distance of the closest one-to-one pairing of (P,T,2) and (Q,T,2) (over the smaller set)."""
    d = distances(a, b)
    i, j = linear_sum_assignment(d)
    return float(d[i, j].mean())


def best_offset(first: Tracks, second: Tracks, longest_s: float) -> tuple[float, float]:
    """Offset in s that pairs the men most closely, and the cost there (mean over the smaller set)."""
    if not len(first.ids) or not len(second.ids):
        return 0.0, np.inf
    step = max(1, len(first.t_s) // 40)
    t, a = first.t_s[::step], first.xy_field_yd[:, ::step]
    middle = (first.t_s[0] + first.t_s[-1] - second.t_s[0] - second.t_s[-1]) / 2

    def cost(offset: float) -> float:
        return pairing_cost(a, at_times(second, t - offset).xy_field_yd)

    best = 0.0
    trial = middle + np.arange(-longest_s, longest_s + 0.1, 0.2)
    for width in (0.0, 0.04, 0.01):
        if width:
            trial = best + width * np.arange(-6, 7)
        costs = [cost(float(o)) for o in trial]
        best = float(trial[int(np.argmin(costs))])
    return best, float(min(costs))
