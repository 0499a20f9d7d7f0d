"""The combination of a side from the routes of its men, by the rules in `combination_rules.yaml`.

Uncertain routes are tolerated: every set of routes the men may have run is named by the rule that fits it
best, and a name's probability is the sum over its sets. A set counts as often as it is called, because a
side's routes are called together and an offense calls the same things again (`models.routes.repeated`).
Below `LEAST` nothing is named.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from models.routes.repeated import SideCalls, read_together, sets_of_routes

RULES = Path(__file__).with_name("combination_rules.yaml")
LEAST, LEAST_FIT = 0.25, 0.35
"""least probability of a name; least score at which a rule fits routes that are certain"""
ANY_GAME = SideCalls()
"""what is known of a side's calls where no other play says anything"""
_ANY, _FREE_CHANCE, _SUBSET, _WITHOUT_FIRST = "any", 0.9, 0.8, 0.9
SINGLE, STAYS_IN = "single", ("block", "checkdown")
"""the name of a side where one man runs a route, and what those run who take no part in it"""


@dataclass(frozen=True)
class Runner:
    """One eligible man as the rules see him. number: #1 = outermost on his side, 0 = back. side: 'left',
    'right'. chances: route -> probability. lateral_play_yd, end_lateral_play_yd: at the snap, at the end."""

    player_id: str
    side: str
    number: int
    chances: Mapping[str, float]
    lateral_play_yd: float = float("nan")
    end_lateral_play_yd: float = float("nan")

    @property
    def likely(self) -> str:
        return max(self.chances, key=lambda r: self.chances[r], default="unknown")


@dataclass(frozen=True)
class Rule:
    name: str
    routes: tuple[tuple[str, ...], ...]
    back: tuple[str, ...]
    free: bool
    weight: float
    meaning: str


@dataclass(frozen=True)
class Combination:
    """What a side ran together. name '' = no rule fits; 'single' = one receiver, or one who ran a route while
    the others stayed in.

    players and routes: the men who made it, from the sideline inward, a back last. switched: the two
    outermost men changed places (who is inside) on the way. spread_yd: sideways distance between the
    outermost and innermost of them at the end (NaN = not seen).
    """

    side: str
    name: str
    probability: float
    players: tuple[str, ...]
    routes: tuple[str, ...]
    meaning: str = ""
    switched: bool = False
    spread_yd: float = float("nan")


def load_rules(path: str | Path = RULES) -> tuple[tuple[Rule, ...], tuple[dict[str, str], ...]]:
    """Rules of one side, and of both sides. Raises ValueError naming the rule and what is wrong with it."""
    data = yaml.safe_load(Path(path).read_text())
    rules = []
    for k, raw in enumerate(data.get("rules", ())):
        where = f"{path}: rule {k + 1} ({raw.get('name', 'no name')})"
        missing = {"name", "men", "routes"} - set(raw)
        if missing:
            raise ValueError(f"{where}: missing {', '.join(sorted(missing))}")
        if int(raw["men"]) != len(raw["routes"]):
            raise ValueError(f"{where}: men is {raw['men']} but {len(raw['routes'])} routes are listed")
        routes = tuple(tuple(str(r).split("|")) for r in raw["routes"])
        back = tuple(str(raw["back"]).split("|")) if raw.get("back") else ()
        for name in {r for alternatives in (*routes, back) for r in alternatives} - {_ANY}:
            if name not in _known():
                raise ValueError(f"{where}: unknown route {name!r}; known: {', '.join(sorted(_known()))}")
        rules.append(
            Rule(
                raw["name"],
                routes,
                back,
                raw.get("order") == "free",
                float(raw.get("weight", 1)),
                raw.get("meaning", ""),
            )
        )
    return tuple(rules), tuple(data.get("both_sides", ()))


def _known() -> frozenset[str]:
    from models.routes.labels import LABELS

    return frozenset(LABELS)


@functools.lru_cache(maxsize=4)
def _shipped() -> tuple[tuple[Rule, ...], tuple[dict[str, str], ...]]:
    return load_rules()


