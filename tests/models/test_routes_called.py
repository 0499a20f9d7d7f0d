"""The table of routes called together: counted by hand, then against the calls it was counted from."""

from __future__ import annotations

import pytest

from models.routes.called import LEAST_SHARE, MOST, MOST_OF_TWO, CalledTogether, shipped
from models.routes.labels import LABELS
from models.synthetic.playbook_calls import SIDE_CALLS
from models.training.count_calls import sides_of_calls

HAND = CalledTogether.of_sides([("curl", "flat")] * 3 + [("go", "go")] + [("post",)] * 5)


def test_counted_by_hand() -> None:
    assert HAND.sets == {("curl", "flat"): 0.75, ("go", "go"): 0.25, ("post",): 1.0}
    # eight men on sides of two: three curls, three flats, two gos; men alone do not count
    assert HAND.alone == {"curl": 3 / 8, "flat": 3 / 8, "go": 2 / 8}
    assert HAND.ratio(("curl", "flat")) == pytest.approx(0.75 / (3 / 8) ** 2)
    assert HAND.ratio(("go", "go")) == pytest.approx(4.0)
    assert HAND.ratio(("flat", "curl")) == 0.0
    rare = CalledTogether({("wheel", "screen"): 0.5}, {})
    assert rare.ratio(("wheel", "screen")) == MOST_OF_TWO < 0.5 / LEAST_SHARE**2
    assert CalledTogether({("go",) * 3: 1.0}, {}).ratio(("go",) * 3) == MOST


def test_saved_and_read_again(tmp_path) -> None:
    HAND.save(tmp_path / "t.json")
    assert CalledTogether.load(tmp_path / "t.json") == HAND


def test_the_shipped_table_is_what_the_simulated_calls_give() -> None:
    table, again = shipped(), CalledTogether.of_sides(sides_of_calls(6000, seed=9))
    assert {r for s in table.sets for r in s} <= set(LABELS)
    assert sum(p for s, p in table.sets.items() if len(s) == 2) == pytest.approx(1.0, abs=0.01)
    for routes, share in table.sets.items():
        if share > 0.03:
            assert again.sets.get(routes, 0.0) == pytest.approx(share, abs=0.02)
    for _, routes, _ in SIDE_CALLS[2]:
        if not any(r.startswith("deep_in") for r in routes):
            assert table.ratio(routes) > 0.7  # go beside go is common apart as well
    assert table.ratio(("wheel", "wheel")) == 0.0
