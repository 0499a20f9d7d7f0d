"""The start of a play: when it was snapped, who lined up how, and who the offense is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.plays.ball import BallPath
from vision.plays.lineup import ANYWHERE, LATE_S, LATER_S, Lineup, Spot, read_lineup
from vision.plays.motion import F64, RATE_HZ, Motion, window_mean
from vision.plays.record import UNKNOWN, Value
from vision.plays.roles import in_play_frame
from vision.plays.sides import offense_evidence
from vision.plays.snap import (
    GROUP_APART_S,
    SnapCandidate,
    snap_candidates,
    snap_from_ball,
    snap_from_groups,
    snap_from_men,
    snap_groups,
)

Rows = NDArray[np.intp]
LEAST_ODDS = 0.6
"""log-odds of who the offense is below which no direction is given (two in three right)"""
SURE_ODDS = 2.5
"""below these log-odds the play is marked for a look (92 in a hundred)"""
BALL_OFF_S = 0.4
"""a ball that starts to move farther from the time at which the men do is not being snapped"""
STILL_YD = 0.15
"""a man whose mean places over 0.3 and 0.6 s differ by less stands still"""


@dataclass(frozen=True)
class Start:
    """The start of the play as found: snap, its line-up and how sure the offense is (log-odds).

    side_evidence: log-odds that side A is the offense as this play alone says (NaN: not told, or given).
    """

    snap: Value
    lineup: Lineup | None
    odds: float
    warnings: tuple[str, ...]
    side_evidence: float = math.nan


def find_start(
    motion: Motion,
    known: Mapping[str, float],
    ball: BallPath | None,
    spot: Spot = ANYWHERE,
    kind: str = "",
    lean: float = 0.0,
) -> Start:
    """Snap and line-up: the best of the moments when a set line turns into motion.

    kind: pass, run or kick as charted, '' not known. lean: log-odds that side A is the offense from elsewhere
    (the game's other plays)."""
    warnings: list[str] = []
    if len(motion.t_s) < int(0.8 * RATE_HZ) or len(motion.ids) < 10:
        return Start(
            UNKNOWN, None, 0.0, (f"only {len(motion.ids)} players over {len(motion.t_s) / RATE_HZ:.1f} s",)
        )
    if "snap" in known:
        t = known["snap"]
        lineup, odds, own = _lineup_at(motion, t, ball, spot, kind, lean)
        said = () if lineup else ("no two lines at the given snap",)
        return Start(Value(t, 0.05, "measured"), lineup, odds, said, own)
    best: tuple[float, SnapCandidate, Lineup, float, float] | None = None
    for candidate in snap_candidates(motion):
        lineup, odds, own = _lineup_at(motion, candidate.t_s, ball, spot, kind, lean)
        if lineup is None:
            continue
        score = candidate.strength - 0.22 * min(lineup.cost, 9.0)
        if best is None or score > best[0]:
            best = (score, candidate, lineup, odds, own)
    if best is None:
        return Start(
            UNKNOWN,
            None,
            0.0,
            ("no moment found at which two set lines start to move (tracks that begin after the snap?)",),
        )
    _, candidate, lineup, odds, own = best
    rows = np.concatenate([lineup.offense, lineup.defense])
    t, sd = snap_from_men(motion, rows, candidate)
    if not math.isfinite(t):
        t, sd = candidate.t_s, 0.4
    if kind != "kick":  # whose men have other jobs
        groups = snap_groups(lineup, in_play_frame(set_places(motion, t), lineup))
        by_groups, groups_sd = snap_from_groups(motion, groups, replace(candidate, t_s=t))
        if abs(by_groups - t) < GROUP_APART_S:
            t, sd = by_groups, groups_sd
    if t - motion.t_s[0] < 0.25:
        sd = max(sd, 0.15)  # hardly any stillness was seen before it
    if candidate.before > 1.2 and candidate.seen_before_s < 0.3:
        warnings.append("the tracks begin after the snap")
        sd = max(sd, 0.5)
    source = "estimated" if sd > 0.3 else "measured"
    if ball is not None:
        from_ball, ball_sd = snap_from_ball(ball.t_s, ball.xy_field_yd, t)
        # tracks that begin with the snap show the ball at rest only later, in the passer's hands
        begun = t - motion.t_s[0] < 0.25 and from_ball > t
        if math.isfinite(from_ball) and abs(from_ball - t) < max(BALL_OFF_S, 2 * sd) and not begun:
            t, sd, source = from_ball, ball_sd, "measured"
    lineup2, odds2, own2 = _lineup_at(motion, t, ball, spot, kind, lean)
    if lineup2 is not None:
        lineup, odds, own = lineup2, odds2, own2
    if odds < LEAST_ODDS:
        cannot = "which team is the offense cannot be told, so nothing is measured"
        return Start(Value(t, sd, source), None, odds, (*warnings, cannot), own)
    if lineup.cost > 9.0:
        warnings.append(f"no clear offensive line at the snap (misfit {lineup.cost:.0f} yd)")
    return Start(Value(t, sd, source), lineup, odds, tuple(warnings), own)


def _lineup_at(
    motion: Motion, t_s: float, ball: BallPath | None, spot: Spot, kind: str, lean: float
) -> tuple[Lineup | None, float, float]:
    """The line-up just before a time, how sure its offense is (log-odds, with the lean), and the log-odds
    that side A is the offense without the lean (NaN where the teams are given or no line is read)."""
    xy = set_places(motion, t_s)
    seen = ball.at(t_s - 0.1, 0.25) if ball is not None else None
    pace = window_mean(motion.velocity, motion.t_s, t_s - 0.25, 0.2)
    speed = np.hypot(pace[:, 0], pace[:, 1])

    later, late = (motion.place(t_s + after, 0.15) for after in (LATER_S, LATE_S))

    def read(offense: Rows, defense: Rows) -> Lineup | None:
        return read_lineup(xy, offense, defense, seen, speed, spot, later, late)

    given_o, given_d = motion.rows("offense"), motion.rows("defense")
    if len(given_o) and len(given_d):
        return read(given_o, given_d), 9.0, math.nan
    a, b = motion.rows("A"), motion.rows("B")
    as_a, as_b = read(a, b), read(b, a)
    odds = offense_evidence(as_a, as_b, xy, later, late, spot, kind)[0]
    own = odds
    if as_a is None or as_b is None:  # only one reading there is: what speaks against it makes it doubtful
        best, sure = (as_b, -odds - lean) if as_a is None else (as_a, odds + lean)
    else:
        best, sure = (as_a if odds + lean >= 0 else as_b), abs(odds + lean)
    if best is None:
        return None, 0.0, math.nan
    sided = _by_side(best, xy)
    if sided is None or sided is best:
        return best, sure, own
    again = read(sided.offense, sided.defense)
    better = again is not None and again.direction == sided.direction and again.cost < sided.cost
    return (again if better else sided), sure, own


def _by_side(lineup: Lineup | None, xy: F64) -> Lineup | None:
    """The lineup with men taken to the team on whose side of the ball they stand: at the snap nobody may be
    beyond it, so that a jersey's colour read wrong is put right (half a yard and more; most men
    stay)."""
    if lineup is None:
        return None
    depth = lineup.direction * (xy[:, 0] - lineup.los_yd)
    beyond = lineup.offense[depth[lineup.offense] > 0.6]
    short = lineup.defense[depth[lineup.defense] < -0.5]
    if not len(beyond) + len(short) or len(beyond) > 3 or len(short) > 3:
        return lineup
    offense = np.concatenate([np.setdiff1d(lineup.offense, beyond), short])
    defense = np.concatenate([np.setdiff1d(lineup.defense, short), beyond])
    return replace(lineup, offense=offense, defense=defense)


def set_places(motion: Motion, snap_s: float) -> F64:
    """(P,2) places just before the snap, over 0.6 s of a man who stands still.

    A man not seen then stands where he was seen last in the 1.5 s before it, if he stood still there, or
    first in the 0.3 s after.
    """
    xy = motion.place(snap_s - 0.1, 0.15)
    longer = motion.place(snap_s - 0.3, 0.3)
    still = np.hypot(*(longer - xy).T) < STILL_YD
    xy[still] = longer[still]
    before = motion.span(snap_s - 1.5, snap_s)
    after = motion.span(snap_s, snap_s + 0.3)
    for row in np.flatnonzero(~np.isfinite(xy[:, 0])):
        seen = np.flatnonzero(np.isfinite(motion.xy_yd[row, before, 0]) & (motion.speed[row, before] < 1.2))
        later = np.flatnonzero(np.isfinite(motion.xy_yd[row, after, 0]))
        if len(seen):
            xy[row] = motion.xy_yd[row, before][seen[-1]]
        elif len(later):
            xy[row] = motion.xy_yd[row, after][later[0]]
    return xy
