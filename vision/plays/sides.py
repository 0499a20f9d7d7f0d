"""Which of two teams is the offense: the lines, the way the men flow after the snap, the charted line."""

from __future__ import annotations

import numpy as np

from vision.plays.kind import WIDE_YD, kickers
from vision.plays.lineup import ANYWHERE, Lineup, Spot
from vision.plays.motion import F64
from vision.plays.roles import in_play_frame

FLOW_MOST = 3.5
"""log-odds that the flow counts at most: a defense may charge as one"""
KICKER = 4.0
"""log-odds of a kicker in his place on a kick, or of two teams that stand as for one"""
CLOSE_SHARE = 0.7
"""at a place kick so many of the kicking team stand on the line, none wide"""
FRONT_YD, MANY, BACKERS_YD, BACKERS_ASIDE_YD = 2.3, 4, (2.5, 9.0), 6.0
"""on a kick both teams have so many men, and half of them, so near the line, and who defends hardly anybody
in the backers' place"""


def offense_evidence(
    as_a: Lineup | None,
    as_b: Lineup | None,
    xy: F64,
    later: F64,
    late: F64 | None = None,
    spot: Spot = ANYWHERE,
    kind: str = "",
) -> tuple[float, dict[str, float]]:
    """Log-odds that the first team is the offense, with the parts that make it.

    as_a: the reading with the first team as offense, as_b with the second. later, late (P,2): places LATER_S
    and LATE_S after the snap. What counts, in log-odds a yard: the line's misfit 0.5; how far the men off the
    two lines have moved on average toward the defense's side (receivers run there, the men who cover them
    give ground) 1.2 and 2.3; how much farther from the line the other team stands 0.5. Weights by logistic
    regression on 480 line-ups of simulated plays with up to half of the linemen not seen (right 0.997
    there), rounded. A charted line that only one direction puts where the men stand counts 3.

    kind: as charted ('' not known). On a kick the men's flow and depth say nothing (who kicks is charged, who
    covers may run or stay); a kicker in his place does. Not charted, a kick is told by how both teams stand.
    """
    parts = {"line": 0.0, "flow": 0.0, "depth": 0.0, "charted": 0.0, "kicker": 0.0}
    one = as_a or as_b
    if one is None:
        return 0.0, parts
    sign = 1 if as_a is not None else -1  # the parts below are for the team that `one` takes as the offense
    if as_a is None or as_b is None:
        parts["line"] = sign * 3.0 * max(0.0, 1.0 - one.cost / 7.0)
    else:
        parts["line"] = 0.5 * float(np.clip(as_b.cost - as_a.cost, -6, 6))
    parts["charted"] = sign * _charted_way(one, spot)
    if kind == "kick" and _face(one, xy):
        parts["kicker"] = KICKER * (has_kicker(as_a, xy) - has_kicker(as_b, xy))
        return sum(parts.values()), parts
    if not kind:
        kicks = _stand_to_kick(as_a, as_b, xy) - _stand_to_kick(as_b, as_a, xy)
        if kicks:
            parts["kicker"] = KICKER * kicks
            return sum(parts.values()), parts
    parts["flow"] = sign * _flow(one, xy, later, late)
    spread = [float(np.median(np.abs(xy[g, 0] - one.los_yd))) for g in (one.offense, one.defense)]
    parts["depth"] = sign * 0.5 * float(np.clip(spread[1] - spread[0], -4, 4))
    return sum(parts.values()), parts


def _face(one: Lineup, xy: F64) -> bool:
    """Whether the teams stand face to face; at a kickoff they do not, and all run the way of the kick."""
    ahead = one.direction * (xy[one.defense, 0] - one.los_yd)
    return bool((ahead < BACKERS_YD[1] / 2).sum() >= MANY)


def _flow(one: Lineup, xy: F64, later: F64, late: F64 | None) -> float:
    """Log-odds of the way the men off the two lines flow for the team that `one` takes as the offense."""
    out = 0.0
    both = np.concatenate([one.offense, one.defense])
    off_line = (np.abs(xy[both, 0] - one.los_yd) > 2.0) | (np.abs(xy[both, 1] - one.spot_y_yd) > 6.0)
    for weight, places in ((1.2, later), (2.3, late)):
        if places is None:
            continue
        moved = one.direction * (places - xy)[both[off_line], 0]
        moved = moved[np.isfinite(moved)]
        if len(moved) >= 3:
            out += weight * float(np.clip(moved, -6, 6).mean())
    return float(np.clip(out, -FLOW_MOST, FLOW_MOST))


def has_kicker(lineup: Lineup | None, xy: F64) -> bool:
    """Whether a man of the lineup's offense stands where a punter does, or two where holder and kicker do."""
    return lineup is not None and any(kickers(in_play_frame(xy, lineup)[lineup.offense]))


def _stand_to_kick(lineup: Lineup | None, other: Lineup | None, xy: F64) -> int:
    """1 when the teams stand as for a kick by the lineup's offense, else 0.

    A defense with a safety deep over the ball looks like a punt turned round, but then the other side has a
    passer and backs in their places. At a place kick the other side has men there too, but who kicks stands
    close, all but two on the line."""
    if lineup is None or other is None:
        return 0
    own, theirs = (in_play_frame(xy, one)[one.offense] for one in (lineup, other))
    punter, holder = kickers(own)
    front = [(np.abs(place[:, 0]) < FRONT_YD) for place in (own, theirs)]
    if min(f.sum() for f in front) < MANY or min(f.mean() for f in front) < 0.5:
        return 0
    back, aside = -theirs[:, 0], np.abs(theirs[:, 1])
    backs = int(((back > BACKERS_YD[0]) & (back < BACKERS_YD[1]) & (aside < BACKERS_ASIDE_YD)).sum())
    close = front[0].mean() >= CLOSE_SHARE and float(np.abs(own[:, 1]).max()) < WIDE_YD
    return int((punter and backs == 0) or (holder and (backs <= 1 or close)))


def _charted_way(lineup: Lineup, spot: Spot) -> float:
    """+3 when only this lineup's direction puts the charted line where it stands, -3 when only the other."""
    off = {d: abs(x - lineup.los_yd) for d, x in spot.charted_x_yd.items()}
    if len(off) < 2:
        return 0.0
    here, there = off[lineup.direction], off[-lineup.direction]
    if min(here, there) > 1.5 or max(here, there) < 3.0:
        return 0.0
    return 3.0 if here < there else -3.0
