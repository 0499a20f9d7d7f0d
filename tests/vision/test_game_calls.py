"""The end of a game: stored plays named again by what the others ran; corrections stand and count."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from vision.store import Season, game_calls
from vision.store.connect import writing
from vision.store.writer import write_play

CALL, OTHER = ("comeback", "corner"), ("slant", "wheel")
THRESHOLD = 0.47
DOUBT = {"post": 0.52, "corner": 0.45, "go": 0.03}


def play_of(
    play_id: str,
    routes: tuple[dict[str, float], ...],
    offense: str | None = "Larkmoor",
    game: str | None = "g1",
) -> dict[str, Any]:
    """Tables of a play with receivers on the right, each named alone. routes: their chances, #1 first."""
    men = [f"O{k + 1}" for k in range(len(routes))]
    best = [max(c, key=lambda r: c[r]) for c in routes]
    return {
        "plays": [{"play_id": play_id, "game_id": game, "offense": offense, "kind": "pass"}],
        "players": [
            {"player_id": m, "team": "offense", "role": "WR", "side": "right", "receiver_number": k + 1,
             "lateral_play_yd": 18.0 - 6 * k, "depth_play_yd": -1.0}
            for k, m in enumerate(men)
        ],
        "routes": [
            {"player_id": m, "route": b, "probability": c[b], "best": b, "source": "estimated",
             "runner_up_probability": 0.0, "route_chances": json.dumps(c)}
            for m, b, c in zip(men, best, routes, strict=True)
        ],
    }  # fmt: skip


def sure(call: tuple[str, ...]) -> tuple[dict[str, float], ...]:
    return tuple({r: 0.9, "screen": 0.1} for r in call)


def season_of(path: Path, plays: list[dict[str, Any]]) -> Season:
    season = Season(path)
    with writing(season.path, 60.0) as db:
        for tables in plays:
            write_play(db, [], tables)
    return season


def game(path: Path, others: int = 10, **about: Any) -> Season:
    """A play with a man in doubt, and others of the same offense that ran the call or another."""
    plays = [play_of("mine", ({"comeback": 0.95, "swing": 0.05}, DOUBT))]
    plays += [play_of(f"p{k:02d}", sure(CALL if k % 2 else OTHER), **about) for k in range(others)]
    return season_of(path, plays)


def route(season: Season, man: str = "O2", play: str = "mine") -> dict[str, Any]:
    rows = season.table("routes", [play]).set_index("player_id")
    return dict(rows.loc[man])


def combination(season: Season, play: str = "mine") -> Any:
    return season.table("plays", [play])["right_combination"].iloc[0]


def test_a_man_in_doubt_is_named_by_the_games_other_plays(tmp_path: Path) -> None:
    season = game(tmp_path / "s")
    assert route(season)["route"] == "post"
    assert season.read_game_again("g1", THRESHOLD) >= 1
    now = route(season)
    assert (now["route"], now["best"], now["runner_up"]) == ("corner", "corner", "post")
    assert 0.6 < now["probability"] < 1.0 and now["route_called_twelve"] == "CORNER"
    assert json.loads(now["route_chances"]) == DOUBT  # what he was read as stays
    assert now["source"] == "estimated"
    assert season.read_game_again("g1", THRESHOLD) == 0  # from the same to the same


def test_an_offense_written_otherwise_in_the_same_game_is_the_same(tmp_path: Path) -> None:
    season = game(tmp_path / "s", offense=" LARKMOOR")
    season.read_game_again("g1", THRESHOLD)
    assert route(season)["route"] == "corner"