def runners_of_play(play: Any, routes: Mapping[str, Any]) -> list[Runner]:
    """Runners from an understood `Play` and its `Route` records."""
    out = []
    for man in play.eligible:
        route = routes.get(man.player_id)
        if route is None or not route.best:
            continue
        chances = dict(getattr(route, "chances", {})) or {route.best: float(route.probability)}
        if (
            len(chances) == 1
            and route.runner_up
            and route.runner_up != route.best
            and route.source != "corrected"
        ):
            chances[route.runner_up] = float(route.runner_up_probability)
        side = man.side or ("right" if man.lateral_play_yd > 0 else "left")
        number = man.receiver_number
        if man.role == "RB" and abs(man.lateral_play_yd) < 5.0 and man.depth_play_yd < -2.5:
            number = 0
            side = "right" if route.end_lateral_play_yd > 0 else "left"
        out.append(
            Runner(man.player_id, side, number, chances, man.lateral_play_yd, route.end_lateral_play_yd)
        )
    return out


def _chance(runner: Runner, allowed: Sequence[str]) -> float:
    if _ANY in allowed:
        return _FREE_CHANCE
    return sum(p for r, p in runner.chances.items() if r in allowed)


def _try(rule: Rule, split: list[Runner], backs: list[Runner]) -> tuple[float, tuple[Runner, ...]]:
    """Best score of a rule on a side, with the men who make it."""
    k, best = len(rule.routes), 0.0
    who: tuple[Runner, ...] = ()
    for men in itertools.combinations(split, k):
        score = _SUBSET ** (len(split) - k) * (1.0 if men[0] is split[0] else _WITHOUT_FIRST)
        if rule.free:
            left = list(rule.routes)
            for man in men:
                pick = max(left, key=functools.partial(_chance, man))
                left.remove(pick)
                score *= _chance(man, pick)
        else:
            for man, allowed in zip(men, rule.routes, strict=True):
                score *= _chance(man, allowed)
        makers: tuple[Runner, ...] = men
        if rule.back:
            if not backs:
                continue
            back = max(backs, key=lambda b: _chance(b, rule.back))
            score *= _chance(back, rule.back)
            makers = (*makers, back)
        if score > best:
            best, who = score, makers
    return best, who


def match(
    runners: Iterable[Runner],
    rules: tuple[tuple[Rule, ...], tuple[dict[str, str], ...]] | None = None,
    calls: Mapping[str, SideCalls] | None = None,
) -> dict[str, Combination]:
    """Combination of each side that has a split receiver: {'left': ..., 'right': ...}. calls: what the game's
    other plays say of each side's calls."""
    one_side, both = rules or _shipped()
    men = list(runners)
    out: dict[str, Combination] = {}
    for side in ("left", "right"):
        split = sorted((r for r in men if r.side == side and r.number > 0), key=lambda r: r.number)
        if not split:
            continue
        backs = [r for r in men if r.side == side and r.number == 0]
        out[side] = _name(side, split, backs, one_side, (calls or {}).get(side, ANY_GAME))
    for rule in both:
        makers = [
            max(
                (r for r in men if r.side == s and r.number > 0),
                default=None,
                key=lambda r: r.chances.get(rule["each"], 0.0),
            )
            for s in ("left", "right")
        ]
        if any(m is None for m in makers):
            continue
        score = 1.0
        for m in makers:
            score *= m.chances.get(rule["each"], 0.0) if m else 0.0
        if score >= LEAST_FIT and not all(_all_made_it(own, men, rule["each"]) for own in out.values()):
            for s, m in zip(("left", "right"), makers, strict=True):
                assert m is not None
                out[s] = Combination(
                    s, rule["name"], score, (m.player_id,), (rule["each"],), rule.get("meaning", "")
                )
    return out


def _all_made_it(own: Combination, men: Sequence[Runner], route: str) -> bool:
    """Whether a side's own combination says what all its receivers ran, this route among them. Where both
    sides have one, their names are closer than one for both."""
    split = {r.player_id for r in men if r.side == own.side and r.number > 0}
    return len(split) > 1 and split <= set(own.players) and route in own.routes and own.name != ""


