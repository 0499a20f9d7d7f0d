"""Roles of the defense at the snap: down linemen, linebackers, corners, safeties, and their jobs.

Each man gets a log-score per role from where he stands (depth, distance outside the tackles, whether
he stands over the outermost receiver); a whole defense is then chosen at once: the assignment of
roles with the best sum, counts far from the usual ones weighed down. Scores by hand (common practice; no
source).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from functools import cache

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.plays.lineup import Lineup
from vision.plays.motion import F64, nan_median
from vision.plays.roles import RoleGuess

ROLES = ("DL", "LB", "CB", "S")
USUAL = ((3.9, 1.0), (2.9, 1.0), (2.5, 0.9), (2.0, 0.8))
"""mean and sd of how many of each role an eleven-man defense has (common practice; no source); a twelfth man
(Canadian rules) is shared out in proportion"""
DROP_YD, DROP_COST = 0.5, 1.5
"""a rusher has not gone back so far by 1.2 to 2.2 s after the snap; log-odds against a lineman for each yard
more, up to three (by hand: ends do drop now and then)"""
INNER_WIDE, OUTER_WIDE, INNER_OFF = 0.25, 0.45, 0.8
"""log-odds a yard against a backer this far outside, with a man of the defense still outside him and
without; against an inner corner for each yard he stands off the nearest receiver: who splits the tackle and
the slot is a backer, who stands over the slot a corner (common practice; by hand after 4,500 defenders of
simulated plays; 117 plays of 21 tuning films, defenders' roles .920 -> .930, better in each half)"""
FEWEST, MOST = (1, 0, 1, 0), (6, 6, 5, 4)


@cache
def _counts(men: int) -> tuple[tuple[tuple[int, ...], float], ...]:
    """Every way to share men out over `ROLES`, with its log-weight."""
    out = []
    for counts in itertools.product(*(range(a, b + 1) for a, b in zip(FEWEST, MOST, strict=True))):
        if sum(counts) == men:
            off = [(n - m * men / 11.0) / s for n, (m, s) in zip(counts, USUAL, strict=True)]
            out.append((counts, -0.5 * float(np.sum(np.square(off)))))
    return tuple(out)


def given_ground(path_play_yd: F64, t_s: F64) -> F64:
    """(P,) yards each man of path (P,T,2) has gone back (+) or come forward 1.2 to 2.2 s after the snap, NaN
    where he is not seen then."""
    now, then = np.abs(t_s) <= 0.11, (t_s >= 1.2) & (t_s <= 2.2)
    if not now.any() or not then.any():
        return np.full(len(path_play_yd), np.nan)
    depth = path_play_yd[..., 0]
    return nan_median(depth[:, then], axis=1) - nan_median(depth[:, now], axis=1)


def defense_roles(
    lineup: Lineup,
    play_yd: F64,
    offense: dict[int, RoleGuess],
    jersey: tuple[str, ...],
    back_yd: F64 | None = None,
    says: Mapping[int, Mapping[str, float]] | None = None,
) -> dict[int, RoleGuess]:
    """Role of each defensive row from the play frame at the snap (P,2). back_yd (P,): see `given_ground`;
    a man on the line who goes back with a receiver is no lineman. says: {row: {role: log-likelihood}} from
    elsewhere."""
    rows = [int(r) for r in lineup.defense]
    if not rows:
        return {}
    scores = np.array([_scores(r, rows, play_yd, lineup, offense, jersey[r]) for r in rows])
    for k, row in enumerate(rows):
        own = (says or {}).get(row, {})
        scores[k] += [own.get(role, 0.0) for role in ROLES]
    if back_yd is not None:
        scores[:, 0] -= DROP_COST * np.clip(np.nan_to_num(back_yd[rows]) - DROP_YD, 0.0, 3.0)
    best: tuple[float, list[int]] = (-np.inf, [])
    for counts, weight in _counts(len(rows)):
        slots = [k for k, n in enumerate(counts) for _ in range(n)]
        i, j = linear_sum_assignment(-scores[:, slots])
        total = float(scores[i, np.array(slots)[j]].sum()) + weight
        if total > best[0]:
            best = (total, [slots[b] for b in j])
    if not best[1]:
        best = (0.0, [int(k) for k in scores.argmax(1)])
    out = {}
    for row, k, s in zip(rows, best[1], scores, strict=False):
        p = np.exp(s - s.max())
        out[row] = RoleGuess(ROLES[k], float(p[k] / p.sum()))
    return out


def _scores(
    row: int, rows: list[int], play_yd: F64, lineup: Lineup, offense: dict[int, RoleGuess], jersey: str
) -> list[float]:
    """Log-scores of DL, LB, CB, S for one man."""
    depth, lateral = (float(v) for v in play_yd[row])
    tackles = play_yd[list(lineup.line), 1]
    outside = max(lateral - float(tackles.max()), float(tackles.min()) - lateral)
    sign = 1.0 if lateral > 0 else -1.0
    wide = [
        sign * play_yd[r, 1]
        for r, g in offense.items()
        if g.role in ("WR", "TE") and sign * play_yd[r, 1] > 0
    ]
    past = [sign * play_yd[r, 1] for r in rows if r != row]
    outermost = sum(p > sign * lateral for p in past)
    to_wide = abs(sign * lateral - max(wide)) if wide else 6.0
    to_any = min((abs(sign * lateral - w) for w in wide), default=6.0)
    line = 0.4 - 1.5 * max(0.0, depth - 1.7) - 0.7 * max(0.0, outside - 2.8) - 0.8 * max(0.0, outside - 3.5)
    inner = outermost > 0
    backer = -1.1 * max(0.0, 2.3 - depth) - 0.55 * max(0.0, depth - 6.0)
    backer -= (INNER_WIDE if inner else OUTER_WIDE) * max(0.0, outside - 2.5)
    corner = -1.2 * outermost - 0.25 * max(0.0, depth - 8.5) - 0.7 * max(0.0, 3.5 - outside)
    corner += 0.9 - INNER_OFF * min(to_any, 3.0) if inner else 0.8 - 0.3 * min(to_wide, 5.0)
    safety = -0.7 * max(0.0, 8.5 - depth) - 0.2 * max(0.0, outside - 9.0) - (0.0 if inner else 0.8)
    out = [line, backer, corner, safety]
    number = int(jersey) if jersey.isdigit() else -1
    if 60 <= number <= 79:
        out[0] += 3.0
    elif 90 <= number <= 99:
        out[0] += 2.0
        out[1] += 0.8
    elif 40 <= number <= 59:
        out[0] -= 0.3
        out[1] += 2.0
    elif 20 <= number <= 39:
        out[0] -= 2.0
        out[1] -= 1.5
    elif 0 <= number <= 19:
        out[0] -= 1.5
        out[1] -= 0.5
    return out


def defense_jobs(lineup: Lineup, roles: dict[int, RoleGuess], path_play_yd: F64, t_s: F64) -> dict[int, str]:
    """Job of each defender after the snap: line (rushes), deep, underneath; by his role when his path is
    unknown.

    path_play_yd (P,T,2) in the play frame, t_s (T,) from the snap (0 ... throw or 2.5 s).
    line: 1.5-2.5 s after the snap he is within 1.5 yd of the line of scrimmage or behind it and has come
    forward, or he is a down lineman who has not dropped 3 yd. deep: among the rest, those behind 11 yd at
    the end, or the deepest man. underneath: the others.
    """
    out: dict[int, str] = {}
    late = (t_s >= 1.2) & (t_s <= 2.5)
    if not late.any():
        late = t_s >= t_s.max() - 0.4
    at_start = np.abs(t_s) <= 0.1
    for row in lineup.defense:
        row = int(row)
        after, before = path_play_yd[row, late, 0], path_play_yd[row, at_start, 0]
        if not np.isfinite(after).any():
            role = roles[row].role if row in roles else ""
            out[row] = {"DL": "line", "S": "deep", "LB": "underneath", "CB": "underneath"}.get(role, "")
            continue
        depth = float(np.nanmedian(after))
        start = float(np.nanmean(before)) if np.isfinite(before).any() else depth
        lineman = roles[row].role == "DL" if row in roles else False
        central = abs(float(np.nanmedian(path_play_yd[row, late, 1]))) < 11.0
        rush = (depth < 1.2 and central and start - depth > -0.5 and start < 7.5) or (
            lineman and depth - start < 2.0
        )
        start_deep = start > 9.0
        out[row] = (
            "line" if rush else ("deep" if depth > 10.5 or (start_deep and depth > 8.5) else "underneath")
        )
    return out
