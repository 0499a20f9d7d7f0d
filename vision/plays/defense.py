"""Roles of the defense at the snap: down linemen, linebackers, corners, safeties, and their jobs.

Each man gets a log-chance per role from where he stands and goes (`vision.plays.defense_places`) and from
what his number says; a whole defense is then chosen at once: the assignment of roles with the best sum,
counts far from the usual ones weighed down.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from functools import cache

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.plays.defense_places import ROLES, features, role_logs
from vision.plays.lineup import Lineup
from vision.plays.motion import F64, nan_median
from vision.plays.roles import RoleGuess

SHARES = {
    "DL": (0.0, 0.02, 0.10, 0.30, 0.44, 0.10, 0.04),
    "LB": (0.01, 0.07, 0.34, 0.34, 0.20, 0.03, 0.01),
    "S": (0.01, 0.05, 0.79, 0.13, 0.02),
}
"""how often a defense of eleven has none, one, two ... of a role (common practice; no source). A twelfth man
(Canadian rules) may be any of them"""
CORNERS = (
    (0.005, 0.015, 0.73, 0.20, 0.04, 0.01),
    (0.002, 0.008, 0.47, 0.40, 0.10, 0.02),
    (0.002, 0.008, 0.37, 0.40, 0.18, 0.04),
)
"""the same for corners, against up to two, three, and more wide receivers: another for each receiver more
(common practice; no source)"""
SAID, COUNTED = 1.5, 0.3
"""weights of what numbers and rosters say of a man and of the counts, against the places (tuning films)"""
NUMBERS_WORN = (
    (range(60, 80), (3.0, 0.0, 0.0, 0.0)),
    (range(90, 100), (2.0, 0.8, 0.0, 0.0)),
    (range(40, 60), (-0.3, 2.0, 0.0, 0.0)),
    (range(20, 40), (-2.0, -1.5, 0.0, 0.0)),
    (range(0, 20), (-1.5, -0.5, 0.0, 0.0)),
)
FULL, MOST = 11, 7
"""men of a side; more than the second nobody has of one role"""


@cache
def _counts(men: int, wide: int) -> tuple[tuple[tuple[int, ...], float], ...]:
    """Every way to share men out over `ROLES` against so many wide receivers, with its log-weight."""
    corners = CORNERS[min(max(wide - 2, 0), 2)]
    shares = [SHARES["DL"], SHARES["LB"], corners, SHARES["S"]]

    @cache
    def chance(counts: tuple[int, ...]) -> float:
        """Of these counts among as many men; a man too few is anybody not in view, one too many anybody."""
        n = sum(counts)
        if n == FULL:
            each = [s[k] if 0 <= k < len(s) else 0.0 for s, k in zip(shares, counts, strict=True)]
            return float(np.prod(each))
        step = 1 if n < FULL else -1
        others = [tuple(k + step * (j == i) for j, k in enumerate(counts)) for i in range(len(counts))]
        if step < 0:
            return float(np.mean([chance(o) for o in others if min(o) >= 0]))
        return sum(chance(o) * (counts[i] + 1) / (n + 1) for i, o in enumerate(others))

    out = []
    for counts in itertools.product(range(MOST + 1), repeat=len(ROLES)):
        if sum(counts) == men and (p := chance(counts)) > 0.0:
            out.append((counts, float(np.log(p))))
    return tuple(out)


def given_ground(path_play_yd: F64, t_s: F64) -> F64:
    """(P,) yards each man of path (P,T,2) has gone back (+) or come forward 1.2 to 2.2 s after the snap, NaN
    where he is not seen then."""
    now, then = np.abs(t_s) <= 0.11, (t_s >= 1.2) & (t_s <= 2.2)
    if not now.any() or not then.any():
        return np.full(len(path_play_yd), np.nan)
    depth = path_play_yd[..., 0]
    return nan_median(depth[:, then], axis=1) - nan_median(depth[:, now], axis=1)


def two_seconds_on(path_play_yd: F64, t_s: F64) -> F64:
    """(P,2) place of each man of path (P,T,2) two seconds after the snap, NaN where he is not seen then."""
    return nan_median(path_play_yd[:, (t_s >= 1.8) & (t_s <= 2.2)], axis=1)


def defense_roles(
    lineup: Lineup,
    play_yd: F64,
    offense: dict[int, RoleGuess],
    jersey: tuple[str, ...],
    back_yd: F64 | None = None,
    later_yd: F64 | None = None,
    says: Mapping[int, Mapping[str, float]] | None = None,
) -> dict[int, RoleGuess]:
    """Role of each defensive row from the play frame at the snap (P,2). back_yd (P,): see `given_ground`;
    later_yd (P,2): places two seconds after the snap. says: {row: {role: log-likelihood}} from elsewhere."""
    rows = [int(r) for r in lineup.defense]
    if not rows:
        return {}
    nowhere = np.full(len(play_yd), np.nan)
    ends = {r: g.role for r, g in offense.items() if g.role in ("WR", "TE")}
    back = nowhere if back_yd is None else back_yd
    later = np.stack([nowhere, nowhere], 1) if later_yd is None else later_yd
    scores = role_logs(features(rows, play_yd, lineup.line, ends, back, later))
    for k, row in enumerate(rows):
        own = (says or {}).get(row, {})
        scores[k] += [SAID * own.get(role, 0.0) for role in ROLES] if own else _number_says(jersey[row])
    wide = sum(role == "WR" for role in ends.values())
    best: tuple[float, list[int]] = (-np.inf, [])
    for counts, weight in _counts(len(rows), wide):
        slots = [k for k, n in enumerate(counts) for _ in range(n)]
        i, j = linear_sum_assignment(-scores[:, slots])
        total = float(scores[i, np.array(slots)[j]].sum()) + COUNTED * weight
        if total > best[0]:
            best = (total, [slots[b] for b in j])
    if not best[1]:
        best = (0.0, [int(k) for k in scores.argmax(1)])
    out = {}
    for row, k, s in zip(rows, best[1], scores, strict=False):
        p = np.exp(s - s.max())
        out[row] = RoleGuess(ROLES[k], float(p[k] / p.sum()))
    return out


def _number_says(jersey: str) -> tuple[float, float, float, float]:
    """Log-scores of DL, LB, CB, S from a number alone, by hand (numbers as the trade gives them out; common
    practice, no source)."""
    number = int(jersey) if jersey.isdigit() else -1
    for numbers, scores in NUMBERS_WORN:
        if number in numbers:
            return scores
    return (0.0, 0.0, 0.0, 0.0)


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
