"""Simulate one play of football: 22 or 24 men, officials and the ball, at 30 Hz, with exact truth."""

from __future__ import annotations

import numpy as np

from models.synthetic.playsim_records import ACTIONS, ROUTES, PersonScript, PlayScript, RouteTruth, to_field
from models.synthetic.playsim_world import run_play

__all__ = ["ACTIONS", "ROUTES", "PersonScript", "PlayScript", "RouteTruth", "simulate_play", "to_field"]

FIELD_WIDTH_YD = {"nfl": 160 / 3, "ncaa": 160 / 3, "nfhs": 160 / 3, "canadian": 65.0}
FIELD_LENGTH_YD = {"nfl": 100.0, "ncaa": 100.0, "nfhs": 100.0, "canadian": 110.0}
HASH_FROM_SIDE_YD = {"nfl": 70.75 / 3, "ncaa": 20.0, "nfhs": 160 / 9, "canadian": 24.0}


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

    standard: nfl, ncaa, nfhs, canadian. kind: pass, run, kick. direction, los and spot are drawn when
    not given. Raises ValueError for an unknown standard or kind.
    """
    if standard not in FIELD_WIDTH_YD:
        raise ValueError(f"unknown standard {standard!r}; known: {', '.join(FIELD_WIDTH_YD)}")
    if kind not in ("pass", "run", "kick"):
        raise ValueError(f"unknown kind {kind!r}; known: pass, run, kick")
    rng = np.random.default_rng(seed)
    length, width = FIELD_LENGTH_YD[standard], FIELD_WIDTH_YD[standard]
    drawn_direction = int(rng.choice([-1, 1]))
    direction = drawn_direction if direction is None else direction
    own = float(rng.integers(10, int(length) - 8))
    drawn_los = own if direction == 1 else length - own
    los = drawn_los if los_field_yd is None else float(los_field_yd)
    edge = HASH_FROM_SIDE_YD[standard]
    spots = [edge, width / 2, width - edge]
    drawn_spot = float(rng.choice(spots, p=[0.38, 0.24, 0.38]))
    if rng.random() < 0.15:
        drawn_spot = float(rng.uniform(edge, width - edge))
    spot = drawn_spot if spot_y_field_yd is None else float(spot_y_field_yd)
    return run_play(rng, standard, kind, direction, los, spot, width, length, **options)
