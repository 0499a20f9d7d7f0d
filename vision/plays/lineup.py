"""Two teams facing each other: which is the offense, which way it goes, where the line and the ball are.

The evidence is what the rules and the trade demand of an offense at the snap, so that it holds on any
film: seven men on the line, five of them shoulder to shoulder, a quarterback behind the middle one.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.plays.motion import F64

CENTRE_BEHIND_BALL_YD = 0.8
"""how far the centre's place lies behind the forward tip of the ball (common practice; no source)"""


TAILBACK_YD = 5.7
"""so far behind the centre stands a tailback: with nobody nearer, the passer is hidden under the centre
(from the gun he stands 4 to 5; common practice, no source)"""
UNDER_CENTRE_YD, LATER_S = 1.6, 1.2
"""a man nearer than this behind the centre is under him (common practice); time after the snap at which
motion is looked at"""
BEHIND_HIM_YD = 0.5
"""half a man's width: nearer than this to the centre's place across the field a man is right behind him"""
LEFT_THE_LINE_YD, TACKLE_SET_YD = 1.2, 1.8
"""LATER_S after the snap a man who was under the centre has gone back that much more than the linemen, and no
lineman more than that (simulated plays: passers 2 to 3, linemen to 1.5)"""
BESIDE_YD = 0.8
"""the feet of a man under the centre may be seen so far ahead of the linemen's (crouched men, by hand)"""
DROPPED_YD = LEFT_THE_LINE_YD + 0.3
"""a man among the linemen who has gone back so much more than they is the passer for sure"""
LATE_S, LATE_SET_YD, LATE_DROP_YD = 2.2, 2.5, 3.5
"""time after the snap at which a deep drop is past doubt: no lineman has then gone back so much more than the
others, a passer from under the centre most often more (90 simulated plays: 450 linemen to 2.3 yd, 99 of 100
to 1.6; of 25 passers half 4.4 and more, the quick ones 1 to 2)"""
RETREAT_YD, STAYS_COST = 1.0, 0.7
"""a passer has gone back so far LATER_S after the snap; misfit counted for each yard less, up to two"""
TWICE_YD = 0.75
"""two men of a line do not stand nearer than this, shoulder to shoulder (widths of men)"""
WIDEST_GAP_YD = 2.3
"""linemen farther apart have somebody hidden between them (splits of spread offenses; common practice)"""
HIDDEN_COST, MISSING_COST, SURPLUS_COST = 1.6, 1.1, 2.0
"""misfit counted for each lineman not seen: as a rule; when that many of the team are missing anyhow; half of
that when all of them are in view"""


@dataclass(frozen=True)
class Spot:
    """What the rules and the charting sheet say of where the ball lies, before any man is looked at.

    rows_yd: y of the two hash rows, between which every play starts (rules of all four standards), or None.
    men: how many a side has on the field.
    charted_y_yd, charted_x_yd: {direction: y} and {direction: x} of the charted hash and line, {} when not
    charted.
    """

    rows_yd: tuple[float, float] | None = None
    charted_y_yd: Mapping[int, float] = field(default_factory=dict)
    charted_x_yd: Mapping[int, float] = field(default_factory=dict)
    men: int = 11

    def cost_across(self, y: float, direction: int) -> float:
        """Misfit (yd) of a ball at y: outside the rows over half a yard, off the charted hash over one."""
        out = 0.0
        if self.rows_yd is not None:
            off = max(self.rows_yd[0] - y, y - self.rows_yd[1], 0.0)
            out += 1.2 * min(max(0.0, off - 0.5), 5.0)
        if direction in self.charted_y_yd:
            out += 0.8 * min(max(0.0, abs(y - self.charted_y_yd[direction]) - 1.0), 4.0)
        return out

    def cost_along(self, x: float, direction: int) -> float:
        """Misfit (yd) of a line at x with the charted one; never much, for a camera may be lines off."""
        if direction not in self.charted_x_yd:
            return 0.0
        return 0.5 * min(max(0.0, abs(x - self.charted_x_yd[direction]) - 1.5), 4.0)


ANYWHERE = Spot()


@dataclass(frozen=True)
class Lineup:
    """One reading of the two lines. Rows index the men given.

    cost: lower is more like an offense (yards of misfit); line: rows from left to right as the
    offense sees it (five; down to two when men are hidden); centre, quarterback: rows or -1.
    """

    offense: NDArray[np.intp]
    defense: NDArray[np.intp]
    direction: int
    los_yd: float
    los_sd_yd: float
    spot_y_yd: float
    line: tuple[int, ...]
    centre: int
    quarterback: int
    cost: float


