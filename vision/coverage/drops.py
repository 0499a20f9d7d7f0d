"""What each coverage defender did: rows of the exported table `drops`, and the measures behind them.

Times in s after the snap (reaction: after the throw), depth and lateral in the play frame. A value that
could not be seen, or that would rest on a throw only inferred from the same defenders, stays blank.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from vision.coverage.assignment import Cover
from vision.coverage.paths import Paths
from vision.plays.motion import F64, RATE_HZ
from vision.plays.record import PlayerInPlay
from vision.plays.snap import fit_onset

DEPTHS_S = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0)
FIRST_MOVE_YD = 0.6
BREAK_RISES_S = (0.35, 0.55, 0.75, 0.95)
"""lengths of a break's speeding up: about 5 yd/s at 5 to 7 yd/s^2, or a turn of the hips first"""
CONTROLLED_YD_PER_S, TURN_AND_RUN_YD_PER_S = 3.2, 4.6
"""mean speed of the second after the first movement: a backpedal or shuffle stays under the first, hips
turned and running is over the second; between them no word is given (common practice; no source)"""

NAN = math.nan


@dataclass(frozen=True)
class Drop:
    """One defender's drop and break.

    job: underneath or deep. start_*: place at the snap. first_move: first FIRST_MOVE_YD of way after the
    snap: up / back and inside / outside, to field / boundary. depth_yd: depth at DEPTHS_S, blank after
    the arrival. first_second_speed: length of his way in the first second. drop_style: controlled,
    turn-and-run or ''. settle_s: he stops going back (under 0.8 yd/s, 0.2 s long) before the throw. bite:
    yards stepped up in the first 1.6 s; turn_s: when he turned back (bites over 0.7 yd); regained:
    depth won from there to the throw. reaction_s: throw to the knot of the rise of his speed toward the
    arrival point; break_speed: the largest speed toward it between throw and arrival; path_efficiency:
    yards nearer to it per yard run from break to arrival; arrival_distance: yards from it at arrival.
    number2_flat_s, widen_s, curl_inside_yd, curl_under_yd: reading #2 to #1 (flat under a curl).
    """

    play_id: str
    player_id: str
    job: str = ""
    start_depth_play_yd: float = NAN
    start_lateral_play_yd: float = NAN
    first_move: str = ""
    depth_yd: tuple[float, ...] = field(default=(NAN,) * len(DEPTHS_S))
    first_second_speed_yd_per_s: float = NAN
    drop_style: str = ""
    settle_s: float = NAN
    qb_set_s: float = NAN
    throw_depth_play_yd: float = NAN
    throw_lateral_play_yd: float = NAN
    deepest_play_yd: float = NAN
    bite_yd: float = NAN
    turn_s: float = NAN
    regained_yd: float = NAN
    reaction_s: float = NAN
    reaction_sd_s: float = NAN
    break_speed_yd_per_s: float = NAN
    path_efficiency: float = NAN
    arrival_distance_yd: float = NAN
    carried_receiver_id: str = ""
    coverage: str = ""
    coverage_probability: float = NAN
    number2_flat_s: float = NAN
    widen_s: float = NAN
    curl_inside_yd: float = NAN
    curl_under_yd: float = NAN
    sd_yd: float = NAN

    def row(self) -> dict[str, Any]:
        """The drop as a row of the exported table (depths spread over their columns)."""
        out = asdict(self)
        depths = out.pop("depth_yd")
        for t, value in zip(DEPTHS_S, depths, strict=False):
            out[f"depth_{round(10 * t):02d}_play_yd"] = value
        return out


def drop_of(paths: Paths, man: PlayerInPlay, cover: Cover | None) -> Drop:
    """Everything measured on one defender (without the reading of #2 to #1)."""
    t, path = paths.t_s, paths.of(man.player_id)
    velocity = paths.velocity[paths.row[man.player_id]]
    start = np.array([man.depth_play_yd, man.lateral_play_yd])
    if not np.isfinite(start).all():
        start = paths.at(man.player_id, 0.0)
    last = paths.arrival_s if math.isfinite(paths.arrival_s) else paths.end_s
    throw = paths.throw_s
    before_throw = (t >= 0) & (t <= (throw if math.isfinite(throw) else min(last, 4.0)))
    depths = [float(paths.at(man.player_id, s)[0]) if s <= last else NAN for s in DEPTHS_S]
    at_throw = paths.at(man.player_id, throw)
    bite, turn, low = _bite(t, path[:, 0], float(start[0]))
    seen = path[before_throw, 0]
    play = paths.play
    found: dict[str, Any] = _break(paths, t, path, velocity)
    if cover is not None:
        found |= {
            "carried_receiver_id": cover.receiver_id if cover.coverage == "man" else "",
            "coverage": cover.coverage,
            "coverage_probability": cover.probability,
        }
    speed, style = _first_second(t, path, velocity)
    return Drop(
        play_id=play.play_id,
        player_id=man.player_id,
        job=man.job,
        start_depth_play_yd=float(start[0]),
        start_lateral_play_yd=float(start[1]),
        first_move=first_move(t, path, play.field_side),
        depth_yd=tuple(depths),
        first_second_speed_yd_per_s=speed,
        drop_style=style,
        settle_s=_settle(t, velocity[:, 0], path[:, 0], throw if math.isfinite(throw) else min(last, 4.0)),
        qb_set_s=play.qb_set_s.value - play.snap_s.value,
        throw_depth_play_yd=float(at_throw[0]),
        throw_lateral_play_yd=float(at_throw[1]),
        deepest_play_yd=float(np.nanmax(seen)) if np.isfinite(seen).any() else NAN,
        bite_yd=bite,
        turn_s=turn,
        regained_yd=float(at_throw[0]) - low if math.isfinite(turn) else NAN,
        sd_yd=paths.sd_at(man.player_id, 0.0),
        **found,
    )


