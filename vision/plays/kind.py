"""Pass, run or kick, told from the men (and the ball where it is known).

Linemen protecting a passer give ground; linemen blocking a run take it. Linebackers drop against the
one and step up against the other. Kicks are told by where the kicker or holder stands. Weights by hand
(common practice; no source), each feature in yards at a named time after the snap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.plays.lineup import Lineup
from vision.plays.motion import F64, nan_median

Rows = NDArray[np.intp]


PUNTER_YD, PUNTER_ASIDE_YD = (9.5, 17.5), 3.5
HOLDER_YD, HOLDER_ASIDE_YD, KICKER_FROM_HOLDER_YD = (5.8, 11.5), 5.0, (1.0, 5.0)
"""where the man who kicks stands behind the line and aside from the ball: a punter 12 to 15 yd, a holder 7
to 8 with the kicker two or three steps behind and aside of him (common practice, no source; widened)"""
WIDE_YD, NEARER_YD = 11.0, (3.0, 5.8)
"""at a place kick nobody of the kicking team stands wider, nor so far behind the ball, where a passer does"""


def kickers(place_yd: F64) -> tuple[bool, bool]:
    """Whether an offense (M,2) in its play frame has a man in a punter's place; two in those of holder and
    kicker."""
    back, aside = -place_yd[:, 0], np.abs(place_yd[:, 1])
    punter = (back > PUNTER_YD[0]) & (back < PUNTER_YD[1]) & (aside < PUNTER_ASIDE_YD)
    pair = place_yd[(back > HOLDER_YD[0]) & (back < HOLDER_YD[1]) & (aside < HOLDER_ASIDE_YD)]
    apart = np.hypot(*(pair[:, None] - pair[None]).T)
    near = (apart > KICKER_FROM_HOLDER_YD[0]) & (apart < KICKER_FROM_HOLDER_YD[1])
    return bool(punter.any()), bool(near.any())


def kick_formation(lineup: Lineup, play_yd: F64) -> float:
    """Probability of a kick (place kick or punt) from the formation at the snap, play frame (P,2).

    A holder's and a kicker's places count where nobody stands wide or where a passer does: two backs deep
    behind a passer look alike."""
    place = play_yd[lineup.offense]
    punter, holder = kickers(place)
    back, aside = -place[:, 0], np.abs(place[:, 1])
    passer = (back > NEARER_YD[0]) & (back < NEARER_YD[1]) & (aside < HOLDER_ASIDE_YD)
    return 0.97 if punter or (holder and not passer.any() and not (aside > WIDE_YD).any()) else 0.02


def run_evidence(t: F64, path: F64, line: Rows, backers: Rows, quarterback: int) -> float:
    """Log-odds of a run against a pass. path (P,T,2) play frame, t (T,) from the snap; NaN = cannot tell."""
    parts = [
        2.0 * np.clip(_gain(t, path, line, 1.2), -1.5, 1.5),
        1.0 * (np.clip(_gain(t, path, line, 2.0), -3, 3) + 0.35),
        0.8 * np.clip(_second_best(t, path, line, 2.6) - 0.2, -2, 3),
        -0.4 * np.clip(_gain(t, path, backers, 1.4), -2, 3),
    ]
    if quarterback >= 0:
        parts.append(0.35 * (2.2 + np.clip(_gain(t, path, np.array([quarterback]), 2.0), -6, 1)))
    known = [p for p in parts if np.isfinite(p)]
    return float(np.sum(known)) if known else np.nan


def _gain(t: F64, path: F64, rows: Rows, at: float) -> float:
    """Median change of depth (yd) of some men from the snap to a time after it."""
    now, then = np.abs(t - at) <= 0.11, np.abs(t) <= 0.11
    if not len(rows) or not now.any() or not then.any():
        return np.nan
    change = nan_median(path[rows][:, now, 0], axis=1) - nan_median(path[rows][:, then, 0], axis=1)
    return float(nan_median(change[None], axis=1)[0])


def _second_best(t: F64, path: F64, rows: Rows, at: float) -> float:
    """Second largest gain of depth (yd) among some men: linemen far downfield tell a run (passers' linemen
    may not go there before the throw)."""
    now, then = np.abs(t - at) <= 0.11, np.abs(t) <= 0.11
    if len(rows) < 3 or not now.any() or not then.any():
        return np.nan
    gains = nan_median(path[rows][:, now, 0], axis=1) - nan_median(path[rows][:, then, 0], axis=1)
    gains = np.sort(gains[np.isfinite(gains)])
    return float(gains[-2]) if len(gains) >= 3 else np.nan
