"""What an offense's other plays say of the calls of one of them: it calls the same things again.

The receivers of a side run a set of routes together. By a Dirichlet process (a Chinese restaurant) it is a
set that another play of the game ran, as often as it was run there, or a new one, drawn from what is
generally called (`models.routes.called`) and, for the rest, every man apart. How readily this offense repeats
itself and how much the general table says of it are weighed by how well each guess foretells plays that were
held out; no play says anything of its own calls. What the other plays ran is known only by chances: they are
counted softly and read in turn with what their fellows ran (collapsed variational Bayes with zeroth-order
terms, Asuncion, Welling, Smyth and Teh, UAI 2009; from memory).

What is new to a game may have been run in the offense's other games (a hierarchical process, Teh, Jordan,
Beal and Blei, JASA 2006, with mixed instead of nested counts): a share of the new sets is drawn from them,
each game as far as it foretells this one's plays, and the share, none to most of them, is one more guess.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from scipy.sparse import csr_matrix

from models.routes.called import LEAST_SHARE, CalledTogether, shipped
from models.routes.labels import LABELS

Routes = tuple[str, ...]

CALLS_COUNT = 0.4
"""how much of what is known of the calls of a side is what `models.routes.called` says of them, where the
game says nothing; the rest is that they are drawn apart, since coaches call other things as well (747
receivers of 34 tuning films right .754 with one factor for all rules, .799 so, their calibration error .036
and .024; men drawn from different plays, who have no call in common, .750 alone and .750 in twos, .740 and
.739 in threes)"""
TABLE_COUNTS = {0.0: 0.1, 0.2: 0.2, CALLS_COUNT: 0.4, 0.6: 0.2, 0.8: 0.1}
"""guesses how much the general table says of this offense's new sets, each with its chance before any play is
read"""
NEW_AS_IF = {32.0: 0.1, 64.0: 0.2, 128.0: 0.2, math.inf: 0.5}
"""so many earlier sides weigh as much as the chance of a new set (infinite: nothing is repeated), likewise"""
ERRS_ALIKE = 1.0
"""how much better (log-likelihood a side, times the share of old sets) repeats must foretell what was held
out before they count: a network errs alike in all plays, which looks like repeats too (24 simulated tuning
games: 0.0 to 0.3 better where no call sheet was used, 0.2 to 1.3 with one of 12 to 20 calls)"""
HARDNESS = 0.7
"""power of the chances that are counted: networks are too sure of themselves"""
MOST_OF_TWO, MOST = 30.0, 100.0
"""other plays make a set of two men's routes, and of more, at most so many times likelier than drawn apart"""
SEASON_COUNTS = {0.0: 0.5, 0.3: 0.2, 0.6: 0.2, 0.85: 0.1}
"""guesses how many of the sets that are new to a game were run in this offense's other games, likewise"""
SEASON_AS_IF = 32.0
"""with so many sides of other games that share counts half"""
GAMES_AS_IF, GAME_SWEEPS = 20.0, 5
"""so many sides weigh as much as that all sides of other games count alike (three tuning seasons of
eight games, sheet new in mid-season: 1,199 men of whole plays gain .026 so, .016 where all count alike)"""
ELSEWHERE_AS_IF = 64.0
"""`NEW_AS_IF` where other games are counted"""
SWEEPS = 3
RAREST, LEAST = 0.003, 0.02
"""sets of routes, and routes of one man, less likely than this are not looked at"""


@dataclass(frozen=True)
class SideRead:
    """The receivers of one side of one play. men: chances of each man's routes, from the sideline inward, as
    read by himself (a corrected route: {route: 1.0})."""

    play: Hashable
    men: tuple[Mapping[str, float], ...]


