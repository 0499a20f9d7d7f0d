"""What is done when the plays of a game are all stored."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from vision.store import Season


def read_games_again(
    season: Season, games: Iterable[str], threshold: float, tell: Callable[[str], None]
) -> None:
    """Name the routes of these games once more, now that all their plays (and what a person corrected) and
    the season's other games can say what an offense calls; no film is needed. What fails is told.

    threshold: probability below which a route is `unknown`."""
    for game_id in dict.fromkeys(games):
        try:
            changed = season.read_game_again(game_id, threshold)
        except Exception as error:  # the plays are stored: a failed second look takes nothing away
            tell(f"not read again: game {game_id}: {type(error).__name__}: {error}")
            continue
        if changed:
            tell(f"game {game_id}: other names on {changed} plays, by what its offense ran on others")
