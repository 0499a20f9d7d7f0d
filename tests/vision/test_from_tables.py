"""A tracking table into the season and out as answers, without film: the second way in, whole."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.synthetic.plays import PlayScript, simulate_play
from vision.commands import main
from vision.from_tables import run_tracks
from vision.store import Season


def table_of(scripts: list[PlayScript]) -> pd.DataFrame:
    """10 Hz rows as a tracking system delivers them: no roles, no direction, no events."""
    parts = []
    for number, script in enumerate(scripts, 1):
        t = script.t_s[::3] + 3.0
        for man in script.people:
            if man.team != "official":
                xy = man.xy_field_yd[::3]
                parts.append(pd.DataFrame({"play_id": number, "t_s": t, "entity_id": man.id, "team": man.team,
                                           "x_field_yd": xy[:, 0], "y_field_yd": xy[:, 1]}))  # fmt: skip
        ball = script.ball_field_yd[::3]
        parts.append(pd.DataFrame({"play_id": number, "t_s": t, "entity_id": "ball", "team": "ball",
                                   "x_field_yd": ball[:, 0], "y_field_yd": ball[:, 1]}))  # fmt: skip
    return pd.concat(parts, ignore_index=True)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> tuple[Season, list[PlayScript], Path]:
    folder = tmp_path_factory.mktemp("t")
    scripts = [simulate_play(s, "nfl", k) for s, k in ((302, "pass"), (304, "pass"), (303, "run"))]
    table_of(scripts).to_csv(folder / "week.csv", index=False)
    stored, refused = run_tracks(folder / "week.csv", folder / "t.season", standard="nfl")
    assert (stored, refused) == (3, [])
    return Season(folder / "t.season"), scripts, folder


def test_snap_line_and_depths_against_the_script(season: tuple[Season, list[PlayScript], Path]) -> None:
    store, scripts, _ = season
    plays = store.table("plays").set_index("play_id")
    for number, script in enumerate(scripts[:2], 1):
        row = plays.loc[str(number)]
        assert row["snap_s"] == pytest.approx(3.0, abs=0.2)
        assert row["los_field_yd"] == pytest.approx(script.los_field_yd, abs=1.0)
        assert row["direction"] == script.direction
    matchups = store.table("matchups").query("moment == 'snap' and kind == 'nearest'")
    for row in matchups.itertuples():
        script = scripts[int(row.play_id) - 1]
        at = int(np.argmin(np.abs(script.t_s)))
        gap = script.person(row.receiver_id).xy_field_yd[at] - script.person(row.defender_id).xy_field_yd[at]
        assert row.distance_yd == pytest.approx(float(np.hypot(*gap)), abs=0.8)


def test_page_and_questions_without_film(
    season: tuple[Season, list[PlayScript], Path], capsys: pytest.CaptureFixture
) -> None:
    store, _, folder = season
    for args in (["ask", "combinations"], ["find", "--target"], ["todo"], ["page", str(folder / "page")]):
        assert main([*args, "--season", str(store.path)]) == 0
    assert "3 plays stored" in capsys.readouterr().out
    assert (folder / "page" / "plays" / "1.svg").exists()


def test_command_and_bad_table(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    (tmp_path / "bad.csv").write_text("a,b\n1,2\n")
    status = main(["process", "--tracks", str(tmp_path / "bad.csv"), "--season", str(tmp_path / "s.season"),
                   "--standard", "nfl"])  # fmt: skip
    err = capsys.readouterr().err
    assert status == 5 and err.count("\n") == 1 and "bad.csv" in err


def test_corrected_snap_is_where_a_new_analysis_starts(
    season: tuple[Season, list[PlayScript], Path], tmp_path: Path
) -> None:
    store, _, folder = season
    copy = Season(tmp_path / "copy.season")
    shutil.copyfile(store.path, copy.path)
    before = copy.table("plays").set_index("play_id").loc["1"]
    copy.correct("1", "plays.snap_s", before["snap_s"] + 0.4)
    (tmp_path / "sheet.csv").write_text("play,offense,defense,quarter\n1,Millrace,Harbor,2\n")
    run_tracks(folder / "week.csv", copy.path, standard="nfl", sheet=tmp_path / "sheet.csv")
    after = copy.table("plays").set_index("play_id").loc["1"]
    assert after["snap_s"] == pytest.approx(before["snap_s"] + 0.4) and after["snap_source"] == "corrected"
    assert (after["offense"], after["quarter"]) == ("Millrace", 2)
    at_snap = copy.table("tracks", ["1"])["t_s"].min() - store.table("tracks", ["1"])["t_s"].min()
    assert at_snap == pytest.approx(-0.4, abs=0.01)  # all times count from the corrected snap


def test_plays_of_a_table_are_named_again_by_one_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scripts = [simulate_play(302, "nfl", "pass")] * 4
    table_of(scripts).to_csv(tmp_path / "week.csv", index=False)
    run_tracks(tmp_path / "week.csv", tmp_path / "a.season", standard="nfl")
    monkeypatch.setattr(Season, "read_game_again", lambda *_: 0)
    run_tracks(tmp_path / "week.csv", tmp_path / "b.season", standard="nfl")
    again, alone = (Season(tmp_path / f"{name}.season").table("routes") for name in "ab")
    assert (again["route_chances"] == alone["route_chances"]).all() and again["route_chances"].notna().all()
    split = again["probability"] - alone["probability"]
    assert split.abs().max() > 0.01  # a call run four times is surer


def test_a_second_look_that_fails_takes_nothing_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(self: Season, game_id: str, threshold: float) -> int:
        raise ValueError("no sets")

    monkeypatch.setattr(Season, "read_game_again", fails)
    table_of([simulate_play(304, "nfl", "pass")]).to_csv(tmp_path / "week.csv", index=False)
    told: list[str] = []
    stored, refused = run_tracks(
        tmp_path / "week.csv", tmp_path / "t.season", standard="nfl", tell=told.append
    )
    assert (stored, refused) == (1, []) and len(Season(tmp_path / "t.season").table("routes"))
    assert told == ["not read again: game week: ValueError: no sets"]
