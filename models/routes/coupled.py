"""What one side of a play says of the other: coaches call whole plays, so both sides come again together.

A Dirichlet process over plays above that over sides (`models.routes.repeated`): a play is one that another
play of the game ran with as many receivers on its sides, both sets together, mirrored or not, or a new one,
whose sides are drawn apart, each as that module says. How readily plays come again is weighed by how well it
foretells plays held out. A side's companion counts as its men were read by themselves, never as they are
named with this side in view, so two sides cannot make one another sure; and no play says anything of its own
calls.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from models.routes.called import CalledTogether, shipped
from models.routes.repeated import (
    CALLS_COUNT,
    HARDNESS,
    NOWHERE,
    SWEEPS,
    Elsewhere,
    SideCalls,
    SideRead,
    Sides,
    calls_of_game,
    men_read,
    most_likelier,
)

PLAY_AS_IF = {2.0: 0.2, 8.0: 0.3, math.inf: 0.5}
"""so many earlier plays with as many receivers on either side weigh as much as the chance that both sides are
drawn apart (infinite: always), each with its chance before any play is read"""
ERRS_ALIKE = 1.5
"""how much better plays seen before must foretell what was held out (`models.routes.repeated.ERRS_ALIKE`; at
0.5 sheets of own sets whose sides are called apart lost .004 of 2,941 men, at 1.0 and more nothing)"""
MOST_AGAIN = 0.7
"""so much of the chance of a play seen before counts: coaches change one side of a call (as many men right as
with all of it, calibration error of sheets of own sets .003 to .006 less)"""
SIDES_AS_IF = 64.0
"""`models.routes.repeated.NEW_AS_IF` where the sides of other plays are read before they are paired"""
RAREST_SIDE, RAREST_PLAY = 0.003, 0.002
"""sets of a side, and both of a play, less likely than this are not paired"""


class _Group:
    """The sides of a game with the same number of receivers."""

    def __init__(
        self, sides: Sequence[SideRead], calls: Sequence[SideCalls], general: CalledTogether
    ) -> None:
        self.sides = Sides(sides, general)
        self.men = len(sides[0].men)
        self.calls = calls
        self._new = self.sides.new(CALLS_COUNT)

    def without(self, row: int) -> tuple[np.ndarray, np.ndarray]:
        """(N, S) chances that every side ran every set, and (S,) how often each is run, where the row's play
        is not counted. The chances are as sure as the men were read (`HARDNESS` taken back)."""
        sides, other = self.sides, self.sides.other[row]
        share = sides.shares(other, self._new[:, None], np.array([SIDES_AS_IF]))[:, 0]
        often = (SIDES_AS_IF * self._new + sides.by_set @ share) / (SIDES_AS_IF + other.sum())
        ran = np.zeros(sides.likelihood.shape)
        ran[sides.row, sides.set] = share ** (1.0 / HARDNESS)
        return ran / np.maximum(ran.sum(1, keepdims=True), 1e-300), often

    def likelier(self, row: int, often: np.ndarray) -> np.ndarray:
        """(S,) how many times likelier the row's reading is where it ran a set than by what is known of its
        side alone (often (S,): of a man alone on his side)."""
        known, sides = self.calls[row], self.sides
        if self.men > 1:
            often = sides.apart * np.array([known.ratio(s) for s in sides.sets])
        like = sides.likelihood[row].toarray()[0]
        return np.asarray(like / max(float(like @ often), 1e-300))


@dataclass(frozen=True)
class _Known:
    """Of one play, under every guess (G,). share: chance of a play seen before. said: how well all of it
    foretells the play. sets: for either side (G, S) chance of its sets where the play was seen before, times
    how many times likelier that makes its companion's reading."""

    share: np.ndarray
    said: np.ndarray
    sets: tuple[np.ndarray, np.ndarray]


def calls_of_whole_plays(
    sides: Sequence[SideRead], general: CalledTogether | None = None, elsewhere: Elsewhere = NOWHERE
) -> list[SideCalls]:
    """What is known of the calls on each side of a game's plays from the other plays of the same offense
    (`models.routes.repeated.calls_of_game`) and from the play's other side."""
    general = general or shipped()
    calls = calls_of_game(sides, general, elsewhere)
    groups: dict[int, _Group] = {}
    at: dict[int, int] = {}
    for men in sorted({men_read(side) for side in sides} - {0}):
        rows = [i for i, side in enumerate(sides) if men_read(side) == men]
        groups[men] = _Group([sides[i] for i in rows], [calls[i] for i in rows], general)
        at |= {i: row for row, i in enumerate(rows)}
    plays = _pairs(sides)
    shapes = [(len(sides[a].men), len(sides[b].men)) for a, b in plays]
    known: dict[int, _Known] = {}
    for k, (play, shape) in enumerate(zip(plays, shapes, strict=True)):
        alike = [(at[a], at[b]) for j, (a, b) in enumerate(plays) if j != k and shapes[j] == shape]
        if alike and shape != (1, 1):
            one, two = (groups[men] for men in shape)
            known[k] = _foretell(one, two, (at[play[0]], at[play[1]]), np.array(alike))
    said = np.sum([its.said for its in known.values()], axis=0)
    for k, its in known.items():
        weight = np.log(list(PLAY_AS_IF.values())) + said - its.said
        weight = np.exp(weight - weight.max())
        for i, sets in zip(plays[k], its.sets, strict=True):
            calls[i] = _mixed(calls[i], groups[len(sides[i].men)], its.share, sets, weight / weight.sum())
    return calls


