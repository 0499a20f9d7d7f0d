"""The stored plays of one offense side by side: what they say of one another's calls.

When all plays of a game are read, each is named again with what the others ran, and with what the same
offense ran in the other games of the season (`models.routes.repeated`), each side also by what the play's
other side says (`models.routes.coupled`). It starts from the chances of every man as read by himself, which
are stored beside his route, so that no film is needed and doing it again, with more plays or games or with a
person's corrections, starts from the same. Games that are not read again keep
their names: one added later changes nothing of them until they are (or a route is corrected: the combinations
of that play count it at once).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import duckdb

from models.routes.coupled import calls_of_whole_plays
from models.routes.labels import UNKNOWN
from models.routes.repeated import NOWHERE, Elsewhere, SideCalls, SideRead, calls_elsewhere
from vision.combinations import Runner, match, together

Db = duckdb.DuckDBPyConnection
MOST_PLAYS = 120
"""plays that are looked at side by side, at most: an offense seldom passes 60 times in a game"""
MOST_ELSEWHERE = 1200
"""plays of its other games, at most (as many of every game): 20 games of 60"""
NO_TEAM = frozenset(
    "na n/a nan none null unknown tbd offense offence opponent opp opponents other others home away visitor "
    "visitors guest guests them they".split()
)
"""what stands in the column `offense` and does not name one team of all games"""
_RUNNERS = """
    SELECT r.play_id, r.player_id, m.side, m.receiver_number, m.role, m.depth_play_yd, m.lateral_play_yd,
        r.route, r.probability, r.runner_up, r.source, r.end_lateral_play_yd, r.route_chances
    FROM routes r JOIN players m ON m.play_id = r.play_id AND m.player_id = r.player_id
    WHERE r.play_id IN (SELECT unnest(?::VARCHAR[])) ORDER BY r.play_id, r.player_id