def _name(
    side: str, split: list[Runner], backs: list[Runner], rules: tuple[Rule, ...], calls: SideCalls
) -> Combination:
    """The likeliest name over all routes the men may have run: every set of routes is named as if it were
    certain, so that a loose rule does not win over the closer one that fits the likeliest routes."""
    mass: dict[str, float] = {}
    best: dict[str, tuple[float, Rule, tuple[int, ...], tuple[str, ...]]] = {}
    total = unread = calls.new if len(split) > 1 else 1.0
    for routes, chance in sets_of_routes([man.chances for man in (*split, *backs)]):
        rule, makers = _rule_for(rules, routes[: len(split)], routes[len(split) :])
        weight, name = chance * calls.ratio(routes[: len(split)]), _name_of(rule, routes[: len(split)])
        mass[name] = mass.get(name, 0.0) + weight
        total += weight - chance * unread
        if rule is not None and (name not in best or chance > best[name][0]):
            best[name] = (chance, rule, makers, routes)
    mass = {n: m / total for n, m in mass.items() if n}
    name = max(mass, key=lambda n: mass[n], default=SINGLE if len(split) == 1 else "")
    if name not in best or mass[name] < LEAST:
        p, made = mass.get(SINGLE, 0.0), split
        if name != SINGLE or (len(split) > 1 and p < LEAST):
            name, p = "", 0.0
        elif len(runs := [r for r in split if r.likely not in STAYS_IN]) == 1:
            made = runs
        return Combination(side, name, p, tuple(r.player_id for r in made), tuple(r.likely for r in made))
    _, found, rows, routes = best[name]
    who = [(*split, *backs)[k] for k in rows]
    ends, starts = [w.end_lateral_play_yd for w in who], [w.lateral_play_yd for w in who]
    switched = len(who) >= 2 and (abs(starts[0]) - abs(starts[1])) * (abs(ends[0]) - abs(ends[1])) < 0
    spread = float(max(ends) - min(ends)) if len(who) >= 2 else float("nan")
    return Combination(
        side,
        name,
        min(1.0, mass[name]),
        tuple(w.player_id for w in who),
        tuple(routes[k] for k in rows),
        found.meaning,
        bool(switched),
        spread,
    )


def _name_of(rule: Rule | None, split: Sequence[str]) -> str:
    """The rule's name; without a rule 'single' where no more than one of the receivers' routes goes out."""
    if rule is not None:
        return rule.name
    return SINGLE if len(split) == 1 or sum(r not in STAYS_IN for r in split) == 1 else ""


def together(
    runners: Iterable[Runner], calls: Mapping[str, SideCalls] | None = None
) -> dict[str, dict[str, float]]:
    """Chances of every man's routes when the receivers of a side are read together: sets of routes count as
    often as they are called (`models.routes.called`, and calls: side -> what the offense's other plays say).
    Backs and men alone on their side keep their own.

    One man's place in the picture may be lost, or the throw cut his stem short of the break: what ran beside
    him then says something of the call.
    """
    men = list(runners)
    out = {r.player_id: dict(r.chances) for r in men}
    for side in ("left", "right"):
        split = sorted((r for r in men if r.side == side and r.number > 0), key=lambda r: r.number)
        if len(split) < 2:
            continue
        read = read_together([man.chances for man in split], (calls or {}).get(side, ANY_GAME))
        out |= {man.player_id: chances for man, chances in zip(split, read, strict=True)}
    return out


@functools.lru_cache(maxsize=20_000)
def _rule_for(
    rules: tuple[Rule, ...], split: tuple[str, ...], backs: tuple[str, ...]
) -> tuple[Rule | None, tuple[int, ...]]:
    """The rule that fits certain routes best, with the rows of the men who make it (split men first)."""
    men = [Runner(str(k), "right", k + 1, {r: 1.0}) for k, r in enumerate((*split, *backs))]
    best: tuple[float, Rule | None, tuple[Runner, ...]] = (0.0, None, ())
    for rule in rules:
        score, who = _try(rule, men[: len(split)], men[len(split) :])
        rank = score * (1.0 + 0.04 * rule.weight + 0.12 * len(who))
        if score >= LEAST_FIT and rank > best[0]:
            best = (rank, rule, who)
    return best[1], tuple(int(w.player_id) for w in best[2])
