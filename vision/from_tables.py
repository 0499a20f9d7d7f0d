"""The second way in: a tracking table to the season file, without any film."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from models.routes.classifier import RouteClassifier
from vision.charting import Sheet, read_sheet
from vision.combinations import match, runners_of_play
from vision.coverage import measure
from vision.game_end import read_games_again
from vision.plays.record import Play
from vision.plays.roster import with_game_roles
from vision.routes import read_routes
from vision.store import Season
from vision.tables import TablePlay, read_tracking_table, tracking_rows
from vision.trouble import Trouble

MOST_AT_ONCE = 300
"""plays whose roles are settled together; a game has at most about 180"""


def run_tracks(
    path: str | Path,
    season_path: str | Path,
    *,
    standard: str,
    events: str | Path | None = None,
    sheet: str | Path | None = None,
    tell: Callable[[str], None] = lambda line: None,
) -> tuple[int, list[str]]:
    """Read every play of a tracking table into the season. Returns how many were stored, and one line per
    play that was not. Raises SheetTrouble when the table as a whole cannot be read."""
    season = Season(season_path)
    charted = read_sheet(sheet) if sheet else None
    classifier = RouteClassifier.load()
    run = season.start_run(
        {"tracks": str(path), "standard": standard}, {"routes": classifier_hash(classifier)}
    )
    stored, refused, games = 0, [], dict[str, None]()
    for items in _games(read_tracking_table(path, standard, events=events)):
        understood = []
        for item in items:
            try:
                row = _row_of(charted, item.play_id)
                fixed = season.corrected_moments(item.play_id)
                play = replace(item, events={**item.events, **fixed}).understand(standard, row)
                understood.append((item, row, play))
            except (Trouble, ValueError) as error:
                refused.append(f"{Path(path).name}, play {item.play_id}: {error}")
                tell(refused[-1])
        named = with_game_roles([play for _, _, play in understood])
        for (item, row, _), play in zip(understood, named, strict=True):
            tables = play_tables(play, classifier, row)
            found = tables["plays"][0]
            found.setdefault("game_id", item.game or Path(path).stem)
            found["play_number"] = item.play_id
            found["warnings"] = "; ".join(dict.fromkeys((*item.notes, *play.warnings)))
            season.write_play([], tables, run)
            games[str(found["game_id"])] = None
            stored += 1
    read_games_again(season, games, classifier.threshold["trade"], tell)
    season.finish_run(run)
    return stored, refused


def _games(items: Iterable[TablePlay]) -> Iterator[list[TablePlay]]:
    """The plays game by game, at most MOST_AT_ONCE together."""
    here: list[TablePlay] = []
    for item in items:
        if here and (item.game != here[-1].game or len(here) >= MOST_AT_ONCE):
            yield here
            here = []
        here.append(item)
    if here:
        yield here


def _row_of(sheet: Sheet | None, play_id: str) -> Mapping[str, Any] | None:
    if sheet is None:
        return None
    return next((row for row in sheet.rows if str(row["play_number"]) == play_id), None)


def classifier_hash(classifier: Any) -> str:
    """The weights' hash where the classifier tells it."""
    return str(getattr(classifier, "weights_hash", "") or getattr(classifier, "hash", ""))


def play_tables(
    play: Play, classifier: RouteClassifier | None = None, sheet_row: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """All rows of one understood play for `Season.write_play`: plays, players, tracks, routes, matchups,
    drops. Routes and measures only of pass plays that could be understood. sheet_row: the charting sheet's
    row, for what no film shows (quarter, offense, defense, game)."""
    is_pass = play.understood and play.kind in ("pass", "unknown")
    routes = read_routes(play, classifier) if is_pass else {}
    rows = {i: r.row(play.play_id) for i, r in routes.items()}
    matchups, drops = measure(play, rows) if is_pass else ([], [])
    sides = match(runners_of_play(play, routes)) if routes else {}
    row = play.row()
    for side in ("left", "right"):
        row[f"{side}_combination"] = sides[side].name if side in sides else ""
    row |= {
        k: sheet_row[k]
        for k in ("quarter", "offense", "defense", "game_id")
        if sheet_row and sheet_row.get(k)
    }
    reasons = list(play.warnings)
    if not play.understood:
        reasons.append("direction, line of scrimmage or snap could not be told")
    row |= {"standard": play.standard, "look": bool(reasons), "look_reason": "; ".join(reasons)}
    return {"plays": [row], "players": play.player_rows(), "tracks": tracking_rows(play),
            "routes": list(rows.values()), "matchups": [m.row() for m in matchups],
            "drops": [d.row() for d in drops]}  # fmt: skip
