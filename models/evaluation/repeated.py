"""What a game's own plays add to the names of routes, and other games: both put together from simulated men.

    python -m models.evaluation.repeated --games 8 --plays 50 --way whole
    python -m models.evaluation.repeated --season 8 --games 1 --way knots    # one season of 8 games a kind
    python -m models.evaluation.repeated --coupled    # what one side of a play says of the other

Every side of a made game is a set of routes; its men are drawn from a pool of simulated men who ran them,
each seen through a tracker's faults and named by the shipped network. Seven kinds of games: an offense with a
call sheet of its own, whose calls are common ones or sets that nobody else calls; one that calls everything
anew, common sets or men who share no call; and one whose men are drawn blindly from the pool. Men of a side
are read together by the general table alone and with what the game's other plays say; in a season by the game
alone and with what the offense's other games say, whose sheets are more or less alike. Calls of a sheet are
whole plays; two more kinds call their sides apart. With --coupled both readings have the game (and season),
without and with what one side of a play says of the other.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from models.evaluation.routes import calibration_error, paired_test
from models.routes.called import shipped
from models.routes.classifier import RouteClassifier
from models.routes.coupled import calls_of_whole_plays
from models.routes.made import observe
from models.routes.repeated import SideCalls, SideRead, calls_elsewhere, calls_of_game, read_together
from models.routes.whole import whole_routes
from models.synthetic.playsim_bends import sample_bends
from models.synthetic.playsim_curves import sample_curves
from models.synthetic.playsim_feet import sample_feet
from models.synthetic.playsim_knots import sample_knots
from models.synthetic.playsim_sampler import RouteSet

APART = "sides apart"
KINDS = (
    *("sheet, common", "sheet, own", "anew, common", "anew, no calls", "blindly"),
    *(f"sheet, common, {APART}", f"sheet, own, {APART}"),
)
"""last: a sheet whose calls do not join the two sides of a play"""
SHEET, OFF_SHEET, SKEW = (12, 21), 0.15, 0.7
"""calls on a sheet, share of plays off it, how unequal the calls are (power of the rank)"""
SHARED: dict[str, Callable[[int, int], float]] = {
    "same sheet": lambda game, games: 0.0,
    "30 % new each game": lambda game, games: 0.3,
    "new in mid-season": lambda game, games: float(game == games // 2),
    "a sheet each game": lambda game, games: 1.0,
}
"""how a season shares its sheet: what share of it is new in a game, of so many games"""
MEN = {1: 0.25, 2: 0.45, 3: 0.30}
"""receivers of a side"""
MEN_A_PLAY = 5
WAYS: dict[str, Callable[[int, int], RouteSet]] = {
    "whole": lambda seed, men: whole_routes(seed, max(1, men // MEN_A_PLAY)),
    "curves": sample_curves, "bends": sample_bends, "knots": sample_knots,
    "feet": sample_feet,
}  # fmt: skip

Call = tuple[tuple[str, ...], tuple[str, ...]]


@dataclass
class Pool:
    """Receivers by the route they ran: rows of probability (N, K) in the order of labels."""

    labels: tuple[str, ...]
    probability: np.ndarray
    rows: dict[str, np.ndarray]

    @classmethod
    def drawn(cls, way: str, seed: int, men: int) -> Pool:
        """Men of a drawing way through the training mix of a tracker's faults, backs left out."""
        routes = WAYS[way](seed, men)
        said = RouteClassifier.load().predict_grid(observe(routes, seed + 1, 1.0))
        split = said.usable & (routes.number > 0)
        rows = {str(r): np.flatnonzero(split & (routes.label == r)) for r in np.unique(routes.label)}
        return cls(said.labels, said.probability, {r: v for r, v in rows.items() if len(v) >= 5})

    def chances(self, rng: np.random.Generator, route: str) -> dict[str, float]:
        """Of one man who ran it."""
        return dict(zip(self.labels, self.probability[rng.choice(self.rows[route])].tolist(), strict=True))


