"""The table of `underneath score`, its files, and the comparison with general-purpose trackers."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from models.evaluation.tally import Tally
from models.evaluation.tracking import count_tracks
from models.synthetic.faults import PRO, make_faulty
from models.synthetic.plays import simulate_play
from vision import score
from vision.records import Detections
from vision.score_peers import OURS, PeerCounts, clip_counts, peer_table, pictures, rows_of
from vision.score_table import GROUPS, Film, cell, csv_rows, pooled, text_table
from vision.trouble import FilmTrouble


def film(name: str, style: str, right: int, asked: int) -> Film:
    tally = Tally()
    for k in range(asked):
        tally.hit("route right", k < right)
    tally.add("position error yd", [0.1, 0.2, 0.9])
    truth = np.zeros((1, 4, 2))
    tally.tracks.append(count_tracks(truth, truth))
    return Film(name, style, tally)


FILMS = [film("north", "school", 3, 4), film("south", "school", 1, 4), film("east", "pro", 1200, 1200)]


def test_one_column_a_film_and_a_sum_for_a_shared_style() -> None:
    columns = [*FILMS, *pooled(FILMS)]
    assert [c.name for c in columns] == ["north", "south", "east", "all school"]
    lines = text_table(columns, 200).splitlines()
    assert lines[0].split() == ["figure", "(n)", "north", "south", "east", "all", "school"]
    assert lines[1].split() == ["school", "school", "pro"]
    row = next(line for line in lines if line.startswith("  route right "))
    assert row.split() == "route right 0.75 (4) 0.25 (4) 1.00 (1,200) 0.50 (8)".split()
    assert [line for line in lines if not line.startswith(" ")][1:] == ["players", "identities", "routes"]
    row = next(line for line in lines if "place error, 95th" in line)
    assert row.split()[-2:] == ["0.90", "(6)"]  # 95th of 0.1 0.1 0.2 0.2 0.9 0.9


def test_narrow_terminals_get_the_columns_below_each_other() -> None:
    text = text_table(FILMS, 64)
    assert max(map(len, text.splitlines())) <= 64
    assert sum(line.startswith("figure (n)") for line in text.splitlines()) > 1
    assert all(f.name in text for f in FILMS)


def test_blank_where_the_truth_has_nothing() -> None:
    assert cell(None, "value") == "–" and cell({"value": 0.5, "n": 1234}, "value") == "0.50 (1,234)"
    names = [name for _, rows in GROUPS for _, name, _ in rows]
    assert len({(n, s) for _, rows in GROUPS for _, n, s in rows}) == len(names)


def test_csv_holds_every_figure() -> None:
    rows = csv_rows([*FILMS, *pooled(FILMS)])
    assert list(rows.columns[:5]) == ["film", "style", "group", "figure", "n"]
    one = rows[(rows["film"] == "all school") & (rows["figure"] == "route right")].iloc[0]
    assert (one["value"], one["n"], one["group"]) == (0.5, 8, "routes")


def test_command_writes_table_json_and_csv(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    for name in ("a", "b"):
        (tmp_path / name / "truth").mkdir(parents=True)
        (tmp_path / name / "truth" / "game.json").write_text('{"standard": "ncaa", "style": "school"}')
    tallies = {"a": FILMS[0].tally, "b": FILMS[1].tally}
    monkeypatch.setattr(score, "process_folder", lambda *a: None)
    monkeypatch.setattr(score, "tally_of", lambda folder, season, standard: tallies[folder.name])
    out = ["--json", str(tmp_path / "x.json"), "--csv", str(tmp_path / "x.csv")]
    assert score.main([str(tmp_path / "a"), str(tmp_path / "b"), *out]) == 0
    assert "all school" in capsys.readouterr().out
    assert json.loads((tmp_path / "x.json").read_text())["all school"]["route right"]["n"] == 8
    assert len(pd.read_csv(tmp_path / "x.csv")) == 3 * len(FILMS[0].figures)
    with pytest.raises(FilmTrouble, match="no truth"):
        score.main([str(tmp_path)])


def test_peers_get_the_same_boxes_and_cameras() -> None:
    """With perfect places of ours, ours scores 1; the peers score something between 0 and 1."""
    play = simulate_play(77, "ncaa", "pass")
    boxes = make_faulty(play, 77, PRO)
    last = 90
    keep = boxes.frame < last
    d = Detections(**boxes.fields())
    d = Detections(
        d.frame[keep], d.xyxy_px[keep], d.confidence[keep], d.kind[keep], d.colour[keep], d.pts_s[:last],
        d.width_px, d.height_px,
    )  # fmt: skip
    rows = []
    for i, (who, team) in enumerate(zip(boxes.person_id, boxes.person_team, strict=True)):
        for f in range(last):
            rows.append((who, team, 2 * f, *boxes.xy_field_yd[i, f], bool(boxes.in_picture[i, f])))
    true = pd.DataFrame(rows, columns=["player_id", "team", "frame", "x_field_yd", "y_field_yd", "observed"])
    counts = clip_counts(d, 2, boxes.cameras, "ncaa", true[true["observed"]], true)
    assert counts[OURS].idf1 == 1.0
    assert set(counts) == {OURS, "ByteTrack", "OC-SORT", "SORT", "BoT-SORT"}
    for name in ("ByteTrack", "OC-SORT", "SORT"):
        assert 0.1 < counts[name].idf1 < 1.0
    text = peer_table([PeerCounts("one", {n: [c] for n, c in counts.items()})])
    assert f"{OURS:<28}" in text and "1.00 / 1.00 (1)" in text and "ahead of the best peer" in text


def test_rows_of_places() -> None:
    xy = np.full((2, 3, 2), np.nan)
    xy[1, 2] = 5, 6
    assert rows_of(xy, 2).to_dict("records") == [
        {"player_id": "t1", "team": "unknown", "frame": 4, "x_field_yd": 5.0, "y_field_yd": 6.0}
    ]


def test_pictures_in_order(tmp_path: Path) -> None:
    from vision.film.writer import write_film

    frames = [(k / 10, np.full((64, 96, 3), 40 * k, np.uint8)) for k in range(6)]
    path = tmp_path / "x.mp4"
    write_film(path, frames, Fraction(10))
    picture = pictures(path, 2)
    levels = [picture(k).mean() for k in (0, 2, 2, 1)]
    assert levels == pytest.approx([0, 160, 160, 80], abs=6)


def test_kept_passes_go_to_the_batch_and_are_not_given_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from vision import score_peers
    from vision.store import Season

    film = tmp_path / "film"
    (film / "clips").mkdir(parents=True)
    (film / "truth").mkdir()
    (film / "truth" / "game.json").write_text('{"standard": "ncaa", "style": "pro"}')
    clip = film / "clips" / "one.mp4"
    clip.write_bytes(b"film")
    keep, season_path = tmp_path / "keep", tmp_path / "s.duckdb"
    kept = score_peers.pass_path(keep, clip, "ncaa")
    assert kept != score_peers.pass_path(keep, clip, "nfl")  # another standard is another pass
    keep.mkdir()
    kept.write_bytes(b"a pass")
    assert score_peers.keep_passes(film, season_path, keep, 1, True) == 0
    room = tmp_path / ".s.duckdb.film"
    (given,) = room.iterdir()
    assert given.read_bytes() == b"a pass"
    given.unlink()  # as the batch does once the play is stored
    assert kept.exists()
    monkeypatch.setattr(Season, "finished_keys", lambda self: {given.stem})
    score_peers.keep_passes(film, season_path, keep, 1, True)
    assert not list(room.iterdir())


@pytest.mark.slow
def test_fault_table_names_both_fitted_settings() -> None:
    from vision import score_peers

    text = score_peers.fault_table(1, False)
    for name in ("fitted_school", "fitted_pro"):
        row = next(line for line in text.splitlines() if line.startswith(name))
        idf1 = float(row.split(OURS)[1].split("/")[0])
        assert 0.5 < idf1 <= 1.0


def test_a_man_carried_outside_the_picture_is_neither_right_nor_wrong() -> None:
    frames = np.arange(20)
    t = frames / 10
    place = lambda x: {"x_field_yd": 20.0 + x, "y_field_yd": np.full(len(x), 10.0)}  # noqa: E731
    in_picture = frames < 12  # the second man leaves after twelve frames; truth has no rows of him there
    one = pd.DataFrame({"frame": frames, "t_s": t, "player_id": "p|A", **place(0 * t)})
    two = pd.DataFrame({"frame": frames, "t_s": t, "player_id": "p|B", **place(5 + 3 * t)})
    common = {"play_id": "p", "team": "offense", "observed": True}
    true = pd.concat([one, two[in_picture]], ignore_index=True).assign(**common)
    whole = pd.concat([one.assign(entity_id="A"), two.assign(entity_id="B")]).assign(**common)
    ours = pd.concat([one, two]).assign(team="offense")
    fair = score.identity_counts(ours, score.with_men_outside(true, whole)).idf1
    blind = score.identity_counts(ours, true).idf1
    assert fair == pytest.approx(1.0)
    assert blind < 0.95
    lost = ours.assign(x_field_yd=ours["x_field_yd"] + 8.0 * (ours["player_id"] == "p|B"))
    assert score.identity_counts(lost, score.with_men_outside(true, whole)).idf1 < 0.8


def test_a_folders_roster_is_shown_and_the_table_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "film"
    (folder / "truth").mkdir(parents=True)
    (folder / "clips").mkdir()
    (folder / "truth" / "game.json").write_text('{"standard": "ncaa", "style": "school"}')
    (folder / "roster.csv").write_text("team,jersey,name,position\nX,12,A B,QB\n")
    monkeypatch.setattr("vision.batch.run_batch", lambda *a, **k: 0)
    for k, (shown, rows) in enumerate(((True, 1), (False, 0))):
        season = score.process_folder(folder, tmp_path / f"{k}.season", 1, True, shown)
        assert len(season.table("roster") if season.path.exists() else []) == rows
    assert score.what_was_shown(folder, True, True) == "film: without the sheet and with the roster"
    assert score.what_was_shown(folder, True, False) == "film: without the sheet and without the roster"
