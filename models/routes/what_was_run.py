"""Twelve-class names of simulated routes by what was run until a moment, as a scheme that sees paths would.

A post whose break the throw forestalled is a go to whoever only sees the path; a flat that climbs is an out.
The bounds are common practice (no source).
"""

from __future__ import annotations

import numpy as np

from models.routes.features import BACKFIELD_YD
from models.routes.labels import load_taxonomy

BREAK_TAKES_S = (0.42, 0.1)
"""a break is seen where so much time was left to run it"""
OUT_FROM_YD, FLAT_BELOW_YD, WHEEL_FROM_YD = (2.6, 0.8), (1.5, 0.7), (7.0, 2.0)
"""depth from which a flat or swing is an out; below which an out, or a wheel not turned yet, is a flat"""
CHECK_TO_FLAT_YD, CHECK_TO_HITCH_YD = (2.4, 0.7), (4.0, 0.8)
"""check-downs that gain so much outward, or so deep (half of them)"""
BROKEN = ("in", "out", "post", "corner", "deep_cross", "curl", "comeback", "hitch", "hook")
"""told from a go by their break alone"""


def names_by_run(
    label: np.ndarray,
    deepest_yd: np.ndarray,
    gained_yd: np.ndarray,
    from_yd: np.ndarray,
    break_s: np.ndarray,
    end_s: np.ndarray,
    rng: np.random.Generator | None = None,
) -> np.ndarray:
    """(N,) names of the set ``twelve``; '' where it has none.

    label: (N,) route called. deepest_yd, gained_yd: (N,) greatest depth, and way toward his sideline, until
    end_s. from_yd: (N,) depth at the snap. break_s: (N,) s after the snap, NaN: none. end_s: (N,) what is run
    later does not count. rng: draws every bound anew around its middle (pairs above: middle, sd), and leaves
    some doubtful ones their called name; without one the middles hold.
    """
    n = len(label)

    def bound(pair: tuple[float, float]) -> np.ndarray:
        return np.full(n, pair[0]) if rng is None else rng.normal(*pair, n)

    def chance(share: float) -> np.ndarray:
        return np.full(n, share > 0.5) if rng is None else rng.random(n) < share

    mapping = load_taxonomy("twelve").mapping
    out = np.array([mapping[str(x)] or "" for x in label], dtype="U8")
    flat = np.isin(label, ("flat", "swing"))
    out = np.where(flat & (deepest_yd > bound(OUT_FROM_YD)), "OUT", out)
    out = np.where((label == "out") & (deepest_yd < bound(FLAT_BELOW_YD)), "FLAT", out)
    check = label == "checkdown"
    out = np.where(check & (gained_yd > bound(CHECK_TO_FLAT_YD)), "FLAT", out)
    early = ~(break_s < end_s - bound(BREAK_TAKES_S))
    broken = np.isin(label, BROKEN) & early & ~(from_yd < BACKFIELD_YD)
    out = np.where(broken & chance(0.85), "GO", out)
    out = np.where((label == "wheel") & (deepest_yd < bound(WHEEL_FROM_YD)), "FLAT", out)
    out = np.where(check & (deepest_yd > bound(CHECK_TO_HITCH_YD)) & chance(0.5), "HITCH", out)
    return np.where((label == "angle") & early & chance(0.6), "FLAT", out)