@dataclass
class Counts:
    """Of the men of sides of two and more: right and chance of the answer, by the table alone (before) and
    with the game, or by the game alone and with the season; whole sides right."""

    right: dict[str, list[bool]] = field(default_factory=lambda: {"before": [], "after": []})
    chance: dict[str, list[float]] = field(default_factory=lambda: {"before": [], "after": []})
    side: dict[str, list[bool]] = field(default_factory=lambda: {"before": [], "after": []})

    def add(self, when: str, truth: Sequence[str], said: Sequence[tuple[str, float]]) -> None:
        hits = [name == t for t, (name, _) in zip(truth, said, strict=True)]
        self.right[when] += hits
        self.chance[when] += [p for _, p in said]
        self.side[when].append(all(hits))

    def text(self) -> str:
        """One line: right before and after with the paired test, calibration error, whole sides right."""
        b, a = (np.array(self.right[w]) for w in ("before", "after"))
        sides = [np.array(self.side[w]) for w in ("before", "after")]
        ece = [calibration_error(np.array(self.chance[w]), r) for w, r in (("before", b), ("after", a))]
        return (
            f"{len(b)} men right {b.mean():.3f} -> {a.mean():.3f} (p {paired_test(a, b)['p']:.2g}), "
            f"calibration error {ece[0]:.3f} -> {ece[1]:.3f}, {len(sides[0])} sides all right "
            f"{sides[0].mean():.3f} -> {sides[1].mean():.3f} (p {paired_test(sides[1], sides[0])['p']:.2g})"
        )


def read_side(men: Sequence[dict[str, float]], calls: SideCalls) -> list[tuple[str, float]]:
    """(name, chance) of each man of a side, read together."""
    return [max(man.items(), key=lambda named: named[1]) for man in read_together(men, calls)]


def draw_set(rng: np.random.Generator, kind: str, pool: Pool) -> tuple[str, ...]:
    """A side's routes, from the sideline inward: a common set, or any routes side by side."""
    men = int(rng.choice(list(MEN), p=list(MEN.values())))
    if "common" in kind:
        table = {s: p for s, p in shipped().sets.items() if len(s) == men and set(s) <= set(pool.rows)}
        share = np.array(list(table.values()))
        return list(table)[rng.choice(len(table), p=share / share.sum())]
    names = sorted(pool.rows)
    share = np.array([len(pool.rows[r]) for r in names], float) if kind == "blindly" else np.ones(len(names))
    return tuple(rng.choice(names, men, p=share / share.sum()).tolist())


def made_calls(rng: np.random.Generator, kind: str, plays: int, pool: Pool) -> list[Call]:
    """The two sides of every play of one game."""
    if "sheet" not in kind:
        return [_anew(rng, kind, pool) for _ in range(plays)]
    sheet = [_anew(rng, kind, pool) for _ in range(int(rng.integers(*SHEET)))]
    return _from_sheet(rng, kind, plays, pool, sheet)


def made_season(
    rng: np.random.Generator, kind: str, games: int, plays: int, pool: Pool, shared: str
) -> list[list[Call]]:
    """The two sides of every play, game by game of a season. shared: one of `SHARED`. How often each call of
    the sheet is called is drawn anew for every game."""
    if "sheet" not in kind:
        return [made_calls(rng, kind, plays, pool) for _ in range(games)]
    sheet = [_anew(rng, kind, pool) for _ in range(int(rng.integers(*SHEET)))]
    out = []
    for game in range(games):
        new = SHARED[shared](game, games) if game else 0.0
        sheet = [_anew(rng, kind, pool) if rng.random() < new else call for call in sheet]
        out.append(_from_sheet(rng, kind, plays, pool, [sheet[k] for k in rng.permutation(len(sheet))]))
    return out


def _anew(rng: np.random.Generator, kind: str, pool: Pool) -> Call:
    return draw_set(rng, kind, pool), draw_set(rng, kind, pool)