def _pairs(sides: Sequence[SideRead]) -> list[tuple[int, int]]:
    """Both sides of every play that has two to read, the side with more receivers first."""
    of_play: dict[Hashable, list[int]] = {}
    for i, side in enumerate(sides):
        if men_read(side):
            of_play.setdefault(side.play, []).append(i)
    two = (sorted(pair, key=lambda i: -len(sides[i].men)) for pair in of_play.values() if len(pair) == 2)
    return [(a, b) for a, b in two]


def _foretell(one: _Group, two: _Group, play: tuple[int, int], alike: np.ndarray) -> _Known:
    """What plays with as many receivers on their sides, alike (N, 2) rows, say of a play's two rows."""
    (ran_one, often_one), (ran_two, often_two) = one.without(play[0]), two.without(play[1])
    ran_one, ran_two = ran_one[alike[:, 0]], ran_two[alike[:, 1]]
    left, right, turned = _paired(ran_one, ran_two, one is two)
    ran = ran_one[:, left] * ran_two[:, right]
    apart = often_one[left] * often_two[right]
    likelier = one.likelier(play[0], often_one)[left], two.likelier(play[1], often_two)[right]
    n, guesses = len(alike), np.array(list(PLAY_AS_IF))
    share = n / (guesses + n)
    said = np.zeros(len(guesses))
    sets = np.zeros((len(guesses), ran_one.shape[1])), np.zeros((len(guesses), ran_two.shape[1]))
    for g in np.flatnonzero(share):
        seen = _seen_before(ran, apart, guesses[g], turned).sum(0) / n
        said[g] = math.log(1.0 - share[g] + share[g] * float(seen @ (likelier[0] * likelier[1])))
        sets[0][g] = np.bincount(left, seen * likelier[1], sets[0].shape[1])
        sets[1][g] = np.bincount(right, seen * likelier[0], sets[1].shape[1])
    return _Known(share, said - ERRS_ALIKE * share, sets)


def _paired(one: np.ndarray, two: np.ndarray, mirrored: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(C,) set of the one side and (C,) of the other, of all pairs that a play may have run by what its sides
    ran, (N, S) and (N, T); (C,) where the pair stands with its sides exchanged (itself if not mirrored)."""
    found: set[int] = set()
    for a, b in zip(one, two, strict=True):
        s, t = np.flatnonzero(a > RAREST_SIDE), np.flatnonzero(b > RAREST_SIDE)
        both = np.multiply.outer(a[s], b[t])
        i, j = np.nonzero(both >= min(RAREST_PLAY, both.max(initial=0.0)))
        found |= set((s[i] * two.shape[1] + t[j]).tolist())
        if mirrored:
            found |= set((t[j] * two.shape[1] + s[i]).tolist())
    pairs = np.array(sorted(found), dtype=int)
    left, right = pairs // two.shape[1], pairs % two.shape[1]
    turned = np.searchsorted(pairs, right * two.shape[1] + left) if mirrored else np.arange(len(pairs))
    return left, right, turned


def _seen_before(ran: np.ndarray, apart: np.ndarray, as_if: float, turned: np.ndarray) -> np.ndarray:
    """(N, C) chances that plays ran pairs of sets, each read with what the others ran. ran (N, C): as their
    sides are read apart. apart (C,): chance of a pair whose sides are drawn apart. A play counts half for its
    mirror image."""
    share = ran / np.maximum(ran.sum(1, keepdims=True), 1e-300)
    for _ in range(SWEEPS if len(ran) > 1 else 0):
        either = 0.5 * (share + share[:, turned])
        share = ran * (as_if + np.maximum(either.sum(0) - either, 0.0) / apart)
        share /= np.maximum(share.sum(1, keepdims=True), 1e-300)
    return np.asarray(0.5 * (share + share[:, turned]))


def _mixed(
    calls: SideCalls, group: _Group, share: np.ndarray, sets: np.ndarray, weight: np.ndarray
) -> SideCalls:
    """A side's calls under all guesses, given its companion. share, sets: of `_Known`. weight (G,)."""
    if group.men < 2:
        return calls
    weight = MOST_AGAIN * weight * share
    again, apart = weight @ sets, 1.0 - float(weight.sum())
    whole = apart + float(again.sum())
    most = most_likelier(group.men)
    old = {s: ratio * apart / whole for s, ratio in calls.old.items()}
    for s, ratio in zip(group.sides.sets, again / whole / group.sides.apart, strict=True):
        if ratio > 1e-6:
            old[s] = min(old.get(s, 0.0) + float(ratio), most)
    return SideCalls(calls.table, calls.new * apart / whole, old)