def test_no_play_of_a_long_game_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read in equal parts, not in full ones and a rest; and in the same parts after a correction."""
    monkeypatch.setattr(game_calls, "MOST_PLAYS", 16)
    doubtful = ({"curl": 0.95, "swing": 0.05}, {"go": 0.75, "flat": 0.25})
    plays = [play_of(f"p{k:02d}", sure(("curl", "flat") if k % 4 else OTHER)) for k in range(32)]
    season = season_of(tmp_path / "s", [*plays, play_of("zz", doubtful)])
    season.read_game_again("g1", THRESHOLD)
    assert route(season, play="zz")["route"] == "flat" and combination(season, "zz") == "flat-curl"
    season.correct("zz", "routes.route/O1", "curl")
    assert combination(season, "zz") == "flat-curl"


def test_plays_without_chances_count_and_keep_their_names(tmp_path: Path) -> None:
    """A season begun by a program that stored none."""
    doubtful = ({"curl": 0.95, "swing": 0.05}, {"go": 0.75, "flat": 0.25})
    plays = [play_of(f"p{k:02d}", sure(("curl", "flat") if k % 4 else OTHER)) for k in range(16)]
    for row in (row for tables in plays for row in tables["routes"]):
        del row["route_chances"]
    season = season_of(tmp_path / "s", [*plays, play_of("zz", doubtful)])
    before = season.table("routes")
    assert season.read_game_again("g1", THRESHOLD) == 1
    assert route(season, play="zz")["route"] == "flat"
    assert season.table("routes")[:32].equals(before[:32]) and set(before["play_id"][32:]) == {"zz"}
    named = season.table("plays").set_index("play_id")["right_combination"].dropna()
    assert dict(named) == {"zz": "flat-curl"}


def test_chances_too_small_for_any_set_do_no_harm(tmp_path: Path) -> None:
    """As of tables of others that give names without chances."""
    plays = [play_of(f"p{k}", sure(CALL)) for k in range(3)]
    for row in (row for tables in plays for row in tables["routes"]):
        del row["route_chances"], row["probability"]
    season = season_of(tmp_path / "s", plays)
    season.correct("p0", "routes.route/O2", "flat")
    assert route(season, play="p0")["route"] == "flat" and season.read_game_again("g1", THRESHOLD) == 0


@pytest.mark.parametrize(
    "about",
    [{"offense": "Fallowby"}, {"offense": "Fallowby", "game": "g2"}, {"offense": None}, {"game": None}],
)
def test_plays_of_others_say_nothing(tmp_path: Path, about: dict[str, Any]) -> None:
    season = game(tmp_path / "s", **about)
    alone = season_of(tmp_path / "a", [play_of("mine", ({"comeback": 0.95, "swing": 0.05}, DOUBT))])
    for one in (season, alone):
        one.read_game_again("g1", THRESHOLD)
    assert route(season)["probability"] == pytest.approx(route(alone)["probability"])
    assert route(season)["route"] == route(alone)["route"] == "post"


def test_a_correction_stands_and_counts_for_the_other_plays(tmp_path: Path) -> None:
    season = game(tmp_path / "s", others=0)
    doubtful = ({"comeback": 0.9, "swing": 0.1}, DOUBT)
    for k in range(6):
        season.write_play([], play_of(f"q{k}", doubtful))
    season.read_game_again("g1", THRESHOLD)
    before = route(season)
    for k in range(6):
        season.correct(f"q{k}", "routes.route/O2", "corner")
    assert season.read_game_again("g1", THRESHOLD) >= 1
    assert before["route"] == "post" and route(season)["route"] == "corner"
    for k in range(6):
        theirs = route(season, play=f"q{k}")
        assert (theirs["route"], theirs["source"]) == ("corner", "corrected")
        assert not theirs["probability"] > 0.0  # a person's word has none


def test_a_play_corrected_against_the_game_keeps_what_the_person_said(tmp_path: Path) -> None:
    season = game(tmp_path / "s")
    season.correct("mine", "routes.route/O2", "go")
    season.correct("mine", "plays.right_combination", "my own word")
    season.read_game_again("g1", THRESHOLD)
    assert route(season)["route"] == "go" and combination(season) == "my own word"


def test_combinations_follow_and_are_named_alike_after_a_correction(tmp_path: Path) -> None:
    doubtful = ({"curl": 0.95, "swing": 0.05}, {"go": 0.75, "flat": 0.25})
    season = season_of(tmp_path / "s", [play_of("mine", doubtful)])
    season.read_game_again("g1", THRESHOLD)
    assert combination(season) == "curl-seam"
    for k in range(16):
        season.write_play([], play_of(f"p{k:02d}", sure(("curl", "flat") if k % 4 else OTHER)))
    season.read_game_again("g1", THRESHOLD)
    assert combination(season) == "flat-curl" and route(season)["route"] == "flat"
    season.correct("mine", "routes.route/O1", "curl")  # as it was read: the side's name must not fall back
    assert combination(season) == "flat-curl"


def test_a_name_below_the_threshold_is_unknown(tmp_path: Path) -> None:
    season = game(tmp_path / "s")
    season.read_game_again("g1", 0.999)
    assert route(season)["route"] == "unknown" and route(season)["best"] == "corner"


def test_a_season_without_chances_is_left_as_it_is(tmp_path: Path) -> None:
    plays = [play_of("mine", ({"comeback": 0.95, "swing": 0.05}, DOUBT))]
    plays += [play_of(f"p{k:02d}", sure(("hitch", "corner"))) for k in range(8)]
    for tables in plays:
        for row in tables["routes"]:
            del row["route_chances"]
    season = season_of(tmp_path / "s", plays)
    before = season.table("routes")
    assert season.read_game_again("g1", THRESHOLD) == 0
    assert season.table("routes").equals(before) and season.table("plays")["right_combination"].isna().all()


def test_corrections_in_one_write_name_as_one_by_one_and_all_or_none(tmp_path: Path) -> None:
    doubtful = ({"curl": 0.6, "hitch": 0.4}, {"go": 0.55, "flat": 0.45})
    labels = {f"p{k:02d}": ("flat" if k % 3 else "go") for k in range(9)}
    plays = [play_of(name, doubtful, game="g2" if k > 6 else "g1") for k, name in enumerate(labels)]
    one, many, none = (season_of(tmp_path / name, plays) for name in ("one", "many", "none"))
    for name, label in labels.items():
        one.correct(name, "routes.route/O2", label)
    with many.correcting() as correct:
        for name, label in labels.items():
            correct(name, "routes.route/O2", label)
    columns = ["play_id", "right_combination"]
    last = list(labels)[-1]  # named when all stood, one by one as well
    assert combination(many, last) == combination(one, last)
    assert many.table("plays")[columns].notna().all().all()
    again = many.table("plays")[columns]
    for name in labels:  # nothing more follows from saying it again
        many.correct(name, "routes.route/O2", labels[name])
    assert many.table("plays")[columns].equals(again)
    with pytest.raises(ZeroDivisionError), none.correcting() as correct:
        correct("p00", "routes.route/O2", "flat")
        raise ZeroDivisionError
    assert len(none.corrections()) == 0 and route(none, play="p00")["route"] == "go"


def games(path: Path, name: str | None = "Larkmoor", others: int = 3, plays: int = 12) -> Season:
    """A doubtful play in a game that ran half of the sheet, and other games that ran all of it. name: of the
    offense in the other games and, unless that is another team's, in this one."""
    own = "Larkmoor" if name and name.strip().casefold() in ("larkmoor", "fallowby") else name
    about: dict[str, Any] = {"offense": own}
    season = [play_of("mine", ({"comeback": 0.95, "swing": 0.05}, DOUBT), **about)]
    season += [play_of(f"p{k:02d}", sure(OTHER), **about) for k in range(plays)]
    for g in range(others):
        about = {"offense": name, "game": f"h{g}"}
        season += [play_of(f"h{g}-{k:02d}", sure(CALL if k % 2 else OTHER), **about) for k in range(plays)]
    return season_of(path, season)


