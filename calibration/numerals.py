"""Painted numbers as loose points: which of those found stand wholly in the picture."""

from __future__ import annotations

import numpy as np

from calibration import batch

HALF_YD = np.array([2.0, 1.2])
"""Half the length of a two-digit number along the field and half its height across, with its edge."""


def whole(
    px: np.ndarray,
    p: np.ndarray,
    index: np.ndarray,
    size_px: tuple[int, int],
    width_yd: float,
) -> np.ndarray:
    """(N,) bool: numbers found at px (N, 2) by cameras p[index] whose four corners lie in the picture.
    One cut by the picture's edge is found off its true middle."""
    if not len(px):
        return np.zeros(0, bool)
    principal = ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2)
    xy, ok = batch.ground(px, p, index, principal, width_yd)
    for corner in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
        at, seen = batch.image(xy + HALF_YD * corner, p, index, principal, width_yd)
        ok &= seen & (at > 0).all(1) & (at < np.array(size_px) - 1).all(1)
    return ok
