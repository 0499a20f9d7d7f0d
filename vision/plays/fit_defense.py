"""Fit what the defense's places say of its roles: `python -m vision.plays.fit_defense [--plays N]`.

Simulated plays (passes and runs, four standards), read as film or as a table is (`vision.plays.trial`), give
one row a defender; every row is taken twice, with its places shaken. Multinomial logistic regression
(scikit-learn) on `vision.plays.defense_places.basis`. The seeds are used for nothing else.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.linear_model import LogisticRegression

from calibration.standards import get_standard
from models.synthetic.plays import simulate_play
from vision.plays.defense import given_ground, two_seconds_on
from vision.plays.defense_places import AFTER, AT_SNAP, MODEL, ROLES, PlaceModel, basis, features
from vision.plays.motion import F64, motion_of
from vision.plays.record import to_play
from vision.plays.roles import in_play_frame, offense_roles
from vision.plays.start import find_start, set_places
from vision.plays.trial import OFFSET_S, STANDARDS, tracks_of

FIRST_SEED = 700_000
SHAKE_YD = 0.8
KNOTS = {
    "depth": (0.5, 1.5, 2.5, 4, 5.5, 7, 9, 11, 13),
    "outside": (-2, 0, 1, 2, 3, 4.5, 6, 8, 11),
    "aside": (2, 4, 6, 9, 13),
    "outer": (0.5, 1.5, 2.5, 3.5),
    "to_widest": (0.7, 1.5, 3, 5, 8),
    "to_any": (0.5, 1, 1.5, 2.5, 4, 6),
    "inside": (-3, -1.5, 0, 1.5, 3),
    "receivers": (1, 2),
    "wide": (2, 3),
    "deeper": (0.5, 1.5, 2.5, 3.5, 5, 7),
}
KNOTS_AFTER = {
    "back": (-2, -0.5, 0.5, 1.5, 3, 5),
    "deeper_by": (-2, 0, 1.5, 3, 5),
    "wider_by": (-3, -1, 0, 1, 3),
    "near": (1, 2, 3, 5),
}
STRENGTH = 0.3
"""inverse of the penalty on the weights (scikit-learn's C)"""


def rows_of(seed: int) -> tuple[F64, list[str]]:
    """Features of the defenders of one simulated play whose line-up was understood, and their true roles."""
    rng = np.random.default_rng([seed, 99])
    script = simulate_play(seed, STANDARDS[seed % 4], str(rng.choice(["pass", "run"], p=[0.75, 0.25])))
    tracks = tracks_of(script, rng, "film" if rng.random() < 0.6 else "table")
    tracks = replace(tracks, jersey=("",) * len(tracks.ids))
    motion, field = motion_of(tracks), get_standard(script.standard)
    start = find_start(motion, {"snap": OFFSET_S + rng.normal(0, 0.05)}, None)
    people = {p.id: p for p in script.people}
    lineup = start.lineup
    if lineup is None or {people[motion.ids[r]].team for r in lineup.defense} != {"defense"}:
        return np.zeros((0, len(AT_SNAP) + len(AFTER))), []
    play_yd = in_play_frame(set_places(motion, start.snap.value), lineup)
    t = motion.t_s - start.snap.value
    path = to_play(motion.xy_yd, lineup.direction, lineup.los_yd, lineup.spot_y_yd)
    later = two_seconds_on(path, t)
    offense = offense_roles(
        lineup, play_yd, ("",) * len(motion.ids), field.players_per_side - 6, later_yd=later
    )
    ends = {r: g.role for r, g in offense.items() if g.role in ("WR", "TE")}
    rows = [int(r) for r in lineup.defense]
    values = features(rows, play_yd, lineup.line, ends, given_ground(path, t), later)
    return values, [people[motion.ids[r]].role for r in rows]


def gather(seeds: Iterable[int]) -> tuple[F64, list[str]]:
    """Rows of many plays."""
    parts = [rows_of(seed) for seed in seeds]
    return np.concatenate([p[0] for p in parts]), [role for p in parts for role in p[1]]


def shaken(values: F64, rng: np.random.Generator) -> F64:
    """Rows with every length off by SHAKE_YD; counts stay."""
    counts = [AT_SNAP.index(name) for name in ("outer", "receivers", "wide", "deeper")]
    noise = rng.normal(0.0, SHAKE_YD, values.shape)
    noise[:, counts] = 0.0
    out = values + noise
    for name in ("aside", "to_widest", "to_any"):
        k = AT_SNAP.index(name)
        out[:, k] = np.abs(out[:, k])
    out[:, -1] = np.abs(out[:, -1])
    return np.asarray(out)


def fit(values: F64, roles: list[str], knots: dict[str, tuple[float, ...]]) -> dict[str, Any]:
    """Knots, weights and offsets of the model, as written to the file."""
    model = LogisticRegression(C=STRENGTH, max_iter=3000)
    model.fit(basis(values, knots), [ROLES.index(role) for role in roles])
    return {
        "knots": {k: list(v) for k, v in knots.items()},
        "offsets": np.round(model.intercept_, 4).tolist(),
        "weights": np.round(model.coef_, 4).tolist(),
    }


def right(model: dict[str, Any], values: F64, roles: list[str]) -> float:
    """Share of rows whose likeliest role is the true one."""
    best = PlaceModel.of(model).logs(values).argmax(1)
    return float(np.mean([ROLES[k] == role for k, role in zip(best, roles, strict=True)]))


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=1300, help="simulated plays (a tenth is held out)")
    parser.add_argument("--out", type=Path, default=MODEL)
    args = parser.parse_args(arguments)
    held = FIRST_SEED + round(0.9 * args.plays)
    values, roles = gather(range(FIRST_SEED, held))
    test, test_roles = gather(range(held, FIRST_SEED + args.plays))
    rng = np.random.default_rng(0)
    twice, twice_roles = np.concatenate([shaken(values, rng), shaken(values, rng)]), roles + roles
    seen = np.isfinite(twice).all(1)
    both_roles = [r for r, s in zip(twice_roles, seen, strict=True) if s]
    out: dict[str, Any] = {
        "roles": list(ROLES),
        "snap": fit(twice, twice_roles, KNOTS),
        "snap and after": fit(twice[seen], both_roles, {**KNOTS, **KNOTS_AFTER}),
    }
    for name in ("snap", "snap and after"):
        out[name]["right_held_out"] = round(right(out[name], test, test_roles), 4)
        print(name, out[name]["right_held_out"], len(test_roles))
    args.out.write_text(json.dumps(out, indent=None, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