def first_move(t: F64, path: F64, field_side: str) -> str:
    """Words of the first FIRST_MOVE_YD of way after the snap; '' when he stays or is not seen.

    up / back when at least half as large as the sideways part; inside / outside (toward / from the ball)
    and to field / to boundary when the sideways part is at least half as large as the other.
    """
    after = (t >= -0.05) & (t <= 1.6)
    way = path[after]
    if len(way) < 4 or not np.isfinite(way[0]).all():
        return ""
    step = way - way[0]
    far = np.hypot(step[:, 0], step[:, 1])
    moved = np.flatnonzero(far >= FIRST_MOVE_YD)
    if not len(moved):
        return ""
    depth, lateral = (float(v) for v in step[moved[0]])
    words = []
    if abs(depth) >= 0.5 * abs(lateral):
        words.append("back" if depth > 0 else "up")
    if abs(lateral) >= 0.5 * abs(depth):
        if abs(way[0, 1]) > 0.5:
            words.append("outside" if lateral * way[0, 1] > 0 else "inside")
        if field_side in ("left", "right"):
            to_right = lateral > 0
            words.append("to field" if (field_side == "right") == to_right else "to boundary")
    return " ".join(words)


def _first_second(t: F64, path: F64, velocity: F64) -> tuple[float, str]:
    """(mean speed of the first second after the snap, style word by the second after his first movement)."""
    speed = np.hypot(velocity[:, 0], velocity[:, 1])
    first = (t >= 0) & (t <= 1.0)
    if not np.isfinite(speed[first]).all() or first.sum() < RATE_HZ * 0.9:
        return NAN, ""
    moving = np.flatnonzero((t >= 0) & (t <= 1.0) & (speed > 1.0))
    style = ""
    if len(moving):
        t0 = t[moving[0]] + 0.3
        later = (t >= t0) & (t <= t0 + 0.9)
        back = (path[later, 0][-1] - path[later, 0][0]) if later.any() else 0.0
        mean = float(np.mean(speed[later])) if later.any() else NAN
        if math.isfinite(mean) and back > 0.5:
            style = (
                "controlled"
                if mean < CONTROLLED_YD_PER_S
                else ("turn-and-run" if mean > TURN_AND_RUN_YD_PER_S else "")
            )
    return float(np.mean(speed[first])), style


def _settle(t: F64, back: F64, depth: F64, stop_s: float) -> float:
    """First time after 0.6 s at which a man who has dropped 1.5 yd goes back at under 0.8 yd/s for 0.2 s."""
    need = max(2, int(0.2 * RATE_HZ))
    start = int(np.argmin(np.abs(t)))
    for k in np.flatnonzero((t >= 0.6) & (t <= stop_s)):
        so_far = depth[start : k + 1]
        if not np.isfinite(so_far).any():
            continue
        if depth[k] - np.nanmin(so_far) >= 1.5 and np.all(back[k : k + need] < 0.8):
            return float(t[k])
    return NAN


def _bite(t: F64, depth: F64, start: float) -> tuple[float, float, float]:
    """(yards stepped up in the first 1.6 s, time he turned back or NaN, depth there)."""
    early = np.flatnonzero((t >= 0) & (t <= 1.6) & np.isfinite(depth))
    if not len(early) or not math.isfinite(start):
        return NAN, NAN, NAN
    k = int(early[np.argmin(depth[early])])
    bite = max(0.0, start - float(depth[k]))
    later = depth[(t > t[k]) & (t <= t[k] + 1.5)]
    turned = bite > 0.7 and np.isfinite(later).any() and float(np.nanmax(later)) - depth[k] > 0.7
    return bite, (float(t[k]) if turned else NAN), float(depth[k])


def _break(paths: Paths, t: F64, path: F64, velocity: F64) -> dict[str, float]:
    """Reaction, break speed, efficiency and distance toward the arrival point; blank where not known."""
    goal, throw, arrival = paths.arrival, paths.throw_s, paths.arrival_s
    if not (np.isfinite(goal).all() and math.isfinite(throw) and paths.inside_clock(arrival)):
        return {}
    out: dict[str, float] = {}
    to = goal - path
    far = np.hypot(to[:, 0], to[:, 1])
    closing = (velocity * to).sum(1) / np.maximum(far, 0.5)
    end = paths.index(arrival)
    out["arrival_distance_yd"] = float(far[end])
    measured = paths.play.throw_s.source in ("measured", "charted", "corrected")
    if not measured:
        return out
    flight = (t >= throw) & (t <= arrival)
    if np.isfinite(closing[flight]).any():
        out["break_speed_yd_per_s"] = float(np.nanmax(closing[flight]))
    upto = t <= arrival + 0.1
    knot, sd = fit_onset(t[upto], closing[upto], throw + 0.3, 0.9, 0.9, BREAK_RISES_S)
    k0 = paths.index(throw)
    rise = (
        float(np.nanmax(closing[flight])) - float(closing[k0]) if np.isfinite(closing[flight]).any() else 0.0
    )
    if math.isfinite(knot) and rise >= 1.5 and -0.1 <= knot - throw <= 1.2:
        out["reaction_s"] = max(0.0, knot - throw)
        out["reaction_sd_s"] = float(np.hypot(sd, paths.throw_sd_s))
        k0 = paths.index(knot)
    way = path[k0 : end + 1]
    length = float(np.hypot(*np.diff(way, axis=0).T).sum()) if len(way) > 2 else 0.0
    if length >= 1.0:
        out["path_efficiency"] = float(np.clip((far[k0] - far[end]) / length, -1.0, 1.0))
    return out