@pytest.mark.parametrize("name", ["Larkmoor", " larkmoor"])
def test_other_games_of_the_same_offense_count(tmp_path: Path, name: str) -> None:
    season, alone = games(tmp_path / "s", name), games(tmp_path / "a", name, others=0)
    for one in (season, alone):
        one.read_game_again("g1", THRESHOLD)
    assert (route(season)["route"], route(alone)["route"]) == ("corner", "post")
    assert json.loads(route(season)["route_chances"]) == DOUBT


@pytest.mark.parametrize("name", ["Fallowby", None, "", "  ", "Opponent", "n/a", "?", "Offense", "home"])
def test_other_games_of_others_and_of_nobody_say_nothing(tmp_path: Path, name: str | None) -> None:
    season, alone = games(tmp_path / "s", name), games(tmp_path / "a", name, others=0)
    for one in (season, alone):
        one.read_game_again("g1", THRESHOLD)
        assert route(one)["route"] == "post"
    assert route(season)["probability"] == pytest.approx(route(alone)["probability"], abs=1e-12)


def test_names_are_the_same_in_whatever_order_games_are_read_again(tmp_path: Path) -> None:
    one, two = games(tmp_path / "one"), games(tmp_path / "two")
    doubtful = ({"comeback": 0.6, "curl": 0.4}, DOUBT)
    for season, order in ((one, ("g1", "h0", "h1")), (two, ("h1", "g1", "h0", "g1", "h1"))):
        season.write_play([], play_of("h1-x", doubtful, game="h1"))
        for game_id in order:
            season.read_game_again(game_id, THRESHOLD)
    columns = ["play_id", "player_id", "route", "probability", "best", "runner_up_probability"]
    pd.testing.assert_frame_equal(one.table("routes")[columns], two.table("routes")[columns])
    names = ["play_id", "right_combination"]
    pd.testing.assert_frame_equal(one.table("plays")[names], two.table("plays")[names])
    assert [one.read_game_again(g, THRESHOLD) for g in ("g1", "h0", "h1")] == [0, 0, 0]