def read_lineup(
    xy: F64,
    offense: NDArray[np.intp],
    defense: NDArray[np.intp],
    ball: F64 | None = None,
    speed: F64 | None = None,
    spot: Spot = ANYWHERE,
    later: F64 | None = None,
    late: F64 | None = None,
) -> Lineup | None:
    """Read the lines when `offense` faces `defense`; None when fewer than six and four men are in view.

    xy (P,2) field yards at the snap. ball (2,) its place on the ground, if known. speed (P,) yd/s: a man in
    motion is no lineman. spot: what is known of the ball's place beforehand. later, late (P,2): places
    LATER_S and LATE_S after the snap.
    """
    offense = offense[np.isfinite(xy[offense, 0])]
    defense = defense[np.isfinite(xy[defense, 0])]
    if len(offense) < 6 or len(defense) < 4:
        return None
    direction = 1 if np.median(xy[defense, 0]) > np.median(xy[offense, 0]) else -1
    ball = _trusted(ball, xy, offense, direction)
    depth = direction * xy[:, 0]
    behind, far_behind = (None if places is None else direction * places[:, 0] for places in (later, late))
    best: tuple[float, _Five, int, float] | None = None
    near = _near_the_line(xy, offense, depth, speed, direction)
    for size in (5, 4, 3, 2):
        for run in _runs(near, xy[:, 1], size):
            given = _given_ground(run, depth, behind)
            given_late = _given_ground(run, depth, far_behind)
            dropped = (given > DROPPED_YD) | (given_late > LATE_DROP_YD)
            left = _left_the_line(run, given, TACKLE_SET_YD), _left_the_line(run, given_late, LATE_SET_YD)
            for five in _completed(run, depth, xy[:, 1]):
                cost = _line_cost(five, near, depth, xy[:, 1], dropped)
                cost += _hidden_cost(5 - size, spot.men - len(offense))
                cost += left[0]
                cost += left[1]
                if ball is not None:
                    cost += 1.2 * min(abs(ball[1] - five.spot_y_yd), 5.0)
                cost += spot.cost_across(five.spot_y_yd, direction)
                aside = _behind_him(five, xy[:, 1], dropped, later, late)
                qb, qb_cost, stays = _quarterback(five, offense, depth, aside, given, behind, dropped)
                if best is None or cost + qb_cost + stays < best[0]:
                    best = (cost + qb_cost + stays, five, qb, stays)
        if size < 5 and best is not None and best[0] < (5.0 if size > 3 else 7.0):
            break
    if best is None:
        return None
    cost, five, qb, stays = best
    cost -= stays  # chooses among passers; a defense drops back as well
    run, centre = five.rows, five.centre
    los, los_sd = _line_of_scrimmage(run, centre, depth, defense, xy[:, 1])
    on_line = int((depth[offense] > los - 2.3).sum())
    cost += 0.6 * max(0, 6 - on_line) + 0.5 * max(0, int((depth[offense] > los + 0.4).sum()))
    cost += 0.7 * max(0, int((depth[defense] < los - 0.3).sum()))
    ball_y = five.spot_y_yd
    if centre < 0 and qb >= 0:  # the passer stands behind a centre not seen
        ball_y = 0.5 * (ball_y + float(xy[qb, 1]))
    if ball is not None:
        los, los_sd, ball_y = direction * float(ball[0]), 0.3, float(ball[1])
    cost += spot.cost_along(direction * los, direction)
    return Lineup(offense, defense, direction, direction * los, los_sd, ball_y, run, centre, qb, cost)


def _hidden_cost(hidden: int, missing: int) -> float:
    """Misfit (yd) of supposing so many linemen when so many men of the offense are not in view."""
    if missing <= 0:
        return 2 * SURPLUS_COST * hidden
    return (MISSING_COST if hidden <= missing else HIDDEN_COST) * hidden


def _near_the_line(
    xy: F64, offense: NDArray[np.intp], depth: F64, speed: F64 | None, direction: int
) -> NDArray[np.intp]:
    """Rows of the offense near its front, from left to right as it sees them; men in motion left out."""
    front = float(np.sort(depth[offense])[-3])
    near = offense[(depth[offense] > front - 2.6) & (depth[offense] < front + 2.0)]
    if speed is not None:
        still = near[~(speed[near] > 2.0)]
        near = still if len(still) >= 5 else near
    return near[np.argsort(-direction * xy[near, 1])]


@dataclass(frozen=True)
class _Five:
    """Five linemen from end to end, some of them only supposed: rows of those seen, y and depth (yd) of all
    five, row of the centre (-1 when he is supposed)."""

    rows: tuple[int, ...]
    y_yd: tuple[float, ...]
    depth_yd: tuple[float, ...]
    centre: int

    @property
    def spot_y_yd(self) -> float:
        return self.y_yd[2]


