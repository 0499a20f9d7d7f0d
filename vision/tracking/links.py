"""Which pieces may follow each other, weighed in more than one way.

What is left between two pieces (place, velocity, height), their kits and whom the pass forward followed from
one to the next can be weighed in several ways, and where men stand close no way is right everywhere. So the
flow is solved with each, and once more with links the cheaper the more of the ways took them (`agreed`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

STEPS = (2.0, 6.0, 15.0, np.inf)
"""Squared distances count by steps up to these: far off, a bad box is likelier than another man."""
LEAST_SAME = 0.04
"""Twice the chance that two pieces wear one kit is never taken for less."""


@dataclass(frozen=True)
class Way:
    """Weights of what speaks against a link, in natural log units. place, velocity: of half the squared
    Mahalanobis distance up to each of `STEPS`; volume: of half the log determinant; height; kit: of the log
    chance of one kit; followed: the pass forward followed one man through; number: of the log odds of one
    jersey number; extra: of any link."""

    place: tuple[float, ...] = (0.0, 0.0, 0.0, 1.0)
    velocity: tuple[float, ...] = (0.0, 0.0, 0.0, 1.0)
    volume: float = 1.0
    height: float = 1.0
    kit: float = 0.0
    followed: float = 0.0
    number: float = 0.0
    extra: float = 0.0


BY_MOTION = Way()
_FITTED = (0.99, 0.23, 0.345, 0.253), (0.782, 0.276, 0.207, 0.138)
WAYS = (
    BY_MOTION,
    Way(kit=1.6, followed=1.4, number=1.0),
    Way(*_FITTED, volume=1.82, height=1.59, kit=1.59, followed=1.31, number=1.0, extra=-2.0),
    Way(*_FITTED, volume=1.82, height=1.59, kit=1.59, followed=1.31, number=1.0, extra=1.0),
)
"""The weights of the last two are proportional to a logistic regression on 31,600 pairs of true links of 124
rendered plays of 21 games against the same links exchanged; hard pairs .82 right, by motion alone .76.
What numbers say is not fitted: it counts as the log odds that it is."""


@dataclass(frozen=True)
class Candidates:
    """Pairs of pieces (i, j) and, for each, the squared distances of places and velocities, the log
    determinant, the cost of the height and of being missed, the log odds of one kit, whether the pass forward
    followed one man through, the log odds of one jersey number, and whether a man can run so far."""

    i: np.ndarray
    j: np.ndarray
    place: np.ndarray
    velocity: np.ndarray
    log_det: np.ndarray
    height: np.ndarray
    missing: np.ndarray
    kit: np.ndarray
    followed: np.ndarray
    number: np.ndarray
    reach: np.ndarray


def same_kit(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Log of twice the chance that both wear one kit, from log odds of the kit of each."""
    one, two = expit(before), expit(after)
    return np.asarray(np.log(np.maximum(2 * (one * two + (1 - one) * (1 - two)), LEAST_SAME)))


def next_of_one(number: np.ndarray, first: np.ndarray) -> np.ndarray:
    """(P,) the piece that comes next among those of one number (negative: none), -1 where there is none."""
    order = np.lexsort((first, number))
    a, b = order[:-1], order[1:]
    one = (number[a] == number[b]) & (number[a] >= 0)
    out = np.full(len(number), -1)
    out[a[one]] = b[one]
    return out


def cheapest(
    c: Candidates, way: Way, shift: float, dearest: float, most: int
) -> tuple[np.ndarray, np.ndarray]:
    """(L,2) pairs that are among the `most` cheapest of either of their pieces, and their costs (L,). A link
    within a man's reach never costs more than `dearest`; shift is added to every cost."""
    cost = way.volume * c.log_det / 2 + way.height * c.height + c.missing + shift + way.extra
    cost = cost - way.kit * c.kit - way.followed * c.followed - way.number * c.number
    for limit, place, velocity in zip(STEPS, way.place, way.velocity, strict=True):
        cost = cost + (place * np.minimum(c.place, limit) + velocity * np.minimum(c.velocity, limit)) / 2
    cost = np.where(c.reach, np.minimum(cost, dearest), cost)
    ok = cost < dearest + 1e-9
    i, j, cost = c.i[ok], c.j[ok], cost[ok]
    best = np.minimum(_rank(i, cost), _rank(j, cost)) < most
    return np.column_stack([i, j])[best], cost[best]


def agreed(
    links: np.ndarray, cost: np.ndarray, answers: list[np.ndarray], dearest: float, weight: float
) -> tuple[np.ndarray, np.ndarray]:
    """Links and costs, cheaper by up to half of `weight` the more of the answers (each (P,): the piece that
    follows, -1 none) took them, dearer by as much where none did; links of any answer are among them."""
    pieces = len(answers[0])
    key = links[:, 0] * pieces + links[:, 1]
    taken = [np.flatnonzero(a >= 0) * pieces + a[a >= 0] for a in answers]
    new = np.setdiff1d(np.concatenate(taken), key)
    key, cost = np.r_[key, new], np.r_[cost, np.full(len(new), dearest)]
    share = np.mean([np.isin(key, t) for t in taken], axis=0)
    cost = np.minimum(cost - weight * (share - 0.5), dearest + weight / 2)
    return np.column_stack([key // pieces, key % pieces]), cost


def _rank(group: np.ndarray, cost: np.ndarray) -> np.ndarray:
    """Place of each cost within its group, cheapest 0."""
    order = np.lexsort((cost, group))
    starts = np.r_[0, np.flatnonzero(np.diff(group[order])) + 1]
    first = np.repeat(starts, np.diff(np.r_[starts, len(group)]))
    out = np.empty(len(group), int)
    out[order] = np.arange(len(group)) - first
    return out
