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
HIDDEN_COST = {5: 0.0, 4: 1.6, 3: 3.2}
"""misfit counted for linemen not seen"""


@dataclass(frozen=True)
class Spot:
    """What the rules and the charting sheet say of where the ball lies, before any man is looked at.

    rows_yd: y of the two hash rows, between which every play starts (rules of all four standards), or None.
    charted_y_yd, charted_x_yd: {direction: y} and {direction: x} of the charted hash and line, {} when not
    charted.
    """

    rows_yd: tuple[float, float] | None = None
    charted_y_yd: Mapping[int, float] = field(default_factory=dict)
    charted_x_yd: Mapping[int, float] = field(default_factory=dict)

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
    offense sees it (five; four or three when men are hidden); centre, quarterback: rows or -1.
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
) -> Lineup | None:
    """Read the lines when `offense` faces `defense`; None when fewer than six and four men are in view.

    xy (P,2) field yards at the snap. ball (2,) its place on the ground, if known. speed (P,) yd/s: a man in
    motion is no lineman. spot: what is known of the ball's place beforehand.
    """
    offense = offense[np.isfinite(xy[offense, 0])]
    defense = defense[np.isfinite(xy[defense, 0])]
    if len(offense) < 6 or len(defense) < 4:
        return None
    direction = 1 if np.median(xy[defense, 0]) > np.median(xy[offense, 0]) else -1
    ball = _trusted(ball, xy, offense, direction)
    depth = direction * xy[:, 0]
    best: tuple[float, tuple[int, ...], int, int] | None = None
    front = float(np.sort(depth[offense])[-3])
    near = offense[(depth[offense] > front - 2.6) & (depth[offense] < front + 2.0)]
    if speed is not None:
        still = near[~(speed[near] > 2.0)]
        near = still if len(still) >= 5 else near
    near = near[np.argsort(-direction * xy[near, 1])]
    for size in (5, 4, 3):
        for run in _runs(near, xy[:, 1], size):
            centre = run[2] if size == 5 else -1
            ends = sorted((float(xy[run[0], 1]), float(xy[run[-1], 1])))
            # with men hidden the ball may lie anywhere well inside the ends
            room = (float(xy[centre, 1]),) * 2 if size == 5 else (ends[0] + 0.9, ends[1] - 0.9)
            cost = _line_cost(run, near, depth, xy[:, 1]) + HIDDEN_COST[size]
            if ball is not None:
                cost += 1.2 * min(abs(ball[1] - float(np.clip(ball[1], *room))), 5.0)
            cost += min(spot.cost_across(y, direction) for y in np.linspace(*room, 5))
            qb, qb_cost = _quarterback(run, offense, depth, xy[:, 1], room)
            if best is None or cost + qb_cost < best[0]:
                best = (cost + qb_cost, run, centre, qb)
        if best is not None and best[0] < 5:
            break
    if best is None:
        return None
    cost, run, centre, qb = best
    los, los_sd = _line_of_scrimmage(run, centre, depth, defense, xy[:, 1])
    on_line = int((depth[offense] > los - 2.3).sum())
    cost += 0.6 * max(0, 6 - on_line) + 0.5 * max(0, int((depth[offense] > los + 0.4).sum()))
    cost += 0.7 * max(0, int((depth[defense] < los - 0.3).sum()))
    ball_y = float(xy[centre, 1]) if centre >= 0 else float(xy[qb if qb >= 0 else list(run), 1].mean())
    if ball is not None:
        los, los_sd, ball_y = direction * float(ball[0]), 0.3, float(ball[1])
    cost += spot.cost_along(direction * los, direction)
    return Lineup(offense, defense, direction, direction * los, los_sd, ball_y, run, centre, qb, cost)


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