def _completed(run: tuple[int, ...], depth: F64, y: F64) -> list[_Five]:
    """The run filled up to five: a man not seen may stand beyond either end or in a gap wide enough."""
    gaps = np.abs(np.diff(y[list(run)]))
    step = float(np.clip(np.min(gaps), 1.2, 1.9))
    way = 1.0 if y[run[-1]] > y[run[0]] else -1.0
    lines: list[list[tuple[float, int]]] = [[(float(y[r]), r) for r in run]]
    for _ in range(5 - len(run)):
        more = []
        for line in lines:
            more.append([(line[0][0] - way * step, -1), *line])
            more.append([*line, (line[-1][0] + way * step, -1)])
            for k, ((a, _), (b, _)) in enumerate(zip(line, line[1:], strict=False)):
                wide = abs(b - a)
                if wide > 1.4 * step:
                    places = max(2, round(wide / step))
                    more.append([*line[: k + 1], (a + (b - a) / places, -1), *line[k + 1 :]])
        lines = more
    out, known = [], set()
    for line in lines:
        key = tuple(round(v, 2) for v, _ in line)
        if key in known:
            continue
        known.add(key)
        seen = [float(depth[r]) for _, r in line if r >= 0]
        deep = tuple(float(depth[r]) if r >= 0 else float(np.mean(seen)) for _, r in line)
        out.append(_Five(run, tuple(v for v, _ in line), deep, line[2][1]))
    return out


def _trusted(ball: F64 | None, xy: F64, offense: NDArray[np.intp], direction: int) -> F64 | None:
    """The ball's place when it can be the spot: five men of the offense stand at its depth, four
    of them within 6 yd, none over 2 yd beyond it."""
    if ball is None or not np.isfinite(ball).all():
        return None
    ahead = direction * (xy[offense, 0] - ball[0])
    near = (ahead > -2.5) & (ahead < 1.0)
    close = near & (np.abs(xy[offense, 1] - ball[1]) < 6.0)
    return ball if near.sum() >= 5 and close.sum() >= 4 and (ahead > 2.0).sum() == 0 else None


def _runs(near: NDArray[np.intp], y: F64, size: int) -> list[tuple[int, ...]]:
    """Groups of neighbours along the line; a wing or a back a step behind may be skipped."""
    out = []
    for start in range(len(near)):
        pool = [int(m) for m in near[start : start + size + 2]]
        for run in itertools.combinations(pool, size):
            if run[0] == pool[0] and abs(y[run[-1]] - y[run[0]]) < 9.0:
                out.append(run)
    return out


def _line_cost(five: _Five, near: NDArray[np.intp], depth: F64, y: F64, dropped: NDArray[np.bool_]) -> float:
    """Misfit of five men to an offensive line: uneven spacing, ragged depth, not symmetric in depth."""
    gaps = np.abs(np.diff(five.y_yd))
    d = np.array(five.depth_yd)
    step = float(np.clip(np.median(gaps), 1.2, 1.9))
    spacing = np.abs(gaps - step).sum() + 3.0 * np.maximum(0, 0.6 - gaps).sum()
    spacing += 2.0 * np.clip(gaps - WIDEST_GAP_YD, 0.0, 1.5).sum()
    ragged = 2.0 * float(np.ptp(d))
    bow = abs(d[0] - d[-1]) + abs(d[1] - d[3])
    behind = max(0.0, float(np.mean(d)) - d[2])
    # somebody else standing in the line between its ends belongs to it
    lo, hi = min(five.y_yd[0], five.y_yd[-1]), max(five.y_yd[0], five.y_yd[-1])
    between = [
        m
        for m in near
        if m not in five.rows
        and lo < y[m] < hi
        and -0.15 < depth[m] - float(np.median(d)) < 1.2  # farther ahead stands a defender
        # but a quarterback under the centre stands right behind him, or leaves the line
        and not (abs(y[m] - five.spot_y_yd) < 0.7 and depth[m] < d[2] - 0.1)
        and not dropped[m]
        # and who stands in another man's place is that man seen twice
        and min(np.hypot(y[m] - y[r], depth[m] - depth[r]) for r in five.rows) > TWICE_YD
    ]
    return float(spacing + max(0.0, ragged - 1.5) + bow + behind + 2.0 * len(between))


def _given_ground(run: tuple[int, ...], depth: F64, later: F64 | None) -> F64:
    """(P,) yards each man has gone back by a time after the snap (later (P,): depths then), less what the
    linemen of the run have (their median); zeros where that is not known."""
    if later is None:
        return np.zeros(len(depth))
    back = depth - later
    own = back[list(run)]
    own = own[np.isfinite(own)]
    if not len(own):
        return np.zeros(len(depth))
    return np.where(np.isfinite(back), back - float(np.median(own)), np.nan)


