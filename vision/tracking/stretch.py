"""A second view whose field is too wide, too narrow or moved, set right by the men.

The camera behind the end zone has the yard lines to tell how far away a man is, but across the field often
one row of marks or none, so it may stand right along the field and be a sixth too wide across it. The men of
the other view say how wide it is. Where a foot is misjudged by some pixels in both views, low cameras put the
men a yard and more apart, all alike: then the men say how far.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.records import Tracks
from vision.tracking.clock import at_times
from vision.tracking.pairing import best_offset, distances, pairing_cost

NO_STRETCH = (1.0, 0.0)
BADLY_PAIRED_YD, BETTER_SHARE = 1.0, 0.75
"""Mean distance of the pairs from which a stretch is looked for (good views: 0.3 to 0.9), and the share of it
that may be left at most for the stretch to be believed."""
WIDEST = 1.3
LOOKS = 24
NEAR_YD, FARTHEST_YD, ROUNDS = 2.5, 3.0, 8
"""Pairs nearer than the first say how far the views lie apart; more than the second is no foot misjudged."""


def stretch_between(
    first: Tracks, second: Tracks, cost_yd: float, offset_s: float, longest_s: float
) -> tuple[float, tuple[float, float]]:
    """Offset in s and (a, b): the second sees a man at a * y + b across the field whom the first sees at y.

    cost_yd, offset_s: of the best pairing without a stretch (`pairing.best_offset`); both are kept, with
    `NO_STRETCH`, where no stretch pairs the men much more closely.
    """
    middle = float(np.nanmedian(first.xy_field_yd[..., 1]))
    offset, _ = best_offset(_without_width(first), _without_width(second), longest_s)
    best, width, shift, widths = np.inf, 1.0, 0.0, np.geomspace(1 / WIDEST, WIDEST, 15)
    for start in (offset_s, offset):
        found = _search(first, second, start, middle, widths, np.arange(-9.0, 9.1, 1.0))
        if found[0] < best:
            (best, width, shift), offset = found, start
    for fine in (0.3, 0.1):
        offset, _ = best_offset(first, unstretched(second, _stretch(width, shift, middle)), longest_s)
        near = np.arange(-3, 4)
        best, width, shift = _search(
            first, second, offset, middle, width * (1 + fine / 10 * near), shift + fine * near
        )
    stretch = _stretch(width, shift, middle)
    offset, best = best_offset(first, unstretched(second, stretch), longest_s)
    return (offset_s, NO_STRETCH) if best > BETTER_SHARE * cost_yd else (offset, stretch)


def moved_between(
    first: Tracks, second: Tracks, offset_s: float, longest_s: float
) -> tuple[float, tuple[float, float]]:
    """Offset in s and (x, y) yd: how far the second sees all men from where the first does, for views that
    do not pair as they are. Pairs and their median distance by turns from nine starts; the closest wins."""
    t = first.t_s[:: max(1, len(first.t_s) // LOOKS)]
    one, best = at_times(first, t).xy_field_yd, (np.inf, np.zeros(2))
    for _ in range(2):  # the clocks, set without the shift, may be off
        two = at_times(second, t - offset_s).xy_field_yd
        for start in np.stack(np.meshgrid([-2.0, 0.0, 2.0], [-2.0, 0.0, 2.0]), -1).reshape(-1, 2):
            shift = _settled(one, two, start)
            cost = pairing_cost(one, two - shift)
            if cost < best[0] and np.linalg.norm(shift) <= FARTHEST_YD:
                best = (cost, shift)
        offset_s, cost = best_offset(first, moved_by(second, -best[1]), longest_s)
        best = (cost, best[1])
    return offset_s, (float(best[1][0]), float(best[1][1]))


def _settled(one: np.ndarray, two: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """(2,) median of how far the second view (Q,T,2) sees men from those of the first they pair with."""
    for _ in range(ROUNDS):
        d = distances(one, two - shift)
        i, j = linear_sum_assignment(d)
        apart = (two[j] - shift - one[i]).reshape(-1, 2)
        apart = apart[np.linalg.norm(apart, axis=1) < NEAR_YD]  # unknown places are not
        if not len(apart):
            break
        step = np.median(apart, 0)
        shift = shift + step
        if np.abs(step).max() < 0.02:
            break
    return shift


def moved_by(tracks: Tracks, by_yd: np.ndarray) -> Tracks:
    """Tracks with every place moved by (2,) yards."""
    return replace(tracks, xy_field_yd=tracks.xy_field_yd + by_yd)


def as_first_sees(xy: np.ndarray, stretch: tuple[float, float]) -> np.ndarray:
    """Places (...,2) of the second view where the first sees them; `as_second_sees` is its inverse."""
    return np.asarray((xy - np.array([0.0, stretch[1]])) / np.array([1.0, stretch[0]]))


def as_second_sees(xy: np.ndarray, stretch: tuple[float, float]) -> np.ndarray:
    """Places (...,2) of the first view where the second sees them."""
    return np.asarray(xy * np.array([1.0, stretch[0]]) + np.array([0.0, stretch[1]]))


def unstretched(second: Tracks, stretch: tuple[float, float]) -> Tracks:
    """Tracks of the second view as wide as the first sees the field."""
    if stretch == NO_STRETCH:
        return second
    return replace(
        second, xy_field_yd=as_first_sees(second.xy_field_yd, stretch),
        velocity_field_yd_per_s=second.velocity_field_yd_per_s / np.array([1.0, stretch[0]]),
    )  # fmt: skip


def _without_width(tracks: Tracks) -> Tracks:
    return replace(tracks, xy_field_yd=tracks.xy_field_yd * np.array([1.0, 0.0]))


def _stretch(width: float, shift: float, middle: float) -> tuple[float, float]:
    """(a, b) of a field `width` times as wide and moved by `shift` at `middle`."""
    return width, middle + shift - width * middle


def _search(
    first: Tracks, second: Tracks, offset_s: float, middle: float, widths: np.ndarray, shifts: np.ndarray
) -> tuple[float, float, float]:
    """(cost, width, shift at the middle) that pair the men most closely."""
    t = first.t_s[:: max(1, len(first.t_s) // LOOKS)]
    one, two = at_times(first, t).xy_field_yd, at_times(second, t - offset_s).xy_field_yd
    best = (np.inf, 1.0, 0.0)
    for width in widths:
        for shift in shifts:
            set_right = as_first_sees(two, _stretch(width, shift, middle))
            best = min(best, (pairing_cost(one, set_right), float(width), float(shift)))
    return best
