"""A second view whose field is too wide or too narrow, set right by the men.

The camera behind the end zone has the yard lines to tell how far away a man is, but across the field often
one row of marks or none, so it may stand right along the field and be a sixth too wide across it. The men of
the other view say how wide it is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.records import Tracks
from vision.tracking.clock import at_times
from vision.tracking.pairing import best_offset, pairing_cost

NO_STRETCH = (1.0, 0.0)
BADLY_PAIRED_YD, BETTER_SHARE = 1.0, 0.75
"""Mean distance of the pairs from which a stretch is looked for (good views: 0.3 to 0.9), and the share of it
that may be left at most for the stretch to be believed."""
WIDEST = 1.3
LOOKS = 24


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
