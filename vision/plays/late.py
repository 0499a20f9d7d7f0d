"""Receivers who are out of the picture at the snap: those who come into it soon after, and those whom a
corner standing wide of everybody gives away."""

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
LONELY_YD, COVER_DEPTH_YD = 3.5, 10.0
"""a corner stands over his receiver or inside him, hardly ever so far outside the widest of them, and no
deeper than this when he covers him (common practice; no source)"""


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


def unseen_outside(
    offense: dict[int, RoleGuess], defense: dict[int, RoleGuess], spots: F64, missing: int
) -> dict[str, int]:
    """{side: 1} where a corner stands alone outside the widest receiver seen, so that the one he covers is
    out of the picture; at most `missing` (eligible men not seen), the loneliest corner first."""
    found = []
    for side, sign in (("left", -1.0), ("right", 1.0)):
        ends = [sign * spots[r, 1] for r, g in offense.items() if g.role in ELIGIBLE]
        corners = [
            sign * spots[r, 1] for r, g in defense.items() if g.role == "CB" and spots[r, 0] < COVER_DEPTH_YD
        ]
        alone = max(corners, default=0.0) - max([*ends, 0.0])
        if alone > LONELY_YD and max(corners) > COMES_IN_WIDE_YD:
            found.append((alone, side))
    found.sort(reverse=True)
    return {side: 1 for _, side in found[: max(0, missing)]}