def _left_the_line(run: tuple[int, ...], given: F64, most_yd: float) -> float:
    """Misfit (yd) of men who go back farther than the linemen beside them: one of them is a passer under the
    centre taken for a lineman."""
    mine = given[list(run)]
    return float(np.sum(np.clip(2.0 * (np.where(np.isfinite(mine), mine, 0.0) - most_yd), 0.0, 2.5)))


def _behind_him(five: _Five, y: F64, dropped: NDArray[np.bool_], *after: F64 | None) -> F64:
    """(P,) how far to one side of the centre's place each man is. Of a man who drops, the least of before and
    after: under the centre he is hidden, and his feet are guessed at."""
    aside = np.abs(y - five.spot_y_yd)
    for places in after:
        if places is not None:
            aside[dropped] = np.fmin(aside, np.abs(places[:, 1] - five.spot_y_yd))[dropped]
    return np.asarray(aside)


def _quarterback(
    five: _Five,
    offense: NDArray[np.intp],
    depth: F64,
    aside_yd: F64,
    given: F64,
    later: F64 | None,
    dropped_back: NDArray[np.bool_],
) -> tuple[int, float, float]:
    """The man behind the middle of the line: row (or -1), misfit in yards, and the part that counts between
    men of one reading alone: a passer goes back RETREAT_YD after the snap, a back does not.

    aside_yd (P,): see `_behind_him`; later (P,): depths about LATER_S after the snap; given (P,): see
    `_given_ground`; dropped_back (P,): who has gone back as only a passer does. A man under the centre
    has left the linemen by then, a lineman who stands a little behind the others has not; a back on his way
    forward is no passer.
    """
    front = float(np.median(five.depth_yd))
    best, best_cost, best_stays = -1, 3.0, STAYS_COST * RETREAT_YD
    for man in offense:
        if man in five.rows:
            continue
        back = front - depth[man]
        aside = float(aside_yd[man])
        if five.centre >= 0 and aside < BEHIND_HIM_YD:  # under the centre, who stands ahead of his guards
            back = max(front, float(depth[five.centre])) - depth[man]
        if 9.5 <= back < 16.5 and aside < 1.3 and len(five.rows) == 5:
            # a punter; the man before him protects. A whole line must be seen: a deep safety behind a
            # defensive front looks alike
            if 1.0 + aside < best_cost + best_stays:
                best, best_cost, best_stays = int(man), 1.0 + aside, 0.0
            continue
        gone = float(given[man]) if later is not None else np.nan
        # his feet may be seen beside the linemen's when he is under the centre; that he drops tells him
        dropped = bool(dropped_back[man])
        if not (-BESIDE_YD if dropped else 0.1) < back < TAILBACK_YD:
            continue
        # right behind the line only a man under the centre stands; beside him it is a lineman
        cost = 1.8 * aside + 0.5 * max(0.0, back - 6.0)
        forward = float(later[man] - depth[man]) if later is not None else np.nan
        if np.isfinite(forward):
            cost += 1.5 * float(np.clip(forward - 1.2, 0.0, 2.0))
        if back < UNDER_CENTRE_YD:
            cost += 4.0 * max(0.0, aside - (1.2 if dropped else 0.5))
            if np.isfinite(gone) and not dropped:
                cost += float(np.clip(2.0 * (LEFT_THE_LINE_YD - gone), 0.0, 4.0))
        # of two men in a row behind the ball (under centre, pistol) the nearer one takes the snap
        cost += 0.12 * back - (0.4 if back < UNDER_CENTRE_YD else 0.0)
        stays = STAYS_COST * float(np.clip(RETREAT_YD + (forward if np.isfinite(forward) else 0.0), 0.0, 2.0))
        if cost + stays < best_cost + best_stays:
            best, best_cost, best_stays = int(man), float(cost), stays
    return best, best_cost, best_stays


def _line_of_scrimmage(
    run: tuple[int, ...], centre: int, depth: F64, defense: NDArray[np.intp], y: F64
) -> tuple[float, float]:
    """Depth of the line (front tip of the ball) from the centre and from the middle of the neutral zone."""
    line = depth[list(run)]
    from_offense = (float(depth[centre]) if centre >= 0 else float(line.max())) + CENTRE_BEHIND_BALL_YD
    lo, hi = sorted((float(y[run[0]]), float(y[run[-1]])))
    box = defense[
        (y[defense] > lo - 2.5) & (y[defense] < hi + 2.5) & (depth[defense] > float(line.max()) - 0.3)
    ]
    fronts = np.sort(depth[box])[:4]
    fronts = fronts[fronts - from_offense < 2.0] if len(fronts) else fronts
    if len(fronts) < 2:
        return from_offense, 0.5
    from_both = 0.5 * (float(np.median(fronts)) + float(np.median(line)))
    return 0.7 * from_offense + 0.3 * from_both, 0.35