def _from_sheet(
    rng: np.random.Generator, kind: str, plays: int, pool: Pool, sheet: Sequence[Call]
) -> list[Call]:
    share = np.arange(1, len(sheet) + 1) ** -SKEW
    picks = rng.choice(len(sheet), plays, p=share / share.sum())
    calls = [_anew(rng, kind, pool) if rng.random() < OFF_SHEET else sheet[k] for k in picks]
    if APART not in kind:
        return calls
    return [(call[0], calls[k][1]) for call, k in zip(calls, rng.permutation(plays), strict=True)]


def judge(kind: str, games: int, plays: int, pool: Pool, seed: int, coupled: bool = False) -> Counts:
    """Counts over made games of one kind. coupled: with the game before and after, after with both sides of a
    play in view."""
    counts = Counts()
    for game in range(games):
        rng = np.random.default_rng([seed, game, KINDS.index(kind)])
        truth, sides = _seen(rng, game, made_calls(rng, kind, plays, pool), pool)
        before = calls_of_game(sides) if coupled else [SideCalls() for _ in sides]
        _count(counts, truth, sides, before, calls_of_whole_plays(sides))
    return counts


def judge_season(
    kind: str,
    shared: str,
    seasons: int,
    games: int,
    plays: int,
    pool: Pool,
    seed: int,
    coupled: bool = False,
) -> Counts:
    """Counts over all games of made seasons, each game read alone and with the others of its season. coupled:
    with them before and after, after with both sides of a play in view."""
    counts = Counts()
    for season in range(seasons):
        rng = np.random.default_rng([seed, season, KINDS.index(kind), list(SHARED).index(shared)])
        calls = made_season(rng, kind, games, plays, pool, shared)
        read = [_seen(rng, game, of_game, pool) for game, of_game in enumerate(calls)]
        for game, (truth, sides) in enumerate(read):
            elsewhere = calls_elsewhere([other for k, (_, other) in enumerate(read) if k != game])
            after = calls_of_whole_plays(sides, elsewhere=elsewhere)
            before = calls_of_game(sides, elsewhere=elsewhere) if coupled else calls_of_whole_plays(sides)
            _count(counts, truth, sides, before, after)
    return counts


def _seen(
    rng: np.random.Generator, game: int, calls: Sequence[Call], pool: Pool
) -> tuple[list[tuple[str, ...]], list[SideRead]]:
    """The routes of every side of a game, and its men as they are read."""
    truth = [(k, routes) for k, call in enumerate(calls) for routes in call]
    sides = [SideRead((game, k), tuple(pool.chances(rng, r) for r in routes)) for k, routes in truth]
    return [routes for _, routes in truth], sides


def _count(
    counts: Counts,
    truth: Sequence[tuple[str, ...]],
    sides: Sequence[SideRead],
    before: Sequence[SideCalls],
    after: Sequence[SideCalls],
) -> None:
    for routes, side, *calls in zip(truth, sides, before, after, strict=True):
        if len(routes) > 1:
            men = [dict(man) for man in side.men]
            for when, known in zip(("before", "after"), calls, strict=True):
                counts.add(when, routes, read_side(men, known))


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--games", type=int, default=8)
    parser.add_argument("--season", type=int, default=0, help="games of a season; --games is then seasons")
    parser.add_argument("--plays", type=int, default=50)
    parser.add_argument("--men", type=int, default=2000, help="men of the pool")
    parser.add_argument("--way", choices=list(WAYS), default="whole", help="how the men are drawn")
    parser.add_argument("--seed", type=int, default=740_000)
    parser.add_argument("--coupled", action="store_true", help="what one side of a play says of the other")
    args = parser.parse_args(argv)
    pool = Pool.drawn(args.way, args.seed, args.men)
    for kind in KINDS:
        if not args.season:
            counts = judge(kind, args.games, args.plays, pool, args.seed, args.coupled)
            print(f"{kind}: {counts.text()}", flush=True)
            continue
        for shared in SHARED if "sheet" in kind else list(SHARED)[-1:]:
            counts = judge_season(
                kind, shared, args.games, args.season, args.plays, pool, args.seed, args.coupled
            )
            print(f"{kind}{f', {shared}' if 'sheet' in kind else ''}: {counts.text()}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
