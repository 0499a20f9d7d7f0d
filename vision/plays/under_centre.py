"""A passer under the centre stands behind him: who seems to stand before him has been taken for him.

The two men overlap in every picture until the snap, and when one of them drops a tracker may go on with the
wrong one. Afterwards it is plain who the passer is (he went back); the order of the two before the snap then
tells whether their parts before it have been exchanged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.plays.lineup import LEFT_THE_LINE_YD, Lineup
from vision.plays.motion import F64, Motion, nan_median
from vision.records import AT_TIMES, Tracks

AHEAD_YD = 0.12
"""so far ahead of the centre no passer's feet are seen (27 passers under the centre on tuning film: 24 kept
their names and stood .22 to .96 yd behind him, 3 exchanged ones .28 to .53 yd ahead)"""
ASIDE_YD, NEAR_YD = 0.9, 1.4
"""across and along the field: two men this near before the snap are the passer under the centre and he"""
BEFORE_S, AFTER_S = (-0.8, -0.05), (0.9, 1.4)
"""stretches from the snap in which the two are compared"""
MEET_S = (-0.1, 0.35)
"""from the snap: the stretch in which the tracker may have gone on with the wrong man"""
APART_YD = 2.0
"""men farther apart than this are not taken for each other"""


def passer_behind(tracks: Tracks, motion: Motion, lineup: Lineup, snap_s: float) -> Tracks | None:
    """The tracks with the passer's and the centre's parts before the snap exchanged; None = they stand as a
    passer and a centre do, or not together, or nobody drops, or the tracks are no film's (a table's own ids
    are right).

    motion: of the same tracks; lineup: its rows."""
    passer, centre = lineup.quarterback, lineup.centre
    if passer < 0 or centre < 0 or not np.any(tracks.box_index >= 0):
        return None
    t = motion.t_s - snap_s
    before, after = (_places(motion, (passer, centre), t, span) for span in (BEFORE_S, AFTER_S))
    ahead = lineup.direction * (before[0, 0] - before[1, 0])
    back = lineup.direction * (before - after)[:, 0]
    together = abs(before[0, 1] - before[1, 1]) < ASIDE_YD and AHEAD_YD < ahead < NEAR_YD
    if not (together and back[0] - back[1] > LEFT_THE_LINE_YD):
        return None
    rows = [tracks.index(motion.ids[r]) for r in (passer, centre)]
    return _exchanged(tracks, rows, _stretch(tracks, rows, snap_s))


def _places(motion: Motion, rows: tuple[int, int], t: F64, span: tuple[float, float]) -> F64:
    """(2,2) median places of two men in a stretch of time from the snap; NaN: not seen then."""
    return nan_median(motion.xy_yd[list(rows)][:, (t >= span[0]) & (t <= span[1])], axis=1)


def _stretch(tracks: Tracks, rows: list[int], snap_s: float) -> NDArray[np.bool_]:
    """(T,) the frames in which the two have each other's places: up to their meeting at the snap, from the
    start of the clip or from when the later passer came up to the line (if it was he who came)."""
    xy, t = tracks.xy_field_yd[rows], tracks.t_s
    apart = np.hypot(*(xy[0] - xy[1]).T)
    meet = (t >= snap_s + MEET_S[0]) & (t <= snap_s + MEET_S[1]) & np.isfinite(apart)
    end = int(np.flatnonzero(meet)[np.argmin(apart[meet])]) if meet.any() else int(np.searchsorted(t, snap_s))
    out = np.arange(len(t)) < end
    earlier = np.flatnonzero((apart > APART_YD) & out)
    if len(earlier):
        k = int(earlier[-1])
        moved = np.hypot(*(xy[:, end] - xy[:, k]).T)
        if moved[0] > moved[1]:
            out[: k + 1] = False
    return out


def _exchanged(tracks: Tracks, rows: list[int], stretch: NDArray[np.bool_]) -> Tracks:
    """The tracks with everything two men have at some times exchanged between them."""

    def swap(values: NDArray[Any]) -> NDArray[Any]:
        out = values.copy()
        out[rows[0], stretch], out[rows[1], stretch] = values[rows[1], stretch], values[rows[0], stretch]
        return out

    changes: dict[str, Any] = {name: swap(getattr(tracks, name)) for name in AT_TIMES}
    return replace(tracks, **changes)