def test_a_correction_in_another_game_counts_once_this_one_is_read_again(tmp_path: Path) -> None:
    season = games(tmp_path / "s", others=0)
    season_of(
        tmp_path / "s",
        [play_of(f"h-{k:02d}", ({"comeback": 0.9, "swing": 0.1}, DOUBT), game="h") for k in range(12)],
    )
    season.read_game_again("g1", THRESHOLD)
    before = route(season)
    for k in range(12):
        season.correct(f"h-{k:02d}", "routes.route/O2", "corner")
    assert route(season)["probability"] == before["probability"]  # not read again yet
    season.read_game_again("g1", THRESHOLD)
    assert before["route"] == "post" and route(season)["route"] == "corner"


def test_a_side_corrected_as_it_was_read_keeps_the_name_that_other_games_gave(tmp_path: Path) -> None:
    doubtful = ({"curl": 0.95, "swing": 0.05}, {"go": 0.8, "flat": 0.2})
    plays = [play_of("mine", doubtful), *(play_of(f"p{k:02d}", sure(OTHER)) for k in range(12))]
    season = season_of(tmp_path / "s", plays)
    season.read_game_again("g1", THRESHOLD)
    assert combination(season) == "curl-seam"
    calls = [("curl", "flat") if k % 2 else OTHER for k in range(48)]
    season_of(
        tmp_path / "s",
        [play_of(f"h{k % 3}-{k:02d}", sure(c), game=f"h{k % 3}") for k, c in enumerate(calls)],
    )
    season.read_game_again("g1", THRESHOLD)
    assert combination(season) == "flat-curl"
    season.correct("mine", "routes.route/O1", "curl")
    assert combination(season) == "flat-curl"


def test_what_the_other_side_ran_names_a_man_in_doubt(tmp_path: Path) -> None:
    """Two calls alike on the right but for one man; what is run on the left is one's or the other's."""
    calls = {"corner": ("slant", "wheel"), "post": ("curl", "out")}

    def both(play: str, right: tuple[dict[str, float], ...], left: tuple[str, ...]) -> dict[str, Any]:
        tables, other = play_of(play, right), play_of(play, sure(left))
        for row in other["players"]:
            row.update(side="left", lateral_play_yd=-row["lateral_play_yd"])
        for row in other["players"] + other["routes"]:
            row["player_id"] = f"L{row['player_id']}"
        return tables | {name: tables[name] + other[name] for name in ("players", "routes")}

    for route_run, left in calls.items():
        plays = [both(f"{r}{k}", sure(("comeback", r)), calls[r]) for k in range(6) for r in calls]
        mine = both("mine", (sure(CALL)[0], {"post": 0.5, "corner": 0.5}), left)
        season = season_of(tmp_path / route_run, [*plays, mine])
        season.read_game_again("g1", THRESHOLD)
        now = route(season)
        assert now["route"] == route_run and now["probability"] > 0.75
