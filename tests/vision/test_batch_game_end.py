"""The end of a batch: plays of one game read again by what its other plays said."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from decoded_game import Game, a_game_with_a_sheet, simulated_game

from calibration.clip import ClipCameras
from vision import batch
from vision.analyze import FilmPass, camera_rows, clip_row
from vision.plays.game_sides import kit_text
from vision.store import Season


@pytest.fixture(scope="module")
def game() -> Game:
    return simulated_game()


KIT = np.array([30.0, 2, -6, 10, 0, 0, -5, 1, 2])
OWN = {"g-1": -1.0, "g-2": 9.0, "g-3": 9.0}
"""log-odds that side A has the ball as each play alone says; in truth it always has"""


def sides_alone(
    passes: Sequence[tuple[FilmPass, ClipCameras, str]], standard: Any, row: Any, play_id: str, *rest: Any
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """In place of the play's analysis: the direction that the play's own word and the game's give."""
    film, cameras, view = passes[0]
    sides = rest[-1]
    lean = sides.lean(row, play_id, KIT)
    sides.learn(row, play_id, OWN[play_id], KIT)
    play = {"play_id": play_id, "direction": 1 if OWN[play_id] + lean > 0 else -1, "offense": row["offense"]}
    play |= {"defense": row["defense"], "side_evidence": OWN[play_id], "side_lean": lean}
    play["side_kit"] = kit_text(KIT)
    return [clip_row(film, cameras, view, play_id)], {"plays": [play], "cameras": camera_rows(film, cameras)}


def a_game_of_sides(tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch) -> tuple[list[Path], Path]:
    """Such a game, of whose plays only who has the ball is read."""
    monkeypatch.setattr(batch, "tables_of_play", sides_alone)
    return a_game_with_a_sheet(tmp_path, game)


def directions(season: Path) -> dict[str, int]:
    plays = Season(season).table("plays")
    return dict(zip(plays["play_id"], plays["direction"].astype(int), strict=True))


def test_a_play_of_doubtful_offense_is_read_again_at_the_games_end(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, sheet = a_game_of_sides(tmp_path, game, monkeypatch)
    season = tmp_path / "s.season"

    def killed(_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as until, pytest.raises(KeyboardInterrupt):
        until.setattr(batch._Batch, "_settle", killed)
        batch.run_batch(files, season, standard="nfhs", sheet=sheet, tell=lambda said: None)
    assert directions(season) == {"g-1": -1, "g-2": 1, "g-3": 1}  # the first play knew nothing of the game
    Season(season).correct("g-1", "plays.formation", "3x1", "coach")
    said: list[str] = []
    assert batch.run_batch(files, season, standard="nfhs", sheet=sheet, tell=said.append) == 0
    assert [line for line in said if line.startswith(("[read again", "[settled"))], said
    assert directions(season) == {"g-1": 1, "g-2": 1, "g-3": 1}
    plays = Season(season).table("plays").set_index("play_id")
    assert plays.loc["g-1", "formation"] == "3x1"  # a person's word stays above
    assert not (tmp_path / ".s.season.film").exists()
    before = Season(season).table("plays")
    assert batch.run_batch(files, season, standard="nfhs", sheet=sheet, tell=said.append) == 0
    pd.testing.assert_frame_equal(Season(season).table("plays"), before)


def test_a_later_batch_of_the_same_game_knows_what_the_earlier_said(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, sheet = a_game_of_sides(tmp_path, game, monkeypatch)
    season = tmp_path / "s.season"
    said: list[str] = []
    for part in (files[1:], files[:1]):
        batch.run_batch(part, season, standard="nfhs", sheet=sheet, tell=said.append)
    assert directions(season) == {"g-1": 1, "g-2": 1, "g-3": 1}
    assert not any("read again" in line for line in said)


def test_a_sheet_that_names_no_offense_changes_nothing(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "tables_of_play", sides_alone)
    files, sheet = a_game_with_a_sheet(tmp_path, game, "left,right")
    season = tmp_path / "s.season"

    def without(passes: Any, standard: Any, row: Any, *rest: Any) -> Any:
        return sides_alone(passes, standard, {**row, "offense": None, "defense": None}, *rest)

    monkeypatch.setattr(batch, "tables_of_play", without)
    said: list[str] = []
    assert batch.run_batch(files, season, standard="nfhs", sheet=sheet, tell=said.append) == 3
    assert directions(season) == {"g-1": -1, "g-2": 1, "g-3": 1}
    assert not any("read again" in line for line in said)
    assert not (tmp_path / ".s.season.film").exists()


CHANCES = ({"comeback": 0.95, "swing": 0.05}, {"post": 0.52, "corner": 0.45, "go": 0.03})
"""of the two receivers of every play of such a game, each read alone"""


def routes_alone(
    passes: Sequence[tuple[FilmPass, ClipCameras, str]], standard: Any, row: Any, play_id: str, *_: Any
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """In place of the play's analysis: two receivers on the right, the second in doubt."""
    film, cameras, view = passes[0]
    men = [(f"O{k}", k, chances) for k, chances in enumerate(CHANCES, 1)]
    tables = {
        "plays": [{"play_id": play_id, "offense": row["offense"]}],
        "cameras": camera_rows(film, cameras),
        "players": [{"player_id": m, "side": "right", "receiver_number": k} for m, k, _ in men],
        "routes": [
            {"player_id": m, "route": max(c, key=lambda r: c[r]), "best": "", "runner_up_probability": 0.1,
             "source": "estimated", "route_chances": json.dumps(c)} for m, _, c in men
        ],
    }  # fmt: skip
    return [clip_row(film, cameras, view, play_id)], tables


def test_a_games_plays_are_named_again_by_one_another_at_its_end_and_after_corrections(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, sheet = a_game_with_a_sheet(tmp_path, game)
    monkeypatch.setattr(batch, "tables_of_play", routes_alone)
    season = Season(tmp_path / "s.season")

    def chance() -> float:
        return float(season.table("routes", ["g-1"]).set_index("player_id").loc["O2", "probability"])

    def run() -> list[str]:
        said: list[str] = []
        batch.run_batch(files, season.path, standard="nfhs", sheet=sheet, tell=said.append)
        return said

    run()
    first = chance()
    assert 0.5 < first < 1.0  # not stored by the analysis: named at the game's end
    for play in ("g-2", "g-3"):
        season.correct(play, "routes.route/O2", "corner")
    assert any("other names on 1 plays" in line for line in run())
    now = season.table("routes").set_index(["play_id", "player_id"])["route"]
    assert [now[f"g-{k}", "O2"] for k in (1, 2, 3)] == ["corner"] * 3
    assert not any("other names" in line for line in run())


def test_a_game_that_cannot_be_read_again_takes_nothing_away(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, sheet = a_game_with_a_sheet(tmp_path, game)
    monkeypatch.setattr(batch, "tables_of_play", routes_alone)

    def broken(*_: Any) -> int:
        raise ValueError("no such thing")

    monkeypatch.setattr(Season, "read_game_again", broken)
    said: list[str] = []
    assert batch.run_batch(files, tmp_path / "s.season", standard="nfhs", sheet=sheet, tell=said.append) == 3
    assert said[-1] == "not read again: game g: ValueError: no such thing"
    assert len(Season(tmp_path / "s.season").table("routes")) == 6