@dataclass(frozen=True)
class SideCalls:
    """How many times likelier sets of routes are on a side than its men's routes drawn apart.

    table: how much the general table counts among new sets. new: chance of a new set. old: set -> what its
    earlier runs add."""

    table: float = CALLS_COUNT
    new: float = 1.0
    old: Mapping[Routes, float] = field(default_factory=dict)

    def ratio(self, routes: Routes) -> float:
        """Of routes from the sideline inward; 1 for a man alone on his side."""
        if len(routes) < 2:
            return 1.0
        new = 1.0 - self.table + self.table * shipped().ratio(routes)
        return self.new * new + self.old.get(routes, 0.0)


def sets_of_routes(men: Sequence[Mapping[str, float]]) -> list[tuple[Routes, float]]:
    """Sets of routes, one a man, with their joint chance. men: each man's chances, as in `SideRead`."""
    sets: list[tuple[Routes, float]] = [((), 1.0)]
    for man in men:
        options = [(r, p) for r, p in man.items() if p >= LEAST]
        sets = [((*s, r), q * p) for s, q in sets for r, p in options if q * p >= RAREST]
    return sets


def read_together(men: Sequence[Mapping[str, float]], calls: SideCalls) -> list[dict[str, float]]:
    """Chances of each man's routes when the receivers of a side are read together: sets of routes count as
    often as they are called. men: each man's chances, as in `SideRead`."""
    mass: list[dict[str, float]] = [{} for _ in men]
    for routes, chance in sets_of_routes(men):
        weight = chance * calls.ratio(routes)
        for row, name in zip(mass, routes, strict=True):
            row[name] = row.get(name, 0.0) + weight
    out = []
    for man, row in zip(men, mass, strict=True):
        share = sum(man[name] for name in row) / sum(row.values()) if row else 1.0
        out.append(dict(man) | {name: share * m for name, m in row.items()})
    return out


@dataclass(frozen=True)
class OtherGame:
    """What an offense ran in another game. counts: set -> soft count. sides: receivers -> sides seen."""

    counts: Mapping[Routes, float]
    sides: Mapping[int, int]


Elsewhere = tuple[OtherGame, ...]
NOWHERE: Elsewhere = ()


class _Guess(NamedTuple):
    """as_if, table, season: keys of `NEW_AS_IF`, `TABLE_COUNTS`, `SEASON_COUNTS`."""

    as_if: float
    table: float
    season: float

    @property
    def before(self) -> float:
        return NEW_AS_IF[self.as_if] * TABLE_COUNTS[self.table] * SEASON_COUNTS[self.season]


