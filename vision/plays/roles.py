"""Roles of the offense, numbers and splits of its receivers, formation by count.

Words as the trade uses them: a tight end stands on or next to the end of the five; backs stand behind
the line inside the tackles; everybody else is a wide receiver. Jersey numbers, where read, are weak
evidence (numbers 50-79 are ineligible linemen under NCAA, NFL and NFHS numbering; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.standards import FieldStandard
from vision.plays.lineup import Lineup
from vision.plays.motion import F64
from vision.plays.record import ELIGIBLE, to_play

BACK_DEPTH_YD = -2.4
"""an eligible man deeper than this and inside the tackles' reach is a back"""
TACKLE_REACH_YD = 2.25
"""how far outside the tackle a man still counts as attached to the line: half way between a tight end's place
(a lineman's gap, 1.5 to 2) and the nearest slot's (common practice; no source)"""
ON_LINE_YD = -1.9
"""so far behind the line's depth a lineman's feet still stand"""
RAN_OFF_YD = 3.5
"""no lineman blocking for a pass is so far from the others two seconds after the snap (by rule they may not
go downfield; common practice)"""
RAN_FAR_YD, STAYED_YD = 5.0, 1.5
"""so far he is no lineman even when nobody is missing among the receivers; a man who moved less has stayed in
to block (common practice)"""
DEEPEST_YD = -10.5
"""nobody but a punter lines up so far behind the line (common practice); a referee does"""
BEHIND_BALL_YD = 0.6
"""a back this close to the ball's lateral place belongs to neither side"""

RoleLogs = Mapping[str, Mapping[str, float]]
"""{player id: {role: log-likelihood}}, whatever else than his place speaks of a man's role"""


@dataclass(frozen=True)
class RoleGuess:
    role: str
    probability: float


def offense_roles(
    lineup: Lineup,
    play_yd: F64,
    jersey: tuple[str, ...],
    eligible: int = 5,
    later_yd: F64 | None = None,
    says: Mapping[int, Mapping[str, float]] | None = None,
) -> dict[int, RoleGuess]:
    """Role of each offensive row. play_yd (P,2): depth, lateral at the snap. eligible: how many men beside
    five
    linemen and the quarterback the rules leave (six in Canada); more than that means that a lineman was not
    recognised: the man on the line nearest the others is one. later_yd (P,2): places two seconds after the
    snap; an end man of the line who has run off by then is a tight end, and a lineman was not seen. says:
    {row: {role: log-likelihood}} from elsewhere.
    """
    out: dict[int, RoleGuess] = {}
    line = set(lineup.line)
    sure = float(np.clip(1.0 - 0.06 * lineup.cost, 0.5, 0.99))
    tackles = sorted(play_yd[list(lineup.line), 1])
    left, right = (tackles[0], tackles[-1]) if tackles else (-3.0, 3.0)
    for row in lineup.offense:
        row = int(row)
        deepest = row != lineup.quarterback and bool(play_yd[row, 0] < DEEPEST_YD)
        if row not in line and (deepest or _stray(*play_yd[row])):
            out[row] = RoleGuess("", np.nan)
            continue
        if row in line:
            out[row] = RoleGuess("OL", sure)
            continue
        if row == lineup.quarterback:
            out[row] = RoleGuess("QB", sure)
            continue
        depth, lateral = play_yd[row]
        outside = max(lateral - right, left - lateral)
        if outside < 0.0 and depth > ON_LINE_YD:  # between the tackles: a lineman seen twice, or one too many
            out[row] = RoleGuess("OL", 0.5)
            continue
        scores = _eligible_scores(float(depth), float(outside), jersey[row])
        own = (says or {}).get(row, {})
        scores = {role: score + own.get(role, 0.0) for role, score in scores.items()}
        best = max(scores, key=lambda r: scores[r])
        total = sum(np.exp(s) for s in scores.values())
        out[row] = RoleGuess(best, float(np.exp(scores[best]) / total))
    free = {
        r: max(play_yd[r, 1] - right, left - play_yd[r, 1]) for r, g in out.items() if g.role in ("TE", "WR")
    }
    while len(line) < 5 and sum(g.role in ELIGIBLE for g in out.values()) > eligible and free:
        row = min(free, key=lambda r: free[r])
        if free.pop(row) < 3.0 and play_yd[row, 0] > -2.5:
            line.add(row)
            out[row] = RoleGuess("OL", 0.5)
    if later_yd is not None:
        for row, far in _ran_off([r for r, g in out.items() if g.role == "OL"], play_yd, later_yd):
            surplus = sum(g.role in ELIGIBLE for g in out.values()) - eligible
            if surplus < 0:
                out[row] = RoleGuess("TE", 0.6)
            elif far > RAN_FAR_YD and surplus == 0:
                out[row] = RoleGuess("TE", 0.6)
                stayed = _stayed_beside(out, play_yd, later_yd, (left, right))
                if stayed >= 0:
                    out[stayed] = RoleGuess("OL", 0.5)
    return out