def _line_cost(run: tuple[int, ...], near: NDArray[np.intp], depth: F64, y: F64) -> float:
    """Misfit of five men to an offensive line: uneven spacing, ragged depth, not symmetric in depth."""
    gaps = np.abs(np.diff(y[list(run)]))
    d = depth[list(run)]
    step = float(np.clip(np.median(gaps) if len(run) == 5 else np.min(gaps), 1.2, 1.9))
    misfit = np.abs(gaps - step)
    for hidden in range(1, 6 - len(run)):  # a gap may hold a man not seen
        misfit = np.minimum(misfit, 0.3 * hidden + np.abs(gaps - (hidden + 1) * step))
    spacing = misfit.sum() + 3.0 * np.maximum(0, 0.6 - gaps).sum()
    ragged = 2.0 * float(np.ptp(d)) if len(d) else 0.0
    bow = abs(d[0] - d[-1]) + (abs(d[1] - d[3]) if len(d) == 5 else 0.0)
    behind = max(0.0, d[len(d) // 2] * -1 + float(np.mean(d)))
    # somebody else standing in the line between its ends belongs to it
    lo, hi = min(y[run[0]], y[run[-1]]), max(y[run[0]], y[run[-1]])
    centre = run[len(run) // 2]
    between = [
        m
        for m in near
        if m not in run
        and lo < y[m] < hi
        and depth[m] > float(np.median(d)) - 0.15
        # but a quarterback under the centre stands right behind him
        and not (abs(y[m] - y[centre]) < 0.7 and depth[m] < depth[centre] - 0.1)
    ]
    return float(spacing + max(0.0, ragged - 1.5) + bow + behind + 2.0 * len(between))


def _quarterback(
    run: tuple[int, ...], offense: NDArray[np.intp], depth: F64, y: F64, room: tuple[float, float]
) -> tuple[int, float]:
    """The man behind the middle of the line: row (or -1) and misfit in yards."""
    front = float(depth[run[len(run) // 2]]) if len(run) == 5 else float(np.median(depth[list(run)]))
    best, best_cost = -1, 3.0
    for man in offense:
        if man in run:
            continue
        back = front - depth[man]
        aside = abs(float(y[man] - np.clip(y[man], *room)))
        if 9.5 <= back < 16.5 and aside < 1.3:
            return int(man), 0.5 + aside  # a punter; the man before him protects
        if not 0.1 < back < TAILBACK_YD:
            continue
        # right behind the line only a man under the centre stands; beside him it is a lineman
        cost = 1.5 * aside + 0.3 * abs(float(y[man]) - sum(room) / 2) + 0.5 * max(0.0, back - 6.0)
        if back < 1.5:
            cost += 4.0 * max(0.0, aside - 0.9)
        # of two men in a row behind the ball (under centre, pistol) the nearer one takes the snap
        cost += 0.12 * back - (0.4 if back < 1.5 else 0.0)
        if cost < best_cost:
            best, best_cost = int(man), float(cost)
    return best, best_cost


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


def offense_evidence(
    as_a: Lineup | None, as_b: Lineup | None, xy: F64, later: F64
) -> tuple[float, dict[str, float]]:
    """Log-odds that the first team is the offense, with the parts that make it.

    as_a: the reading with the first team as offense, as_b with the second. later (P,2): places 1.2 s
    after the snap. Weights are set by hand (common practice; no source): a yard of misfit of the line
    counts 0.8; a yard of common motion of the men off the line toward the defense's side counts 1.5.
    """
    parts = {"line": 0.0, "flow": 0.0, "depth": 0.0}
    if as_a is None or as_b is None:
        read = as_a or as_b
        sure = 3.0 * max(0.0, 1.0 - read.cost / 7.0) if read is not None else 0.0
        parts["line"] = sure if as_a is not None else -sure
    else:
        parts["line"] = 0.8 * float(np.clip(as_b.cost - as_a.cost, -8, 8))
    one = as_a or as_b
    if one is None:
        return 0.0, parts
    moved = one.direction * (later - xy)[:, 0]
    back = np.concatenate([one.offense, one.defense])
    away = np.abs(xy[back, 0] - one.los_yd) > 2.0
    wide = np.abs(xy[back, 1] - one.spot_y_yd) > 6.0
    use = back[(away | wide) & np.isfinite(moved[back])]
    if len(use):
        parts["flow"] = 1.5 * float(np.clip(np.mean(moved[use]), -2, 2)) * (1 if as_a is not None else -1)
    spread = [float(np.median(np.abs(xy[g, 0] - one.los_yd))) for g in (one.offense, one.defense)]
    parts["depth"] = 0.5 * float(np.clip(spread[1] - spread[0], -3, 3)) * (1 if as_a is not None else -1)
    return sum(parts.values()), parts
