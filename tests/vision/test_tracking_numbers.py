"""Jersey numbers as evidence of who is who: sums of looks, and what reading before and after says."""

from __future__ import annotations

import numpy as np
import pytest

from models.jerseys.reader import LOOK_COLUMNS, NUMBERS
from vision.jerseys import Looks, NumberLooks, looks_at
from vision.tracking.numbers import evidence, one_number, read_of_pieces, sums_of, together


def reading(number: int, sure: float = 0.95) -> np.ndarray:
    """(NUMBERS,) log of how much likelier a look is under each number, by Bayes' rule from a reader that
    gives `sure` to one number and the rest evenly to the others."""
    chance = np.full(NUMBERS, (1 - sure) / (NUMBERS - 1))
    chance[number] = sure
    return np.log(chance * NUMBERS)


def look(tens: int, ones: int) -> np.ndarray:
    """A look that is all but sure of both digits (columns: seen, tens, ones)."""
    out = np.full(LOOK_COLUMNS, np.log(0.001))
    out[0], out[1 + tens], out[11 + ones] = np.log(0.99), np.log(0.991), np.log(0.991)
    return out


def test_one_number_read_twice_is_nearly_as_sure_as_there_are_numbers():
    said = evidence(np.array([reading(54) * 3, reading(54) * 3, reading(22) * 3]), np.array([3, 3, 3]))
    same, other = one_number(said[:1], said[1:2])[0], one_number(said[:1], said[2:])[0]
    assert np.log(NUMBERS) - 0.7 < same <= np.log(NUMBERS)
    assert other < -2.5


def test_nothing_read_says_nothing_and_a_half_read_number_only_a_little():
    blank = evidence(np.zeros((1, NUMBERS)), np.zeros(1))
    sure, half = (evidence(reading(54, p)[None], np.ones(1)) for p in (0.95, 0.1))
    assert one_number(blank, sure)[0] == pytest.approx(0.0, abs=1e-9)
    assert 0 < one_number(half, sure)[0] < one_number(sure, sure)[0]


def test_a_digit_misread_all_along_rules_nobody_out():
    """54 read as 51 is likelier one man than 54 and 22 (a fold may hide a stroke in all looks alike)."""
    said = evidence(np.array([reading(n) * 4 for n in (54, 51, 22)]), np.full(3, 4))
    assert one_number(said[:1], said[1:2])[0] > one_number(said[:1], said[2:])[0]


def test_many_looks_of_one_kind_count_as_few():
    once, often = (evidence(reading(7, 0.5)[None] * n, np.array([n])) for n in (1, 40))
    spread = [float(np.ptp(x)) for x in (once, often)]
    assert spread[0] <= spread[1] < 5 * spread[0]


def test_looks_are_found_at_their_boxes_also_of_two_films():
    first = looks_at(6, NumberLooks(np.array([1, 4], np.int32), np.array([look(5, 4), look(2, 2)])))
    second = looks_at(3, NumberLooks(np.array([0], np.int32), np.array([look(0, 7)])))
    both = together(first, second)
    assert both.row.tolist() == [-1, 0, -1, -1, 1, -1, 2, -1, -1]
    assert both.says[both.row[[1, 4, 6]]].argmax(1).tolist() == [54, 22, 7]
    picked = both.select(np.array([6, 0, 1]))
    assert picked.says[picked.row[[0, 2]]].argmax(1).tolist() == [7, 54] and picked.row[1] == -1
    with pytest.raises(ValueError, match="box 4 of a clip that has 3"):  # another clip's looks
        looks_at(3, NumberLooks(np.array([1, 4], np.int32), np.array([look(5, 4), look(2, 2)])))
    assert not len(looks_at(4, None).says) and (looks_at(4, None).row == -1).all()


def test_covered_boxes_do_not_speak_for_the_man_behind():
    looks = Looks(np.array([0, 1, -1]), np.array([reading(54), reading(22)]))
    clear = np.array([True, False, True])
    box = np.array([[0, -1, 1, 2]])
    total, count = sums_of(box, looks, clear)
    assert count.tolist() == [[0, 1, 1, 1, 1]]
    assert np.allclose(total[0, -1], reading(54)) and np.allclose(total[0, 0], 0)
    pieces = read_of_pieces([np.array([0, 1]), np.array([1, 2])], looks, clear)
    assert pieces[0].argmax() == 54 and np.allclose(pieces[1], pieces[1][0])
    assert np.allclose(read_of_pieces([np.array([0])], None, clear), 0)
