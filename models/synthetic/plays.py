"""Simulate one play of football: 22 or 24 men, officials and the ball, at 30 Hz, with exact truth.

>>> play = simulate_play(7, "ncaa", "pass")
>>> play.events["throw_s"], play.routes["O8"].label          # doctest: +SKIP
"""

from __future__ import annotations

import numpy as np

from models.synthetic.people import ACTIONS
from models.synthetic.playbook import draw_formation
from models.synthetic.playsim_kick import simulate_kick
from models.synthetic.playsim_pass import simulate_pass
from models.synthetic.playsim_records import ROUTES, PersonScript, PlayScript, RouteTruth, to_field
from models.synthetic.playsim_run import simulate_run

__all__ = ["ACTIONS", "ROUTES", "PersonScript", "PlayScript", "RouteTruth", "simulate_play", "to_field"]

FIELD_WIDTH_YD = {"nfl": 160 / 3, "ncaa": 160 / 3, "nfhs": 160 / 3, "canadian": 65.0}
FIELD_LENGTH_YD = {"nfl": 100.0, "ncaa": 100.0, "nfhs": 100.0, "canadian": 110.0}
HASH_FROM_SIDE_YD = {"nfl": 70.75 / 3, "ncaa": 20.0, "nfhs": 160 / 9, "canadian": 24.0}
"""Inner hash rows from the nearer side line: 70 ft 9 in, 60 ft, 53 ft 4 in, 24 yd."""


def simulate_play(
    seed: int,
    standard: str = "ncaa",
    kind: str = "pass",
    *,
    direction: int | None = None,
    los_field_yd: float | None = None,
    spot_y_field_yd: float | None = None,
    **options: object,
) -> PlayScript:
    """Simulate one play from a seed.

    standard: nfl, ncaa, nfhs, canadian. kind: pass, run, kick. direction, line of scrimmage and spot are
    drawn when not given. options for passes: drop, play_action, boot, combo, coverage; for runs: scheme;
    for kicks: style (punt, field_goal, kickoff). Same seed and arguments give the same play.
    Raises ValueError for an unknown standard or kind.
    """
    if standard not in FIELD_WIDTH_YD:
        raise ValueError(f"unknown standard {standard!r}; known: {', '.join(FIELD_WIDTH_YD)}")
    rng = np.random.default_rng([seed, sum(map(ord, standard + kind))])
    length, width = FIELD_LENGTH_YD[standard], FIELD_WIDTH_YD[standard]
    drawn = int(rng.choice([-1, 1]))
    direction = drawn if direction is None else direction
    own = float(np.clip(round(rng.normal(length * 0.45, length * 0.22)), 3, length - 2))
    los = (own if direction == 1 else length - own) if los_field_yd is None else float(los_field_yd)
    edge = HASH_FROM_SIDE_YD[standard]
    place = float(rng.choice([edge, width / 2, width - edge], p=[0.38, 0.24, 0.38]))
    if rng.random() < 0.2:
        place = float(rng.uniform(edge, width - edge))
    spot = place if spot_y_field_yd is None else float(spot_y_field_yd)
    right, left = (spot, spot - width) if direction == 1 else (width - spot, -spot)
    goal = length - los if direction == 1 else los
    ground = {
        "standard": standard,
        "direction": direction,
        "los": los,
        "spot_y": spot,
        "right": right,
        "left": left,
        "goal": goal,
        "length": length,
        "width": width,
    }
    if kind == "kick":
        return simulate_kick(rng, ground, **options)
    if kind not in ("pass", "run"):
        raise ValueError(f"unknown kind {kind!r}; known: pass, run, kick")
    form = draw_formation(rng, standard, right, -left, run=kind == "run")
    return (simulate_pass if kind == "pass" else simulate_run)(rng, ground, form, **options)
