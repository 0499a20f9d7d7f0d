"""A field without numbers: the charted line and the way the offense faces give the yard line."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from calibration.standards import get_standard
from vision import analyze


def seen(monkeypatch: pytest.MonkeyPatch, direction: int, los_yd: float) -> None:
    """Pretend that the film shows an offense going `direction` from a line known modulo five yards."""
    play = SimpleNamespace(direction=direction, los_field_yd=SimpleNamespace(known=True, value=los_yd))
    monkeypatch.setattr(analyze, "follow", lambda *a: None)
    monkeypatch.setattr(analyze, "understand_play", lambda *a: play)


@pytest.mark.parametrize(
    ("direction", "seen_los", "charted", "expected"),
    [
        (1, 16.3, "own 31", 31.0),  # 16.3 = 31 less three lines, a third of a yard off
        (-1, 16.3, "own 34", 66.0),  # own 34 going left is x = 66 of 100
        (1, 16.3, "own 33", None),  # 1.7 yd off the five-yard grid: not the same line
        (0, 16.3, "own 31", None),
        (1, 16.3, None, None),
    ],
)
def test_the_charted_spot_by_direction(
    monkeypatch: pytest.MonkeyPatch,
    direction: int,
    seen_los: float,
    charted: str | None,
    expected: float | None,
) -> None:
    seen(monkeypatch, direction, seen_los)
    nothing: Any = None
    spot = analyze.spot_by_direction(nothing, nothing, get_standard("ncaa"), {"yard_line": charted})
    assert (spot and spot[0]) == expected
