"""Routes taken from whole simulated plays, in the form of `models.synthetic.playsim_sampler`.

The sampler draws single men and a throw for five of them; in a whole play the call, the drop and the throw
belong together, men jam, motion before the snap and run-ups, react to where the ball goes, and blockers
block somebody. A share of these beside the sampler's keeps the network right in both worlds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.synthetic.playsim_records import PlayScript
from models.synthetic.playsim_sampler import AFTER_S, BEFORE_S, RouteSet

STANDARDS = ("nfl", "ncaa", "nfhs", "canadian")


def whole_routes(first_seed: int, plays: int, standards: Sequence[str] = STANDARDS) -> RouteSet:
    """Eligible men of whole simulated passes (about five a play), standards in turn. Sacks and scrambles have
    no throw (NaN); end_s is the arrival of the ball or the whistle. Same arguments, same routes."""
    from models.synthetic.plays import FIELD_WIDTH_YD, simulate_play

    parts = []
    for k in range(plays):
        standard = standards[k % len(standards)]
        parts.append(_men(simulate_play(first_seed + k, standard, "pass"), FIELD_WIDTH_YD[standard], k))
    return join_sets(parts)


def _men(play: PlayScript, width_yd: float, group: int) -> RouteSet:
    """One play's eligible men on the sampler's clock; after the last sample a man stays where he was."""
    rate = 30.0
    clock = np.arange(-int(BEFORE_S * rate), int(AFTER_S * rate)) / rate
    right = play.spot_y_field_yd if play.direction == 1 else width_yd - play.spot_y_field_yd
    left = width_yd - right
    snap = int(np.searchsorted(play.t_s, 0.0))
    roles = {p.id: p.role for p in play.people}
    here = {p.id: play.to_play(p.xy_field_yd) for p in play.people if p.id in play.routes}
    path, room, number = [], [], []
    for who, xy in here.items():
        lateral = xy[snap, 1]
        side = 1.0 if lateral >= 0 else -1.0
        on_clock = np.stack([np.interp(clock, play.t_s, xy[:, i]) for i in (0, 1)], 1)
        path.append(on_clock * [1.0, side])
        room.append((right if side > 0 else left) - abs(lateral))
        outer = (v for v, o in here.items() if roles[v] != "RB" and o[snap, 1] * side >= abs(lateral))
        number.append(0 if roles[who] == "RB" else sum(1 for _ in outer))
    truth = [play.routes[who] for who in here]
    n = len(truth)
    end = play.events.get("arrival_s", play.events.get("end_s", play.t_s[-1]))
    return RouteSet(
        clock,
        np.array(path, np.float32),
        np.array([r.label for r in truth]),
        np.full(n, play.events.get("throw_s", np.nan)),
        np.array(room),
        np.array([r.break_s for r in truth]),
        np.array([r.stem_depth_play_yd for r in truth]),
        np.full(n, group),
        np.array(number),
        np.zeros(n, bool),
        np.full(n, float(end)),
    )


def join_sets(parts: Sequence[RouteSet]) -> RouteSet:
    """Several sets on one clock as one. Raises ValueError when their clocks differ in length."""
    if len({len(p.t_s) for p in parts}) != 1:
        raise ValueError("sets of routes on different clocks cannot be joined")
    ends = [np.full(len(p), np.inf) if p.end_s is None else p.end_s for p in parts]
    names = ("path_yd", "label", "throw_s", "room_yd", "break_s", "stem_yd", "group", "number", "pro")
    columns = {name: np.concatenate([getattr(p, name) for p in parts]) for name in names}
    return RouteSet(t_s=parts[0].t_s, **columns, end_s=np.concatenate(ends))
