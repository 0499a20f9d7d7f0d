"""What the looks at men's jersey numbers say of who is who: a man wears one number the whole clip long.

Where two men of one side met, neither paths nor kits may tell who went on as whom. A number read before
and after does, also where neither look is sure enough to name it.
"""

from __future__ import annotations

import numpy as np

from models.jerseys.reader import NUMBERS
from vision.jerseys import Looks, misread, of_looks

CLEAR = 0.4
"""A box covered by more shows much of the man before it, and may show his number."""
PRIOR = 1.0 / NUMBERS
"""Chance of every number before looking: rosters are not known here."""


def together(one: Looks, two: Looks) -> Looks:
    """Looks at the boxes of two films, the first film's boxes first."""
    later = np.where(two.row >= 0, two.row + len(one.says), -1)
    return Looks(np.concatenate([one.row, later]), np.concatenate([one.says, two.says]))


def sums_of(box: np.ndarray, looks: Looks, clear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(P,T+1,NUMBERS) sums of what the looks say up to each time, and their counts (P,T+1).

    box (P,T): rows of boxes or -1; clear (N,): boxes that show their own man.
    """
    seen = (box >= 0) & clear[box] & (looks.row[box] >= 0)
    says, count = np.zeros((*box.shape, NUMBERS)), np.cumsum(seen, axis=1)
    says[seen] = looks.says[looks.row[box[seen]]]
    first = np.zeros((len(box), 1))
    return np.concatenate([first[..., None].repeat(NUMBERS, 2), says.cumsum(1)], 1), np.c_[first, count]


def read_of_pieces(pieces: list[np.ndarray], looks: Looks | None, clear: np.ndarray) -> np.ndarray:
    """(P,NUMBERS) log-likelihoods of each number for every piece (rows of boxes), 0 where nothing is read."""
    total, count = np.zeros((len(pieces), NUMBERS)), np.zeros(len(pieces))
    for k, rows in enumerate(pieces if looks is not None else ()):
        assert looks is not None
        mine = looks.at(rows[clear[rows]])
        total[k], count[k] = mine.sum(0), len(mine)
    return evidence(total, count)


def evidence(total: np.ndarray, count: np.ndarray) -> np.ndarray:
    """(K,NUMBERS) log-likelihoods from sums (K,NUMBERS) of `count` (K,) looks, which err together."""
    each = [of_looks(one, float(n)) for one, n in zip(total, count, strict=True)]
    return misread(np.array(each).reshape(-1, NUMBERS))


def one_number(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """(K,) log of how much likelier one number makes both (K,NUMBERS) than two numbers that have nothing to
    do with each other: up to log(NUMBERS) where both are read alike."""
    shifted = [x - x.max(1, keepdims=True) for x in (before, after)]
    both, alone = np.exp(sum(shifted)), [np.exp(x).sum(1) * PRIOR for x in shifted]
    return np.asarray(np.log(both.sum(1) * PRIOR) - np.log(alone[0]) - np.log(alone[1]))
