"""What follows from a corrected value and must follow it: the combination of each side from its routes."""

from __future__ import annotations

from collections.abc import Iterable

import duckdb

from vision.combinations import match
from vision.store.game_calls import (
    calls_of_plays,
    elsewhere_of_play,
    fellows_of,
    runners_of,
    set_combinations,
)


def renew_combinations(db: duckdb.DuckDBPyConnection, plays: Iterable[str]) -> None:
    """Name the combinations of these plays' sides anew from the stored routes, corrected ones counted as
    certain, with what the game's other plays and the offense's other games say of its calls.
    A combination that a person set stays."""
    left = list(dict.fromkeys(plays))
    while left:
        beside = [left[0], *fellows_of(db, left[0])]
        read = runners_of(db, beside)
        runners = {play: read.get(play, []) for play in beside}
        calls = calls_of_plays(runners, elsewhere_of_play(db, left[0]))
        for play in [play for play in left if play in runners]:
            names = match(runners[play], calls=calls[play])
            set_combinations(db, play, {side: found.name for side, found in names.items()})
        left = [play for play in left if play not in runners]
