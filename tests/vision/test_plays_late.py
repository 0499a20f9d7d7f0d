"""Receivers who come into the picture late, ends who run off, passers who are caught."""

import numpy as np
import pytest

from vision.plays.late import COMES_IN_S, late_receivers, unseen_outside
from vision.plays.lineup import Lineup
from vision.plays.passing import caught_s
from vision.plays.roles import RoleGuess, number_receivers, offense_roles

T = np.arange(-1.0, 4.0, 0.05)


def coming_in(first_s: float, lateral: float, depth: float = 2.0) -> np.ndarray:
    """(T,2) path of a man seen from first_s on, who runs up the field."""
    path = np.stack([depth + 6.0 * (T - first_s), np.full(len(T), lateral)], 1)
    path[first_s > T] = np.nan
    return path


def test_a_receiver_out_of_the_picture_at_the_snap_is_one_when_he_comes_into_it():
    path = np.stack([coming_in(0.6, 17.0), coming_in(COMES_IN_S + 0.3, -18.0), coming_in(0.3, 3.0, -4.0)])
    found = late_receivers(path, T, np.arange(3), free=2)
    assert list(found) == [0] and found[0][0].role == "WR"
    assert found[0][1] == pytest.approx([2.0, 17.0], abs=0.4)
    assert late_receivers(path, T, np.arange(3), free=0) == {}


def test_the_first_seen_go_first_when_few_places_are_free():
    path = np.stack([coming_in(0.9, 17.0), coming_in(0.4, -18.0)])
    assert list(late_receivers(path, T, np.arange(2), free=1)) == [1]


def line_and_end() -> tuple[Lineup, np.ndarray]:
    """Rows 0-4 the line as read, whose right end is the tight end; row 5 the tackle beside him, taken for an
    end; 6 quarterback, 7-10 receivers and a back. Play frame at the snap."""
    places = np.array(
        [[-1, -3.3], [-1, -1.7], [-1, 0.0], [-1, 1.6], [-1, 4.9], [-1, 3.3]]
        + [[-5, 0], [-1, -18], [-1.5, -8], [-1, 17], [-6, 1.5]],
        float,
    )
    line = Lineup(
        offense=np.arange(11), defense=np.arange(0), direction=1, los_yd=30.0, los_sd_yd=0.2, spot_y_yd=26.0,
        line=(0, 1, 2, 3, 4), quarterback=6, centre=2, cost=1.0,
    )  # fmt: skip
    return line, places


def test_the_end_who_runs_off_is_the_tight_end_and_the_man_who_stays_beside_him_a_lineman():
    lineup, places = line_and_end()
    places[5, 1] = 5.2  # they stand so close that the tackle was taken for the outer man
    later = places.copy()
    later[4] += [8.0, 0.5]
    roles = offense_roles(lineup, places, ("",) * 11, 5, later)
    assert roles[4].role == "TE" and roles[5].role == "OL"
    assert [roles[r].role for r in (0, 1, 2, 3)] == ["OL"] * 4


def test_nobody_changes_places_when_the_end_of_the_line_stays():
    lineup, places = line_and_end()
    places[5, 1] = 6.4
    later = places.copy()
    later[5] += [8.0, 0.5]
    roles = offense_roles(lineup, places, ("",) * 11, 5, later)
    assert roles[4].role == "OL" and roles[5].role in ("TE", "WR")


def pocket(stays: bool) -> np.ndarray:
    """(2,T,2): a passer 8 yd deep, and a rusher who reaches him at 2.5 s and stays or runs by."""
    passer = np.stack([np.full(len(T), -8.0), np.zeros(len(T))], 1)
    gap = np.abs(2.5 - T) * 7.0
    if stays:
        gap = np.where(T > 2.5, 0.3, gap)
    return np.stack([passer, passer + np.stack([gap + 0.3, np.zeros(len(T))], 1)])


def test_a_passer_is_caught_when_a_rusher_stays_on_him():
    path = pocket(stays=True)
    assert caught_s(T, path, np.array([1]), 0) == pytest.approx(2.4, abs=0.1)
    assert np.isnan(caught_s(T, pocket(stays=False), np.array([1]), 0))
    assert np.isnan(caught_s(T, path, np.array([], int), 0)) and np.isnan(
        caught_s(T, path, np.array([1]), -1)
    )


def corners_and_ends() -> tuple[dict[int, RoleGuess], dict[int, RoleGuess], np.ndarray]:
    """Ends 0 (17 yd left), 1 (7 yd right), 2 (12 yd right); corners 3 over the left end, 4 far right."""
    spots = np.array([[-0.5, -17.0], [-1.5, 7.0], [-0.5, 12.0], [6.0, -16.0], [6.0, 19.0]])
    ends = {r: RoleGuess("WR", 0.9) for r in (0, 1, 2)}
    return ends, {r: RoleGuess("CB", 0.9) for r in (3, 4)}, spots


def test_a_corner_alone_outside_gives_away_a_receiver_out_of_the_picture():
    ends, corners, spots = corners_and_ends()
    unseen = unseen_outside(ends, corners, spots, 1)
    assert unseen == {"right": 1}
    numbers = number_receivers(ends, spots, unseen)
    assert numbers == {0: (1, "left"), 2: (2, "right"), 1: (3, "right")}
    assert number_receivers(ends, spots)[2] == (1, "right")


def test_nobody_is_supposed_when_all_are_seen_or_the_corner_is_over_his_man_or_deep():
    ends, corners, spots = corners_and_ends()
    assert unseen_outside(ends, corners, spots, 0) == {}
    near = spots.copy()
    near[4, 1] = 14.0
    assert unseen_outside(ends, corners, near, 1) == {}
    deep = spots.copy()
    deep[4, 0] = 13.0
    assert unseen_outside(ends, corners, deep, 1) == {}