class Sides:
    """Sides with the same number of receivers, as matrices over the sets they may have run."""

    def __init__(
        self, sides: Sequence[SideRead], general: CalledTogether, elsewhere: Elsewhere = NOWHERE
    ) -> None:
        found = [dict(sets_of_routes(side.men)) for side in sides]
        self.sets = sorted({s for one in found for s in one})
        at = {s: k for k, s in enumerate(self.sets)}
        men = len(sides[0].men)
        alone = {r: max(general.alone.get(r, 0.0), LEAST_SHARE) for r in LABELS}

        def apart(routes: Routes) -> float:
            return math.prod(alone.get(r, LEAST_SHARE) for r in routes)

        self.apart = np.array([apart(s) for s in self.sets])
        self.table = np.array([general.ratio(s) for s in self.sets])
        each = [(row, at[s], one[s]) for row, one in enumerate(found) for s in sorted(one)]
        self.row, self.set = (np.array([one[k] for one in each]) for k in (0, 1))
        self.like = (np.array([one[2] for one in each]) / self.apart[self.set]) ** HARDNESS
        shape = (len(sides), len(self.sets))
        self.likelihood = csr_matrix((self.like, (self.row, self.set)), shape)
        self.all_apart = sum(alone.values()) ** men
        self.all_table = sum(apart(s) * general.ratio(s) for s in general.sets if len(s) == men)
        seen = [game for game in elsewhere if game.sides.get(men)]
        self.sizes = np.array([game.sides[men] for game in seen], dtype=float)
        self.games = np.array([[game.counts.get(s, 0.0) for s in self.sets] for game in seen])
        self.worth = float(self.sizes.sum() / (self.sizes.sum() + SEASON_AS_IF))
        number = _numbers(sides)
        self.other = number[:, None] != number[None]
        entry, ones = np.arange(len(each)), np.ones(len(each))
        self.by_row = csr_matrix((ones, (self.row, entry)), (len(sides), len(each)))
        self.by_set = csr_matrix((ones, (self.set, entry)), (len(self.sets), len(each)))

    def whole(self, table: float) -> float:
        """What `new` sums to over all sets before it is made a distribution."""
        return (1.0 - table) * self.all_apart + table * self.all_table

    def new(self, table: float) -> np.ndarray:
        """(S,) chance of every set where it is a new one."""
        return self.apart * (1.0 - table + table * self.table) / self.whole(table)

    def season(self, row: int) -> np.ndarray:
        """(S,) chance of every set in the offense's other games. Each of them counts as much as it foretells
        the plays other than this row's (expectation maximisation; at first by its sides)."""
        if not len(self.sizes):
            return np.zeros(len(self.sets))
        shares = self.games / self.sizes[:, None]
        seen = self.likelihood[self.other[row]]
        foretold, else_ = seen @ shares.T, seen @ self.new(CALLS_COUNT)
        weight = before = self.sizes / self.sizes.sum()
        for _ in range(GAME_SWEEPS):
            of_game = foretold * weight
            of_game /= np.maximum(of_game.sum(1) + else_, 1e-300)[:, None]
            weight = GAMES_AS_IF * before + of_game.sum(0)
            weight = weight / weight.sum()
        return np.asarray(weight @ shares)

    def shares(self, seen: np.ndarray, new: np.ndarray, as_if: np.ndarray) -> np.ndarray:
        """(E, Q) chances that sides ran sets (entries of `row`, `set`). seen (N,): sides that count. new
        (S, Q): chance of sets not yet run, as_if (Q,), both under each guess."""
        like = np.where(seen[self.row], self.like, 0.0)[:, None]
        share = self._to_one(like * new[self.set])
        for _ in range(SWEEPS if seen.sum() > 1 else 0):
            before = as_if * new + self.by_set @ share
            share = self._to_one(like * (before[self.set] - share))
        return share

    def _to_one(self, share: np.ndarray) -> np.ndarray:
        """The same array, every side's entries made to sum to 1."""
        share /= np.maximum(self.by_row @ share, 1e-300)[self.row]
        return share


def calls_elsewhere(games: Sequence[Sequence[SideRead]], general: CalledTogether | None = None) -> Elsewhere:
    """What an offense ran in other games, softly counted, all of them read side by side."""
    counts: list[dict[Routes, float]] = [{} for _ in games]
    for men in sorted({_men(side) for game in games for side in game} - {0}):
        of = [k for k, game in enumerate(games) for side in game if _men(side) == men]
        sides = [side for game in games for side in game if _men(side) == men]
        group = Sides(sides, general or shipped())
        new, everyone = group.new(CALLS_COUNT)[:, None], np.ones(len(sides), dtype=bool)
        ran = group.shares(everyone, new, np.array([ELSEWHERE_AS_IF]))[:, 0]
        game = np.array(of)[group.row]
        for k, count in enumerate(counts):
            run = np.bincount(group.set, np.where(game == k, ran, 0.0), len(group.sets))
            count |= {group.sets[i]: float(run[i]) for i in np.flatnonzero(run > 1e-6)}
    sizes = [Counter(men for side in game if (men := _men(side))) for game in games]
    return tuple(OtherGame(*game) for game in zip(counts, sizes, strict=True))


