"""The season file: whole plays or nothing, several processes, corrections that stay."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from vision.clips import locate
from vision.store import Season, film_key
from vision.store.columns import EXPORTED, names
from vision.trouble import StoreTrouble


def play(number: int, shift_yd: float = 0.0, prefix: str = "O", route: str = "curl") -> dict[str, Any]:
    """A small play: two receivers and a defender, tracks round the snap."""
    ids = [f"{prefix}1", f"{prefix}2", "D1"]
    place = {ids[0]: (40.0, 10.0), ids[1]: (40.0, 44.0), "D1": (46.0, 12.0)}
    return {
        "plays": [
            {
                "play_id": f"P{number}",
                "snap_s": 2.5,
                "snap_s_source": "measured",
                "snap_s_sd_s": 0.05,
                "throw_s": 5.0,
                "throw_source": "measured",
                "time_to_throw_s": 2.5,
                "direction": 1,
                "down": 0,
                "los_field_yd": np.float32(40),
                "kind": "pass",
                "yards": float("nan"),
            }
        ],
        "players": [
            {
                "player_id": i,
                "team": "defense" if i[0] == "D" else "offense",
                "role": "LB" if i[0] == "D" else "WR",
                "jersey": "7" if i == ids[0] else "",
                "jersey_probability": 0.9 if i == ids[0] else None,
            }
            for i in ids
        ],
        "routes": [
            {"player_id": i, "route": route, "probability": 0.8, "runner_up": "hitch"} for i in ids[:2]
        ],
        "tracks": [
            {
                "frame": f,
                "t_s": (f - 5) / 30,
                "player_id": i,
                "team": None,
                "x_field_yd": place[i][0] + shift_yd + f * 0.01,
                "y_field_yd": place[i][1],
                "observed": np.bool_(True),
            }
            for i in ids
            for f in range(10)
        ],
        "drops": [{"player_id": "D1", "deepest_play_yd": 9.5}],
        "cameras": [{"frame": f, "pts_s": f / 30, "status": "measured"} for f in range(10)],
    }


def meta(number: int, key: str = "k") -> dict[str, Any]:
    return {
        "clip_id": f"c{number}",
        "path": f"c{number}.mp4",
        "view": "sideline",
        "frames": 10,
        "film_key": f"{key}{number}",
        "game_id": "G1",
        "play_number": str(number),
    }


@pytest.fixture
def season(tmp_path: Path) -> Season:
    season = Season(tmp_path / "s.underneath")
    season.write_play(meta(1), play(1))
    return season


def test_rows_come_back_and_blank_stays_blank(season: Season) -> None:
    row = season.table("plays").iloc[0]
    assert row["snap_source"] == "measured" and row["snap_sd_s"] == 0.05 and row["los_field_yd"] == 40
    assert pd.isna(row["yards"]) and pd.isna(row["down"]) and row["game_id"] == "G1"
    players = season.table("players").set_index("player_id")
    assert players.loc["O1", "jersey"] == 7 and pd.isna(players.loc["O2", "jersey"])
    assert len(season.table("tracks")) == 30 and set(season.table("tracks")["clip_id"]) == {"c1"}
    assert season.finished_keys() == {"k1"}


def test_film_is_found_after_season_and_film_moved_together(tmp_path: Path) -> None:
    (tmp_path / "a" / "film").mkdir(parents=True)
    film = tmp_path / "a" / "film" / "c7.mp4"
    film.write_bytes(b"x")
    season = Season(tmp_path / "a" / "s.season")
    season.write_play({**meta(7), "path": str(film)}, play(7))
    assert season.table("clips")["path"][0] == "film/c7.mp4"
    (tmp_path / "a").rename(tmp_path / "b")
    moved = Season(tmp_path / "b" / "s.season")
    assert locate(moved, moved.table("clips")["path"][0]) == tmp_path / "b" / "film" / "c7.mp4"


def test_second_write_replaces_only_that_play(season: Season) -> None:
    season.write_play(meta(2), play(2))
    again = play(1)
    again["tracks"] = again["tracks"][:4]
    again["cameras"] = again["cameras"][:3]
    season.write_play(meta(1), again)
    tracks = season.table("tracks")
    assert (tracks["play_id"] == "P1").sum() == 4 and (tracks["play_id"] == "P2").sum() == 30
    assert (season.table("cameras")["clip_id"] == "c1").sum() == 3
    assert len(season.table("clips")) == 2 and len(season.table("plays")) == 2


def test_two_plays_on_one_reel_keep_both_cameras(season: Season) -> None:
    for number, first in ((11, 0), (12, 100)):
        rows = play(number)
        for row in rows["cameras"]:
            row["frame"] += first
        season.write_play({**meta(number), "clip_id": "reel"}, rows)
    assert len(season.table("cameras").query("clip_id == 'reel'")) == 20
    season.write_play(
        {**meta(12), "clip_id": "reel"},
        {**play(12), "cameras": [{"frame": 103, "pts_s": 1.0, "status": "lost"}]},
    )
    assert len(season.table("cameras").query("clip_id == 'reel' and frame < 100")) == 10


@pytest.mark.parametrize(
    "table,change,words",
    [
        (
            "matchups",
            {"receiver_id": "O1", "defender_id": "D1", "kind": "closest", "moment": "snap"},
            "closest",
        ),
        ("players", {"player_id": "O1", "role": "WRR"}, "did you mean 'WR'"),
        ("players", {"role": "WR"}, "player_id is blank"),
        ("routes", {"player_id": "O1", "break_s": "soon"}, "routes.break_s"),
        ("drops", {"player_id": "D1", "deepest": [1, 2]}, "holds a list"),
    ],
)
def test_wrong_rows_are_refused_and_nothing_is_stored(
    season: Season, table: str, change: dict[str, Any], words: str
) -> None:
    before = season.table("plays")
    with pytest.raises(StoreTrouble, match=words):
        season.write_play(meta(5), {**play(5), table: [change]})
    assert season.table("plays").equals(before)


def test_failure_keeps_what_was_stored(season: Season) -> None:
    season.write_failure({"clip_id": "c1", "path": "c1.mp4"}, "no field found")
    season.write_failure({"clip_id": "c9", "path": "c9.mp4"}, "not a film file")
    report = season.clip_report().set_index("clip_id")
    assert report.loc["c1", "status"] == "done" and "no field found" in report.loc["c1", "reason"]
    assert report.loc["c9", "status"] == "failed"
    season.write_play(meta(9), play(9))
    assert list(season.table("clips").query("clip_id == 'c9'")["status"]) == ["done"]


def test_added_columns_are_kept_and_exported_after_the_promised_ones(season: Season, tmp_path: Path) -> None:
    rows = play(3)
    rows["drops"][0]["landmark_error_yd"] = 1.25
    season.write_play(meta(3), rows)
    season.export_table("drops", tmp_path / "drops.parquet")
    table = pq.read_table(tmp_path / "drops.parquet")
    promised = list(names("drops", exported=True))
    assert table.column_names[: len(promised)] == promised and "landmark_error_yd" in table.column_names


@pytest.mark.parametrize("table", list(EXPORTED))
def test_exported_columns_are_the_contract(season: Season, tmp_path: Path, table: str) -> None:
    season.export_table(table, tmp_path / f"{table}.csv", "csv")
    header = (tmp_path / f"{table}.csv").read_text().splitlines()[0].split(",")
    promised = list(names(table, exported=True))
    assert header[: len(promised)] == promised


def test_correction_stays_through_new_analysis_with_new_ids(season: Season) -> None:
    season.correct("P1", "routes.route/O1", "hook", who="analyst")
    season.correct("P1", "plays.snap_s", "2.7", who="analyst")
    first = season.table("routes").set_index("player_id")
    assert first.loc["O1", "route"] == "hook" and first.loc["O1", "source"] == "corrected"
    assert pd.isna(first.loc["O1", "probability"]) and first.loc["O2", "route"] == "curl"
    assert season.table("plays").iloc[0]["time_to_throw_s"] == pytest.approx(2.3)
    season.write_play(meta(1), play(1, shift_yd=0.6, prefix="X", route="comeback"))
    routes = season.table("routes").set_index("player_id")
    assert routes.loc["X1", "route"] == "hook" and routes.loc["X2", "route"] == "comeback"
    assert season.table("plays").iloc[0]["snap_source"] == "corrected"
    rows = season.corrections("P1").set_index("what")
    assert rows.loc["routes.route/O1", "before"] == "comeback"
    season.withdraw(int(rows.loc["routes.route/O1", "correction_id"]))
    back = season.table("routes").set_index("player_id").loc["X1"]
    assert back["route"] == "comeback" and back["probability"] == 0.8 and back["runner_up"] == "hitch"


def test_correction_waits_when_the_man_is_gone(season: Season) -> None:
    season.correct("P1", "players.role/D1", "CB")
    moved = play(1, shift_yd=5.0)
    season.write_play(meta(1), moved)
    assert list(season.corrections("P1")["state"]) == ["waiting"]
    assert season.table("players").set_index("player_id").loc["D1", "role"] == "LB"
    season.write_play(meta(1), play(1))
    assert season.table("players").set_index("player_id").loc["D1", "role"] == "CB"


@pytest.mark.parametrize(
    "play_id,what,after,words",
    [
        ("P9", "plays.snap_s", 1, "no play 'P9'"),
        ("P1", "routes.route/O7", "curl", "players there: O1, O2"),
        ("P1", "routes.rute/O1", "curl", "nearest: route"),
        ("P1", "plays.snap_s", "early", "give a number"),
        ("P1", "players.role/O1", "wideout", "one of QB"),
        ("P1", "tracks.x_field_yd/O1", 3, "cannot be corrected"),
    ],
)
def test_wrong_corrections(season: Season, play_id: str, what: str, after: Any, words: str) -> None:
    with pytest.raises(StoreTrouble) as found:
        season.correct(play_id, what, after)
    assert words.lower() in str(found.value).lower()


def _worker(path: str, first: int) -> None:
    for number in range(first, first + 5):
        Season(path).write_play(meta(number), play(number))


def test_several_processes_write_and_one_reads(tmp_path: Path) -> None:
    path = tmp_path / "many.underneath"
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_worker, args=(str(path), 10 * k)) for k in (1, 2, 3)]
    for worker in workers:
        worker.start()
    while any(worker.is_alive() for worker in workers):
        if path.exists():
            try:
                counts = Season(path).query("SELECT play_id, count(*) AS n FROM tracks GROUP BY 1")
            except StoreTrouble:  # the file exists but its first write is not yet through
                continue
            assert (counts["n"] == 30).all()  # never half a play
        time.sleep(0.05)
    assert all(worker.exitcode == 0 for worker in workers)
    assert len(Season(path).table("plays")) == 15


def test_killed_in_the_middle_of_a_write(tmp_path: Path) -> None:
    path = tmp_path / "killed.underneath"
    Season(path).write_play(meta(1), play(1))
    code = (
        "import sys, time; sys.path.insert(0, 'tests/vision')\n"
        "from test_store import play, meta\n"
        "from vision.store.connect import writing\n"
        "from vision.store.writer import write_play\n"
        "from pathlib import Path\n"
        f"with writing(Path({str(path)!r})) as db:\n"
        "    write_play(db, meta(2), play(2), None)\n"
        "    print('inside', flush=True); time.sleep(60)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None and process.stdout.readline().strip() == "inside"
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    assert list(Season(path).table("plays")["play_id"]) == ["P1"]
    Season(path).write_play(meta(2), play(2))
    assert len(Season(path).table("plays")) == 2


def test_foreign_newer_and_missing_files(tmp_path: Path) -> None:
    with pytest.raises(StoreTrouble, match="no such season file"):
        Season(tmp_path / "none").table("plays")
    text = tmp_path / "text"
    text.write_text("hello " * 1000)
    with pytest.raises(StoreTrouble, match="not a season file|cannot be opened"):
        Season(text).table("plays")
    other = tmp_path / "other.duckdb"
    with duckdb.connect(str(other)) as db:
        db.execute("CREATE TABLE t (a INT)")
    with pytest.raises(StoreTrouble, match="not a season of this program"):
        Season(other).write_play(meta(1), play(1))
    newer = Season(tmp_path / "newer")
    newer.write_play(meta(1), play(1))
    newer.set_fact("schema_version", "99")
    with pytest.raises(StoreTrouble, match="newer version"):
        newer.table("plays")


def test_free_sql_is_fenced(season: Season, tmp_path: Path) -> None:
    assert season.query("SELECT count(*) AS n FROM receivers")["n"][0] == 2
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")
    for sql in (
        f"SELECT * FROM '{secret}'",
        f"COPY plays TO '{tmp_path / 'out.csv'}'",
        "DELETE FROM plays",
        "SELECT nothing FROM plays",
    ):
        with pytest.raises(StoreTrouble, match="SQL"):
            season.query(sql)
    with pytest.raises(StoreTrouble, match="stopped"):
        season.query(
            "SELECT count(*) FROM range(100000000) a, range(100000) b WHERE (a.range * b.range) % 7 = 3",
            limit_s=0.3,
        )
    assert len(season.table("plays")) == 1 and not (tmp_path / "out.csv").exists()


def test_key_follows_content_not_name(tmp_path: Path) -> None:
    a, b = tmp_path / "a", tmp_path / "b"
    a.write_bytes(b"film" * 1000)
    b.write_bytes(b"film" * 1000)
    assert film_key(a, {"standard": "ncaa"}) == film_key(b, {"standard": "ncaa"})
    assert film_key(a, {"standard": "nfhs"}) != film_key(a, {"standard": "ncaa"})
    b.write_bytes(b"film" * 999 + b"fil.")
    assert film_key(a) != film_key(b)


def test_runs_and_rosters(season: Season) -> None:
    run = season.start_run({"standard": "ncaa"}, {"detector": "abc"}, "0.1.0")
    season.write_play(meta(4), play(4), run_id=run)
    season.finish_run(run)
    assert set(season.table("routes", ["P4"])["run_id"]) == {run}
    assert season.table("runs")["finished"].notna().all()
    season.write_roster([{"team": "Alder", "jersey": 7, "name": "A. Birch", "position": "WR"}])
    season.write_roster([{"team": "Alder", "jersey": 8, "name": "B. Birch", "position": "WR"}])
    assert list(season.table("roster")["jersey"]) == [8]
