"""What a game's own plays add to the names of routes: games put together from simulated men.

    python -m models.evaluation.repeated --games 8 --plays 50 --way whole

Every side of a made game is a set of routes; its men are drawn from a pool of simulated men who ran them,
each seen through a tracker's faults and named by the shipped network. Five kinds of games: an offense with a
call sheet of its own, whose calls are common ones or sets that nobody else calls; one that calls everything
anew, common sets or men who share no call; and one whose men are drawn blindly from the pool. Men of a side
are read together by the general table alone and with what the game's other plays say.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from models.evaluation.routes import calibration_error, paired_test
from models.routes.called import shipped
from models.routes.classifier import RouteClassifier
from models.routes.made import observe
from models.routes.repeated import SideCalls, SideRead, calls_of_game, read_together
from models.routes.whole import whole_routes
from models.synthetic.playsim_bends import sample_bends
from models.synthetic.playsim_curves import sample_curves
from models.synthetic.playsim_knots import sample_knots
from models.synthetic.playsim_sampler import RouteSet

KINDS = ("sheet, common", "sheet, own", "anew, common", "anew, no calls", "blindly")
SHEET, OFF_SHEET, SKEW = (12, 21), 0.15, 0.7
"""calls on a sheet, share of plays off it, how unequal the calls are (power of the rank)"""
MEN = {1: 0.25, 2: 0.45, 3: 0.30}
"""receivers of a side"""
MEN_A_PLAY = 5
WAYS: dict[str, Callable[[int, int], RouteSet]] = {
    "whole": lambda seed, men: whole_routes(seed, max(1, men // MEN_A_PLAY)),
    "curves": sample_curves, "bends": sample_bends, "knots": sample_knots,
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
    with the game; whole sides right."""

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

    def anew() -> Call:
        return draw_set(rng, kind, pool), draw_set(rng, kind, pool)

    if "sheet" not in kind:
        return [anew() for _ in range(plays)]
    sheet = [anew() for _ in range(int(rng.integers(*SHEET)))]
    share = np.arange(1, len(sheet) + 1) ** -SKEW
    picks = rng.choice(len(sheet), plays, p=share / share.sum())
    return [anew() if rng.random() < OFF_SHEET else sheet[k] for k in picks]


def judge(kind: str, games: int, plays: int, pool: Pool, seed: int) -> Counts:
    """Counts over made games of one kind."""
    counts = Counts()
    for game in range(games):
        rng = np.random.default_rng([seed, game, KINDS.index(kind)])
        truth = [(k, s) for k, call in enumerate(made_calls(rng, kind, plays, pool)) for s in call]
        sides = [SideRead(k, tuple(pool.chances(rng, r) for r in routes)) for k, routes in truth]
        for (_, routes), side, calls in zip(truth, sides, calls_of_game(sides), strict=True):
            if len(routes) > 1:
                men = [dict(man) for man in side.men]
                counts.add("before", routes, read_side(men, SideCalls()))
                counts.add("after", routes, read_side(men, calls))
    return counts


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--games", type=int, default=8)
    parser.add_argument("--plays", type=int, default=50)
    parser.add_argument("--men", type=int, default=2000, help="men of the pool")
    parser.add_argument("--way", choices=list(WAYS), default="whole", help="how the men are drawn")
    parser.add_argument("--seed", type=int, default=740_000)
    args = parser.parse_args(argv)
    pool = Pool.drawn(args.way, args.seed, args.men)
    for kind in KINDS:
        print(f"{kind}: {judge(kind, args.games, args.plays, pool, args.seed).text()}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