def _stayed_beside(
    roles: dict[int, RoleGuess], play_yd: F64, later_yd: F64, tackles: tuple[float, float]
) -> int:
    """The end beside the line who has stayed where he stood most of all; -1 when each has gone."""
    moved = np.hypot(*(later_yd - play_yd).T)
    beside = [
        r
        for r, g in roles.items()
        if g.role in ("TE", "WR")
        and max(play_yd[r, 1] - tackles[1], tackles[0] - play_yd[r, 1]) < TACKLE_REACH_YD
        and play_yd[r, 0] > BACK_DEPTH_YD
        and moved[r] < STAYED_YD
    ]
    return min(beside, key=lambda r: float(moved[r]), default=-1)


def _ran_off(linemen: list[int], play_yd: F64, later_yd: F64) -> list[tuple[int, float]]:
    """The outer men of those taken for linemen who have gone RAN_OFF_YD farther up the field than their
    median, or out, and how far."""
    line = sorted(linemen, key=lambda r: play_yd[r, 1])
    if len(line) < 2:
        return []
    moved = later_yd - play_yd
    usual = np.nanmedian(moved[line, 0]) if np.isfinite(moved[line, 0]).any() else 0.0
    out = []
    for row, sign in ((line[0], -1.0), (line[-1], 1.0)):
        up, aside = moved[row, 0] - usual, sign * moved[row, 1]
        if up > RAN_OFF_YD or (aside > RAN_OFF_YD and up > 0.5):
            out.append((int(row), float(max(up, aside))))
    return out


def _stray(depth: float, lateral: float) -> bool:
    """Nobody of the offense lines up there: far behind the line and far from the ball (an official, a man of
    the bench taken for a player)."""
    return bool(depth < -6.5 and abs(lateral) > 7.0)


def _eligible_scores(depth: float, outside: float, jersey: str) -> dict[str, float]:
    """Log-scores of RB, TE, WR from depth and distance outside the tackle (yards), by hand."""
    deep = (BACK_DEPTH_YD - depth) / 0.5
    scores = {
        "RB": np.clip(deep, -4, 4) - 1.3 * max(0.0, outside - 1.5),
        "TE": -max(0.0, min(deep, 4.0)) - 1.6 * max(0.0, outside - TACKLE_REACH_YD),
        "WR": 1.6 * min(0.0, outside - TACKLE_REACH_YD) - 0.25 * max(0.0, deep),
    }
    number = int(jersey) if jersey.isdigit() else -1
    if 80 <= number <= 89:
        scores["TE"] += 0.6
        scores["RB"] -= 1.5
    elif 0 <= number <= 19:
        scores["WR"] += 0.6
        scores["TE"] -= 0.6
    elif 20 <= number <= 39:
        scores["RB"] += 1.0
        scores["TE"] -= 1.0
    return {k: float(v) for k, v in scores.items()}


