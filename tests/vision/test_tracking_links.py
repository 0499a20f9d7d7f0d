"""Links between pieces: what may follow what, weighed in several ways, and where the ways agree."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from vision.tracking.links import BY_MOTION, WAYS, Candidates, Way, agreed, cheapest, next_of_one, same_kit


def pairs(place: np.ndarray, **other: np.ndarray) -> Candidates:
    """Every one of the first pieces may go on as every one of the second ones."""
    before, after = place.shape
    i, j = (a.ravel() for a in np.meshgrid(np.arange(before), before + np.arange(after), indexing="ij"))
    none = np.zeros(place.size)
    names = ("velocity", "log_det", "height", "missing", "kit", "followed", "number")
    fields = dict.fromkeys(names, none)
    fields |= {name: np.asarray(value, float).ravel() for name, value in other.items()}
    return Candidates(i, j, place.ravel(), reach=fields.pop("reach", none) > 0, **fields)


def test_the_next_piece_of_one_man_is_the_one_that_starts_next():
    number = np.array([4, 7, 4, -1, 4, -1])
    first = np.array([0, 2, 30, 5, 10, 9])
    assert next_of_one(number, first).tolist() == [4, -1, -1, -1, 2, -1]


def test_two_kits_speak_against_a_link_and_nothing_known_says_nothing():
    says = same_kit(np.array([4.0, 4.0, 0.0, -4.0]), np.array([4.0, -4.0, 3.0, -4.0]))
    assert says[0] == pytest.approx(np.log(2), abs=0.05) and says[3] == pytest.approx(says[0])
    assert says[1] < -2 and says[2] == pytest.approx(0.0)


def test_a_link_in_reach_is_never_out_of_the_question():
    place = np.array([[1.0, 400.0], [400.0, 400.0]])
    links, cost = cheapest(pairs(place, reach=np.array([[0, 0], [0, 1]])), BY_MOTION, 0.0, 14.0, 8)
    assert {tuple(k): c for k, c in zip(links.tolist(), cost, strict=True)} == {(0, 2): 0.5, (1, 3): 14.0}


def test_a_number_read_on_both_pieces_outweighs_a_somewhat_better_place():
    place, number = np.array([[1.0, 5.0], [5.0, 1.0]]), np.array([[-3.0, 4.0], [4.0, -3.0]])
    for way in WAYS:
        links, cost = cheapest(pairs(place, number=number, reach=np.ones((2, 2))), way, 0.0, 14.0, 8)
        grid = np.full((2, 2), np.inf)
        grid[links[:, 0], links[:, 1] - 2] = cost
        crossed = linear_sum_assignment(grid)[1].tolist() == [1, 0]
        assert crossed == (way is not BY_MOTION)


def test_only_the_cheapest_of_either_piece_are_looked_at():
    place = np.array([[1.0, 2.0, 3.0], [2.0, 3.0, 1.0], [9.0, 8.0, 7.0]])
    links, _ = cheapest(pairs(place), BY_MOTION, 0.0, 14.0, 1)
    assert {tuple(k) for k in links.tolist()} == {(0, 3), (1, 5), (2, 5), (0, 4)}


@pytest.mark.parametrize("way", WAYS[1:])
def test_kit_and_the_man_followed_decide_between_equal_places(way: Way):
    equal = np.full((2, 2), 3.0)
    for sign in ("kit", "followed"):
        links, cost = cheapest(pairs(equal, **{sign: np.eye(2)}), way, 0.0, 14.0, 8)
        table = np.full((2, 2), 99.0)
        table[links[:, 0], links[:, 1] - 2] = cost
        assert linear_sum_assignment(table)[1].tolist() == [0, 1] and table[0, 0] < table[0, 1]


def test_links_all_ways_take_get_cheaper_and_links_none_takes_dearer():
    links, cost = np.array([[0, 2], [0, 3], [1, 3]]), np.array([1.0, 0.5, 2.0])
    answers = [
        np.array([2, 3, -1, -1]),
        np.array([2, -1, -1, -1]),
        np.array([2, 3, -1, -1]),
        np.array([2, 2, -1, -1]),
    ]
    got, new = agreed(links, cost, answers, dearest=14.0, weight=8.0)
    by = {tuple(k): c for k, c in zip(got.tolist(), new, strict=True)}
    assert by == {(0, 2): -3.0, (0, 3): 4.5, (1, 3): 2.0, (1, 2): 16.0}
