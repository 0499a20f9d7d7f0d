"""Where the men who kick stand, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from test_plays import DEFENSE, OFFENSE

from vision.plays.kind import kick_formation, kickers
from vision.plays.lineup import read_lineup
from vision.plays.roles import in_play_frame

LINE = [(-0.9, 1.5 * k) for k in range(-4, 5)]


@pytest.mark.parametrize(
    ("behind", "said"),
    [
        ([(-14.0, 0.3), (-7.5, 1.5)], (True, False)),  # punter and his protector
        ([(-7.2, 0.0), (-9.4, -2.4)], (False, True)),  # holder and kicker
        ([(-7.2, 0.0), (-7.4, 0.5)], (False, False)),  # one man seen twice
        ([(-5.0, 0.0), (-6.5, 1.5)], (False, False)),  # passer and back in the gun
        ([(-14.0, 9.0), (-5.0, 0.0)], (False, False)),  # somebody far from the ball
    ],
)
def test_places_of_kickers(behind: list[tuple[float, float]], said: tuple[bool, bool]) -> None:
    assert kickers(np.array([*LINE, *behind])) == said


def formation(**places: tuple[float, float]) -> float:
    """Chance of a kick of the paper formation (attacking -x from 60, ball at y 30) with men elsewhere."""
    xy = np.array([*(places.get(n, at) for n, at in OFFENSE.items()), *DEFENSE.values()], float)
    lineup = read_lineup(xy, np.arange(11), np.arange(11, 22))
    assert lineup is not None
    return kick_formation(lineup, in_play_frame(xy, lineup))


def test_two_deep_backs_are_holder_and_kicker_only_in_a_close_formation_without_a_passer() -> None:
    close = {"X": (61.0, 23.5), "H": (61.0, 25.1), "Y": (61.0, 34.9), "Z": (61.0, 36.5)}
    deep = {"QB": (67.2, 30.0), "RB": (69.4, 27.6)}
    assert formation() < 0.5
    assert formation(**close, **deep) > 0.5
    assert formation(**deep) < 0.5  # with men split wide they are backs
    assert formation(**{**close, **deep, "X": (65.0, 30.0)}) < 0.5  # a passer in the gun before them
    assert formation(QB=(74.0, 30.2)) > 0.5  # a punter, whoever is split wide