def number_receivers(
    roles: dict[int, RoleGuess], play_yd: F64, unseen: Mapping[str, int] | None = None
) -> dict[int, tuple[int, str]]:
    """(number, side) of each eligible row: counted from the sideline inward on each side of the ball.

    unseen: {side: how many are out of the picture outside those seen}. A back straight behind the ball
    (within BEHIND_BALL_YD) has number 0 and no side.
    """
    eligible = [r for r, g in roles.items() if g.role in ELIGIBLE]
    out: dict[int, tuple[int, str]] = {}
    for side, sign in (("left", -1), ("right", 1)):
        men = [
            r for r in eligible if sign * play_yd[r, 1] > (BEHIND_BALL_YD if roles[r].role == "RB" else 0.0)
        ]
        men.sort(key=lambda r: -sign * play_yd[r, 1])
        for number, row in enumerate(men, start=1 + (unseen or {}).get(side, 0)):
            out[row] = (number, side)
    for row in eligible:
        out.setdefault(row, (0, ""))
    return out


def landmark(y_field_yd: float, lateral: float, tackle: float, standard: FieldStandard) -> str:
    """Where a man stands against the field's marks at the snap.

    outside / on / inside numbers (on: within the digits' height), hash (within 1 yd of a hash row, out of
    the tackles' reach), inside hash, tackle (within 3 yd of the outermost lineman).
    """
    if abs(lateral) <= tackle + 3.0:
        return "tackle"
    from_side = min(y_field_yd, standard.width_yd - y_field_yd)
    bottom, top = standard.number_bottom_yd, standard.number_bottom_yd + standard.number_height_yd
    if from_side < bottom - 0.3:
        return "outside numbers"
    if from_side <= top + 0.3:
        return "on numbers"
    if abs(from_side - standard.hash_from_sideline_yd) <= 1.0:
        return "hash"
    if from_side < standard.hash_from_sideline_yd:
        return "inside numbers"
    return "inside hash"


def formation_words(roles: dict[int, RoleGuess], play_yd: F64) -> tuple[str, int, str]:
    """(formation by count, backs, strength).

    Count of eligible men out of the backfield on each side, the larger first: 2x2, 3x1, 3x2 (empty)...
    With two backs or more ', two-back' style words follow. strength: side with more of them; on equal
    counts the tight end's side; else balanced.
    """
    out = {"left": 0, "right": 0}
    tight = {"left": 0, "right": 0}
    backs = 0
    for row, guess in roles.items():
        if guess.role == "RB":
            backs += 1
        elif guess.role in ("TE", "WR"):
            side = "right" if play_yd[row, 1] > 0 else "left"
            out[side] += 1
            tight[side] += guess.role == "TE"
    big, small = max(out.values()), min(out.values())
    words = f"{big}x{small}"
    if backs == 0 and big + small >= 5:
        words += " empty"
    elif backs >= 2:
        words += " two-back" if backs == 2 else " three-back"
    strength = "balanced"
    for count in (tight, out):
        if count["left"] != count["right"]:
            strength = max(count, key=lambda s: count[s])
    return words, backs, strength


def hash_words(spot_y_yd: float, direction: int, standard: FieldStandard) -> tuple[str, str]:
    """(hash, wide side) as the offense sees them: left / middle / right.

    The ball on the offense's left hash leaves the wide field on its right. Within 1.5 yd of the middle
    of the field both sides are alike: 'middle'.
    """
    right = -direction * (spot_y_yd - standard.width_yd / 2)
    half_rows = standard.width_yd / 2 - standard.hash_from_sideline_yd
    if abs(right) < min(1.5, 0.5 * half_rows):
        return "middle", "middle"
    side = "right" if right > 0 else "left"
    return side, ("left" if side == "right" else "right")


def in_play_frame(xy: F64, lineup: Lineup) -> F64:
    """(P,2) places in the lineup's own play frame."""
    return to_play(xy, lineup.direction, lineup.los_yd, lineup.spot_y_yd)
