"""Roles over a whole game of a table whose ids last, and left alone where they do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from test_plays_of_tables import table_of

from models.synthetic.plays import PlayScript, simulate_play
from vision.plays.record import Play
from vision.plays.roster import with_game_roles
from vision.tables import plays_of_table

SQUAD = {"QB": 1, "OL": 6, "RB": 3, "TE": 3, "WR": 6, "DL": 7, "LB": 6, "CB": 5, "S": 4}


def game_ids(script: PlayScript, rng: np.random.Generator) -> dict[str, str]:
    """The men of one play out of a squad: ids such as 3S, the role as truth behind the number."""
    out: dict[str, str] = {}
    for role, size in SQUAD.items():
        men = [p.id for p in script.people if p.role == role and p.team != "official"]
        order = rng.permutation(max(size, len(men)))
        out |= {man: f"{k}{role}" for man, k in zip(men, order, strict=False)}
    return out


def played(seeds: range, lasting: bool) -> list[Play]:
    """Understood plays from bare tables."""
    rng = np.random.default_rng(5)
    out = []
    for seed in seeds:
        script = simulate_play(seed, "nfl", "pass")
        table = table_of(script, rng)
        if lasting:
            table["entity_id"] = table["entity_id"].map(game_ids(script, rng))
        out.append(next(iter(plays_of_table(table, "nfl"))).understand("nfl"))
    return out


def role_share(plays: list[Play]) -> float:
    return float(np.mean([m.role == m.player_id.lstrip("0123456789") for p in plays for m in p.players]))


def test_ids_that_last_settle_roles_over_the_game():
    plays = played(range(61_000, 61_014), True)
    before, after = role_share(plays), role_share(with_game_roles(plays))
    assert before < 0.985 < after


def test_ids_numbered_anew_change_nothing():
    plays = played(range(61_000, 61_005), False)
    assert with_game_roles(plays) == plays


def test_roles_a_table_gave_stay():
    plays = played(range(61_000, 61_006), True)
    safety = next(m for p in plays for m in p.players if m.role == "S")
    given = replace(safety, role="LB", source="charted")
    first = replace(
        plays[0], players=tuple(given if m == safety else m for m in plays[0].players)
    )  # the table's word
    assert all(m.role == "LB" for m in with_game_roles([first, *plays[1:]])[0].players if m == given)