"""


def runners_of(db: Db, plays: Sequence[str]) -> dict[str, list[Runner]]:
    """Play -> its eligible men with a route, as `vision.combinations.runners_of_play` makes them from a play:
    chances as each man was read by himself, a corrected route certain."""
    out: dict[str, list[Runner]] = {}
    for play, *row in db.execute(_RUNNERS, [list(plays)]).fetchall():
        runner = _runner(*row)
        if runner is not None:
            out.setdefault(play, []).append(runner)
    return out


def fellows_of(db: Db, play_id: str) -> list[str]:
    """The other plays of the same game and offense that it is read with (none where the game is not told)."""
    row = db.execute("SELECT game_id FROM plays WHERE play_id = ?", [play_id]).fetchone()
    for plays in _parts_of(db, row[0]) if row else ():
        if play_id in plays:
            return [play for play in plays if play != play_id]
    return []


def _parts_of(db: Db, game_id: str | None) -> list[list[str]]:
    """A game's plays with routes, those of one offense together; more than `MOST_PLAYS` in equal parts."""
    rows = db.execute(
        "SELECT DISTINCT p.offense, p.play_id FROM plays p JOIN routes r ON r.play_id = p.play_id "
        "WHERE p.game_id = ? ORDER BY p.play_id",
        [game_id],
    ).fetchall()
    offenses: dict[str | None, list[str]] = {}
    for offense, play in rows:
        offenses.setdefault(team_of(offense) or offense, []).append(play)
    out = []
    for plays in offenses.values():
        parts = -(-len(plays) // MOST_PLAYS)
        out += [plays[len(plays) * k // parts : len(plays) * (k + 1) // parts] for k in range(parts)]
    return out


def team_of(offense: str | None) -> str:
    """The team that a stored offense names, however it is written; '' where it names none."""
    name = " ".join(str(offense or "").casefold().split())
    return "" if name.strip(".?-_ ") in NO_TEAM | {""} else name


def elsewhere_of(db: Db, game_id: str | None, offense: str | None) -> Elsewhere:
    """What an offense ran in the season's other games. Nothing where its name or the game is not told: two
    games' offenses without a name are not one."""
    team = team_of(offense)
    if not team or game_id is None:
        return NOWHERE
    names = [row[0] for row in db.execute("SELECT DISTINCT offense FROM plays").fetchall()]
    rows = db.execute(
        "SELECT p.game_id, p.play_id FROM plays p WHERE p.game_id <> ? "
        "AND p.offense IN (SELECT unnest(?::VARCHAR[])) AND p.play_id IN (SELECT play_id FROM routes) "
        "ORDER BY row_number() OVER (PARTITION BY p.game_id ORDER BY p.play_id), p.game_id LIMIT ?",
        [game_id, [name for name in names if team_of(name) == team], MOST_ELSEWHERE],
    ).fetchall()
    games: dict[str, list[str]] = {}
    for game, play in rows:
        games.setdefault(game, []).append(play)
    runners = runners_of(db, [play for _, play in rows])
    return calls_elsewhere(
        [_sides({play: runners.get(play, []) for play in plays})[1] for _, plays in sorted(games.items())]
    )


def elsewhere_of_play(db: Db, play_id: str) -> Elsewhere:
    """`elsewhere_of` the play's game and offense."""
    row = db.execute("SELECT game_id, offense FROM plays WHERE play_id = ?", [play_id]).fetchone()
    return elsewhere_of(db, *row) if row else NOWHERE


def calls_of_plays(
    plays: Mapping[str, Sequence[Runner]], elsewhere: Elsewhere = NOWHERE
) -> dict[str, dict[str, SideCalls]]:
    """Play -> side -> what is known of the side's calls, of plays of one game and offense. elsewhere: what
    the offense ran in its other games."""
    where, sides = _sides(plays)
    out: dict[str, dict[str, SideCalls]] = {play: {} for play in plays}
    for (play, side), calls in zip(where, calls_of_whole_plays(sides, elsewhere=elsewhere), strict=True):
        out[play][side] = calls
    return out


def _sides(plays: Mapping[str, Sequence[Runner]]) -> tuple[list[tuple[str, str]], list[SideRead]]:
    """The sides of plays that have split receivers, as (play, side) and as read."""
    where: list[tuple[str, str]] = []
    sides: list[SideRead] = []
    for play, runners in plays.items():
        for side in ("left", "right"):
            split = sorted((r for r in runners if r.side == side and r.number > 0), key=lambda r: r.number)
            if split:
                where.append((play, side))
                sides.append(SideRead(play, tuple(r.chances for r in split)))
    return where, sides


def read_again(db: Db, game_id: str, threshold: float) -> int:
    """Name the routes and combinations of a game's stored plays with what its other plays, and its offense's
    other games, say of them; returns how many plays have another name for anything. Corrected values stay.

    threshold: probability below which a route is `unknown`."""
    rows = db.execute("SELECT DISTINCT play_id FROM routes WHERE route_chances IS NOT NULL").fetchall()
    renamed = {row[0] for row in rows}
    changed = 0
    for plays in _parts_of(db, game_id):
        if renamed.isdisjoint(plays):
            continue
        runners = runners_of(db, plays)
        for play, calls in calls_of_plays(runners, elsewhere_of_play(db, plays[0])).items():
            if play in renamed:
                changed += _rename(db, play, runners[play], calls, threshold)
    return changed


def _rename(
    db: Db, play_id: str, runners: Sequence[Runner], calls: Mapping[str, SideCalls], threshold: float
) -> bool:
    """Store a play's names as they follow from its runners and calls; whether any is another than before."""
    before = {
        row[0]: row[1]
        for row in db.execute(
            "SELECT player_id, route FROM routes WHERE play_id = ? AND route_chances IS NOT NULL "
            "AND source IS DISTINCT FROM 'corrected'",
            [play_id],
        ).fetchall()
    }
    changed = False
    for player, chances in together(runners, calls).items():
        if player in before:
            row = named(chances, threshold)
            changed |= row["route"] != before[player]
            columns = ", ".join(f"{name} = ?" for name in row)
            db.execute(
                f"UPDATE routes SET {columns} WHERE play_id = ? AND player_id = ?",
                [*row.values(), play_id, player],
            )
    names = {side: found.name for side, found in match(runners, calls=calls).items()}
    return set_combinations(db, play_id, names) or changed


def set_combinations(db: duckdb.DuckDBPyConnection, play_id: str, names: dict[str, str]) -> bool:
    """Store the names of a play's sides ('left', 'right'), those apart that a person set; whether any is
    another than before."""
    fixed = {
        row[0]
        for row in db.execute(
            "SELECT what FROM corrections WHERE play_id = ? AND state = 'applied'", [play_id]
        ).fetchall()
    }
    changed = False
    for side in ("left", "right"):
        column, name = f"{side}_combination", names.get(side) or None
        row = db.execute(f"SELECT {column} FROM plays WHERE play_id = ?", [play_id]).fetchone()
        if f"plays.{column}" not in fixed and row is not None and row[0] != name:
            db.execute(f"UPDATE plays SET {column} = ? WHERE play_id = ?", [name, play_id])
            changed = True
    return changed


def named(chances: Mapping[str, float], threshold: float) -> dict[str, Any]:
    """The columns of `routes` that follow from a man's chances."""
    from vision.routes import called_twelve  # here: it brings the networks, which questions do not need

    order = sorted(chances, key=lambda name: -chances[name])
    best, second = order[0], order[1] if len(order) > 1 else ""
    coarse, coarse_p = called_twelve(chances)
    return {
        "route": best if chances[best] >= threshold else UNKNOWN,
        "probability": chances[best],
        "runner_up": second or None,
        "runner_up_probability": chances.get(second),
        "best": best,
        "route_called_twelve": coarse or None,
        "route_called_twelve_probability": coarse_p if coarse else None,
    }


def _runner(
    player_id: str,
    side: Any,
    number: Any,
    role: Any,
    depth: Any,
    lateral: Any,
    route: Any,
    probability: Any,
    runner_up: Any,
    source: Any,
    end: Any,
    chances_text: Any,
) -> Runner | None:
    """A stored route as the rules see it. Without stored chances (older seasons, tables of others) from the
    two names that are there."""
    if (side is None and lateral is None) or not route:
        return None
    if source == "corrected":
        chances = {route: 1.0}
    elif chances_text:
        chances = json.loads(chances_text)
    else:
        chances = {route: float(probability or 0.0)}
        if runner_up and runner_up != route:
            chances[runner_up] = max(0.0, min(1.0 - chances[route], 0.5))
    if not chances or (route == "unknown" and (source == "corrected" or not chances_text)):
        return None
    side = side or ("right" if lateral > 0 else "left")
    if role == "RB" and lateral is not None and abs(lateral) < 5.0 and depth is not None and depth < -2.5:
        number, side = 0, side if end is None else "right" if end > 0 else "left"
    nan = float("nan")
    return Runner(
        player_id,
        side,
        int(number or 0),
        chances,
        nan if lateral is None else lateral,
        nan if end is None else end,
    )
