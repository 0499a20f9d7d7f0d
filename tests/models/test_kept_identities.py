"""One identity from end to end: pairs last while they are within the gate, a true exchange counts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.evaluation.chart import identity_map, kept_identities, match_people


def rows(frame: int, **places: tuple[float, float]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"frame": frame, "player_id": i, "team": "offense", "x_field_yd": x, "y_field_yd": y}
            for i, (x, y) in places.items()
        ]
    )


def pair(exchanged: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Two men run side by side, half a yard apart for a while, then apart; found with errors that cross at
    frames 4 and 5, and really exchanged from frame 6 on where told."""
    true, found = [], []
    for frame in range(10):
        gap = 0.25 if 2 <= frame <= 6 else 2.0
        true.append(rows(frame, a=(frame, gap), b=(frame, -gap)))
        sign = -1.0 if frame in (4, 5) or (exchanged and frame >= 6) else 1.0
        found.append(rows(frame, p=(frame, sign * gap), q=(frame, -sign * gap)))
    return pd.concat(true), pd.concat(found)


def kept(exchanged: bool, lasting: bool) -> dict[str, bool]:
    true, found = pair(exchanged)
    by_true = {int(k): v for k, v in true.groupby("frame")}
    return kept_identities(by_true, identity_map(found, true, 0, 9, 1, lasting), 0, 9, 1)


def test_errors_that_cross_are_no_exchange() -> None:
    assert kept(exchanged=False, lasting=True) == {"a": True, "b": True}
    assert kept(exchanged=False, lasting=False) == {"a": False, "b": False}


def test_men_who_part_under_the_others_name_are_exchanged() -> None:
    assert kept(exchanged=True, lasting=True) == {"a": False, "b": False}


def test_a_pair_beyond_the_gate_is_matched_anew() -> None:
    true, found = rows(0, a=(0.0, 0.0), b=(0.0, 3.0)), rows(0, p=(0.0, 2.9), q=(0.0, 0.1))
    assert {t: f for t, f, _ in match_people(found, true, before={"a": "p"})} == {"a": "q", "b": "p"}


def test_as_many_pairs_as_possible_last() -> None:
    """Against every way to match by hand: the pairs of before that are within the gate all stay."""
    rng = np.random.default_rng(5)
    for _ in range(50):
        places = {f"t{k}": (float(x), float(y)) for k, (x, y) in enumerate(rng.uniform(0, 2.5, (5, 2)))}
        near = {f"f{k}": (x + float(rng.normal(0, 0.3)), y) for k, (x, y) in enumerate(places.values())}
        before = {f"t{k}": f"f{k}" for k in range(5)}
        got = {t: f for t, f, _ in match_people(rows(0, **near), rows(0, **places), before=before)}
        for t, f in before.items():
            if np.hypot(*(np.subtract(places[t], near[f]))) <= 1.0:
                assert got[t] == f
