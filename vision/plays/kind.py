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


def kick_formation(lineup: Lineup, play_yd: F64) -> float:
    """Probability of a kick from the formation at the snap (place kick or punt; play frame (P,2)).

    Punt: a man over 9.5 yd behind the ball. Place kick: two men 6 yd or more behind, nobody in front of
    them behind the line and no wide man.
    """
    others = [int(r) for r in lineup.offense if r not in lineup.line]
    depth, lateral = play_yd[others, 0], play_yd[others, 1]
    behind = depth[(np.abs(lateral) < 5.0) & (depth < -3.0)]
    if not len(behind):
        return 0.02
    punt = bool(behind.min() < -9.5)
    wide = bool((np.abs(play_yd[lineup.offense, 1]) > 11.0).any())
    holder = (behind < -6.0).sum() >= 2 and not wide and not (behind > -5.8).any()
    return 0.97 if punt or holder else 0.02


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
