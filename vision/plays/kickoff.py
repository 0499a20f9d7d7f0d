"""Kickoffs: told from how the teams stand; a kickoff has no line, no snap and no roles, only who kicks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.plays.motion import F64, RATE_HZ, Motion
from vision.plays.record import UNKNOWN, Play, PlayerInPlay
from vision.records import Tracks

Rows = NDArray[np.intp]
SIDES = ("A", "offense"), ("B", "defense")
ROW_YD, ROW_WIDE_YD, APART_YD = 1.5, 30.0, 8.5
"""a kicking team stands within so much of one line and over so much of the field's width; the receivers stay
farther away than this (10 yd by the rules of all four standards), one man in eight read wrong excepted"""
SURE = 0.95


@dataclass(frozen=True)
class Kickoff:
    """A kickoff as found: kicks (P,) and receives (P,) bool by men; direction the kickers go."""

    kicks: NDArray[np.bool_]
    receives: NDArray[np.bool_]
    direction: int


def find_kickoff(motion: Motion) -> Kickoff | None:
    """The kickoff that the first seconds of the tracks show, from the teams as they are named; else None."""
    teams = [motion.rows(*names) for names in SIDES]
    if not len(motion.t_s) or not len(teams[0]) or not len(teams[1]):
        return None
    for t in motion.t_s[:: max(1, int(0.5 * RATE_HZ))][:12]:
        xy = motion.place(float(t), 0.2)
        for row, other in (teams, teams[::-1]):
            line = kicking_line(xy, row, other)
            if np.isfinite(line):
                return _by_place(xy, row, other, line)
    return None


def kicking_line(xy: F64, row: Rows, other: Rows) -> float:
    """x of the line (field yards) on which the first team stands as for a kickoff, NaN if it does not.

    xy (P,2) field yards before anything moves. Eight men stand on it, across the field, nobody of the other
    team near."""
    x, y = xy[row, 0], xy[row, 1]
    x, y = x[np.isfinite(x)], y[np.isfinite(x)]
    away = xy[other, 0][np.isfinite(xy[other, 0])]
    if len(x) < 8 or len(away) < 5:
        return np.nan
    middle = float(np.median(x))
    inside = np.abs(x - middle) < ROW_YD
    near = int((np.abs(away - middle) <= APART_YD).sum())
    stands = inside.sum() >= 8 and np.ptp(y[inside]) > ROW_WIDE_YD and near <= len(away) // 8
    return middle if stands else np.nan


def _by_place(xy: F64, row: Rows, other: Rows, line: float) -> Kickoff:
    """Who kicks and who receives: by jersey, but a man on the line kicks and one beyond receives."""
    direction = 1 if np.nanmedian(xy[other, 0]) > line else -1
    ahead = direction * (xy[:, 0] - line)
    kicks, receives = np.zeros(len(xy), bool), np.zeros(len(xy), bool)
    kicks[row], receives[other] = True, True
    of_either = kicks | receives
    kicks = of_either & (np.abs(ahead) <= 2 * ROW_YD) | kicks & ~(ahead > APART_YD)
    return Kickoff(kicks, of_either & ~kicks, direction)


def kickoff_play(play_id: str, standard: str, motion: Motion, tracks: Tracks, found: Kickoff) -> Play:
    """A kickoff with who kicks (counted as the offense) and who receives."""
    men = []
    for row in np.flatnonzero(found.kicks | found.receives):
        k, team = tracks.index(motion.ids[row]), "offense" if found.kicks[row] else "defense"
        sure = float(tracks.jersey_probability[k])
        men.append(PlayerInPlay(motion.ids[row], team, jersey=tracks.jersey[k], jersey_probability=sure))
    return Play(
        play_id, standard, found.direction, UNKNOWN, UNKNOWN, UNKNOWN, kind="kick", kind_probability=SURE,
        players=tuple(men), warnings=("a kickoff has no line",), tracks=tracks,
    )  # fmt: skip
