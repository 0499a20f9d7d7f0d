"""Men closer than a play sets them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from models.synthetic.heaps import BUNCH_LENGTH_YD, BUNCH_MEN, bunch, pile, scatter


def men(rng: np.random.Generator) -> list[Any]:
    """22 players and five officials anywhere on 40 by 40 yards."""
    return [
        (SimpleNamespace(kind=int(i >= 22)), *rng.uniform(-20, 20, 2).tolist(), 0.0, 0.5, "run", 0.1)
        for i in range(27)
    ]


@pytest.mark.parametrize("seed", range(12))
def test_a_bunch_is_tight_upright_and_of_players(seed: int) -> None:
    rng = np.random.default_rng(seed)
    before = men(rng)
    centre = np.array([3.0, -4.0])
    after = bunch(rng, list(before), centre)
    moved = [i for i in range(27) if after[i] != before[i]]
    assert BUNCH_MEN[0] <= len(moved) < BUNCH_MEN[1] and all(after[i][0].kind == 0 for i in moved)
    places = np.array([after[i][1:3] for i in moved])
    spread = np.linalg.svd(places - places.mean(0), compute_uv=False) / np.sqrt(len(moved))
    assert spread[1] < 1.6 and np.ptp(places, 0).max() < BUNCH_LENGTH_YD[1] + 5
    assert all(after[i][3] == 0.0 and after[i][5] not in ("down", "pile", "fall") for i in moved)
    reach = max(np.hypot(*(np.array(before[i][1:3]) - centre)) for i in moved)
    left = [b for i, b in enumerate(before) if i not in moved and b[0].kind == 0]
    assert all(np.hypot(b[1] - 3.0, b[2] + 4.0) >= reach for b in left)


def test_the_same_seed_makes_the_same_heaps_and_nobody_is_lost() -> None:
    for arrange in (
        lambda rng, rows: bunch(rng, rows, np.zeros(2)),
        lambda rng, rows: pile(rng, rows, np.zeros(2)),
        lambda rng, rows: scatter(rng, rows, ["run", "fall"]),
    ):
        rows = men(np.random.default_rng(0))
        one, two = (arrange(np.random.default_rng(5), list(rows)) for _ in range(2))
        assert one == two and one != rows
        assert [r[0] for r in one] == [r[0] for r in rows]
