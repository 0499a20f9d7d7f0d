"""What follows from a corrected value and must follow it: the combination of each side from its routes."""

from __future__ import annotations

import duckdb

from vision.combinations import match
from vision.store.game_calls import calls_of_plays, fellows_of, runners_of, set_combinations


def renew_combinations(db: duckdb.DuckDBPyConnection, play_id: str) -> None:
    """Name the sides' combinations anew from the stored routes, corrected ones counted as certain, with what
    the game's other plays say of its calls. A combination that a person set himself stays."""
    runners = runners_of(db, [play_id]).get(play_id, [])
    calls = calls_of_plays(runners_of(db, fellows_of(db, play_id)) | {play_id: runners})
    set_combinations(db, play_id, {s: c.name for s, c in match(runners, calls=calls[play_id]).items()})