def calls_of_game(
    sides: Sequence[SideRead], general: CalledTogether | None = None, elsewhere: Elsewhere = NOWHERE
) -> list[SideCalls]:
    """What is known of the calls on each side of a game's plays from the other plays of the same offense:
    of this game, and of its other games (`calls_elsewhere`)."""
    general = general or shipped()
    seasons = SEASON_COUNTS if elsewhere else {0.0: 1.0}
    guesses = [_Guess(*g) for g in itertools.product(NEW_AS_IF, TABLE_COUNTS, seasons)]
    prior = np.log([guess.before for guess in guesses])
    said = np.zeros((len(sides), len(guesses)))
    old: dict[int, _Old] = {}
    groups: dict[int, Sides] = {}
    for men in sorted({_men(side) for side in sides} - {0}):
        rows = [i for i, side in enumerate(sides) if _men(side) == men]
        group = Sides([sides[i] for i in rows], general, elsewhere)
        groups |= dict.fromkeys(rows, group)
        for row, i in enumerate(rows):
            old[i] = _foretell(group, row, guesses, said[i])
    out = []
    number = _numbers(sides)
    for i in range(len(sides)):
        others = number != number[i]
        if not others.any() and not elsewhere:
            out.append(SideCalls())
            continue
        weight = prior + said[others].sum(0)
        weight = np.exp(weight - weight.max())
        out.append(_mixed(guesses, weight / weight.sum(), old.get(i), groups.get(i)))
    return out


_Old = tuple[np.ndarray, np.ndarray]
"""(S, Q) chance of sets run before under each guess; (Q,) what it sums to over all sets there are"""


def _foretell(group: Sides, row: int, guesses: Sequence[_Guess], said: np.ndarray) -> _Old:
    """Chance of a set that other plays ran; into `said` (Q,) how well all of it foretells the row
    (log-likelihood, less what repeats must do better by)."""
    as_if, season = np.array([guess.as_if for guess in guesses]), np.array([g.season for g in guesses])
    season = season * group.worth
    new = (1.0 - season) * np.stack([group.new(guess.table) for guess in guesses], axis=1)
    elsewhere = season * group.season(row)[:, None]
    n = int(group.other[row].sum())
    share = n / (as_if + n)
    old = (1.0 - share) * elsewhere
    if n:
        some = share > 0.0
        ran = group.shares(group.other[row], (new + elsewhere)[:, some], as_if[some])
        old[:, some] += share[some] * (group.by_set @ ran) / n
    whole = share + (1.0 - share) * season
    foretold = (group.likelihood[row] @ ((1.0 - share) * new + old))[0]
    said[:] = np.log(np.maximum(foretold, 1e-300)) - ERRS_ALIKE * whole
    return old, whole


def _mixed(guesses: Sequence[_Guess], weight: np.ndarray, old: _Old | None, group: Sides | None) -> SideCalls:
    """One answer of all guesses. A set's chance is a sum over them; what is new is brought back to the scale
    of `CalledTogether.ratio`."""
    tables = [guess.table for guess in guesses]
    if old is None or group is None:
        return SideCalls(float(weight @ tables))
    new = weight * (1.0 - old[1]) / [group.whole(t) for t in tables]
    table = new @ tables / new.sum()
    ratios = old[0] @ weight / group.apart
    most = most_likelier(len(group.sets[0]))
    kept = {s: min(float(r), most) for s, r in zip(group.sets, ratios, strict=True) if r > 1e-6}
    return SideCalls(float(table), float(new.sum()), kept)


def most_likelier(men: int) -> float:
    """How many times likelier other plays make a set of so many men's routes, at most."""
    return MOST_OF_TWO if men < 3 else MOST


def men_read(side: SideRead) -> int:
    """Receivers of a side; 0 where no set of their routes is likely enough to be looked at."""
    best = [max(man.values(), default=0.0) for man in side.men]
    return len(best) if best and min(best) >= LEAST and math.prod(best) >= RAREST else 0


def _men(side: SideRead) -> int:
    """Receivers of a side whose sets are looked at; 0 also for a man alone."""
    men = men_read(side)
    return men if men > 1 else 0


def _numbers(sides: Sequence[SideRead]) -> np.ndarray:
    """(N,) one number a play."""
    plays = {side.play: k for k, side in enumerate(sides)}
    return np.array([plays[side.play] for side in sides])
