"""Receivers who are out of the picture at the snap and come into it soon after."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.plays.lineup import Lineup
from vision.plays.motion import F64, RATE_HZ, Motion
from vision.plays.record import ELIGIBLE
from vision.plays.roles import RoleGuess

COMES_IN_S, COMES_IN_WIDE_YD, SEEN_S = 1.3, 8.0, 0.5
"""a receiver out of the picture at the snap is taken as one when he is seen so soon after it, so far from the
ball or beyond the line, and for so long"""


def late_receivers(path: F64, t: F64, rows: NDArray[np.intp], free: int) -> dict[int, tuple[RoleGuess, F64]]:
    """Row -> (role, place where first seen) of at most `free` men, the first seen first.

    path (P,T,2) in the play frame, t (T,) from the snap, rows: men of the offense not in its line-up.
    """
    found = []
    for row in rows:
        seen = np.flatnonzero((t >= 0) & np.isfinite(path[row, :, 0]))
        if len(seen) < SEEN_S * RATE_HZ or t[seen[0]] > COMES_IN_S:
            continue
        place = path[row, seen[0]]
        if abs(place[1]) > COMES_IN_WIDE_YD or place[0] > 1.0:
            found.append((float(t[seen[0]]), int(row), place))
    found.sort(key=lambda f: f[0])
    return {row: (RoleGuess("WR", 0.6), place) for _, row, place in found[:free]}


def with_late(
    offense: dict[int, RoleGuess],
    motion: Motion,
    lineup: Lineup,
    path: F64,
    t: F64,
    play_yd: F64,
    eligible: int,
) -> F64:
    """Adds such men to `offense` while fewer than `eligible` are known. Returns the places at the snap (P,2),
    theirs where they were first seen (to tell side and number by)."""
    known = np.concatenate([lineup.offense, lineup.defense])
    rows = np.array([r for r in motion.rows(motion.team_of(lineup.offense)) if r not in known], dtype=np.intp)
    free = max(0, eligible - sum(g.role in ELIGIBLE for g in offense.values()))
    spots = play_yd.copy()
    for row, (guess, place) in late_receivers(path, t, rows, free).items():
        offense[row], spots[row] = guess, place
    return spots
