"""Tracking tables of many spellings, units and zeros; every assumption said, every fault named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.synthetic.plays import PlayScript, simulate_play
from vision.table_words import event_of, find_columns, role_of, side_of
from vision.tables import TablePlay, plays_of_table, read_tracking_table, tracking_rows
from vision.trouble import SheetTrouble


@pytest.fixture(scope="module")
def scripts() -> dict[str, PlayScript]:
    return {str(100 + k): simulate_play(70_000 + k, "nfl", "pass") for k in range(3)}


def contract_table(scripts: dict[str, PlayScript]) -> pd.DataFrame:
    """As exports.md says: play_id, t_s, entity_id, team, x_field_yd, y_field_yd; 10 Hz, clock starting at
    0."""
    rows = []
    rng = np.random.default_rng(5)
    for play_id, s in scripts.items():
        t = np.asarray(s.t_s[::3]) - s.t_s[0]
        for p in s.people:
            if p.team != "official":
                xy = np.asarray(p.xy_field_yd[::3], float) + rng.normal(0, 0.05, (len(t), 2))
                rows += [
                    (play_id, round(a, 2), p.id, p.team, x, y, p.jersey)
                    for a, (x, y) in zip(t, xy, strict=True)
                ]
        ball = np.asarray(s.ball_field_yd[::3, :2], float)
        rows += [
            (play_id, round(a, 2), "ball", "ball", x, y, None) for a, (x, y) in zip(t, ball, strict=True)
        ]
    return pd.DataFrame(
        rows, columns=["play_id", "t_s", "entity_id", "team", "x_field_yd", "y_field_yd", "jersey"]
    )


def wild_table(scripts: dict[str, PlayScript]) -> pd.DataFrame:
    """The shape such data often have: x from the end line, club names, a football without id, time stamps,
    words."""
    table = contract_table(scripts)
    stamp = pd.Timestamp("2024-09-08T17:00:00Z")
    frame = (table["t_s"] * 10).round().astype(int) + 1
    out = pd.DataFrame(
        {
            "gameId": 2024090800,
            "playId": table["play_id"].astype(int),
            "someoneId": np.nan,
            "displayName": table["entity_id"].map(lambda e: "football" if e == "ball" else f"Man {e}"),
            "frameId": frame,
            "time": [(stamp + pd.Timedelta(seconds=float(t))).isoformat() for t in table["t_s"]],
            "jerseyNumber": table["jersey"],
            "club": table["team"].map({"offense": "OWLS", "defense": "ELMS", "ball": "football"}),
            "playDirection": "left",
            "x": table["x_field_yd"] + 10.0,
            "y": table["y_field_yd"],
            "o": 90.0,
            "dir": 10.0,
            "event": None,
        }
    )
    ids = {e: 40000.0 + k for k, e in enumerate(sorted(set(table["entity_id"]) - {"ball"}))}
    out["someoneId"] = table["entity_id"].map(ids)
    for play_id, s in scripts.items():
        for word, t in (
            ("ball_snap", 0.0),
            ("pass_forward", s.events["throw_s"]),
            ("pass_arrived", s.events["arrival_s"]),
        ):
            at = round((t - s.t_s[0]) * 10) + 1
            out.loc[(table["play_id"] == play_id) & (frame == at), "event"] = word
    return out


def read(table: pd.DataFrame, **more: object) -> list[TablePlay]:
    return list(plays_of_table(table, "nfl", **more))  # type: ignore[arg-type]


def test_contract_table_from_parquet_and_csv(tmp_path: Path, scripts: dict[str, PlayScript]) -> None:
    table = contract_table(scripts)
    table.to_parquet(tmp_path / "a.parquet")
    table.to_csv(tmp_path / "a.csv", index=False)
    for name in ("a.parquet", "a.csv"):
        plays = list(read_tracking_table(tmp_path / name))
        assert [p.play_id for p in plays] == list(scripts)
        first = plays[0]
        assert set(first.tracks.team) == {"offense", "defense"} and len(first.tracks.ids) == 22
        assert first.ball is not None and not first.events
        k = first.tracks.index("O1")
        script = scripts[first.play_id]
        assert first.tracks.xy_field_yd[k, 0] == pytest.approx(script.person("O1").xy_field_yd[0], abs=0.3)


def test_contract_table_is_understood(scripts: dict[str, PlayScript]) -> None:
    for found in read(contract_table(scripts)):
        s, play = scripts[found.play_id], found.understand("nfl")
        assert play.direction == s.direction and play.kind == "pass"
        assert play.snap_s.value + s.t_s[0] == pytest.approx(0.0, abs=0.15)
        assert play.los_field_yd.value == pytest.approx(s.los_field_yd, abs=0.6)
        assert play.throw_s.value + s.t_s[0] == pytest.approx(s.events["throw_s"], abs=0.25)
        rows = tracking_rows(play)
        assert rows["t_s"].min() == pytest.approx(s.t_s[0], abs=0.2)
        assert set(rows["team"]) == {"offense", "defense"}


def test_wild_table_is_recognised(scripts: dict[str, PlayScript]) -> None:
    plays = read(wild_table(scripts))
    assert [p.play_id for p in plays] == [f"2024090800-{k}" for k in scripts]
    for found, s in zip(plays, scripts.values(), strict=True):
        assert set(found.tracks.team) == {"A", "B"} and len(found.tracks.ids) == 22
        assert found.tracks.ids[0].isdigit()  # 40003.0 is written 40003
        assert found.ball is not None
        assert found.events["snap"] == pytest.approx(-s.t_s[0], abs=0.06)
        assert found.events["throw"] == pytest.approx(s.events["throw_s"] - s.t_s[0], abs=0.06)
        play = found.understand("nfl")
        assert play.los_field_yd.value == pytest.approx(s.los_field_yd, abs=0.6)
        assert play.direction == s.direction
        assert sum(m.team == "offense" for m in play.players) == 11


@pytest.mark.parametrize(("column", "scale", "word"), [("_m", 0.9144, "metres"), ("_ft", 3.0, "feet")])
def test_units_in_names_are_turned_into_yards(
    scripts: dict[str, PlayScript], column: str, scale: float, word: str
) -> None:
    table = contract_table(scripts)
    yards = table[["x_field_yd", "y_field_yd"]].to_numpy()
    table["x" + column], table["y" + column] = yards[:, 0] * scale, yards[:, 1] * scale
    table = table.drop(columns=["x_field_yd", "y_field_yd"])
    found = read(table, x_zero="goal line")[0]
    assert any(word in n for n in found.notes)
    k = found.tracks.index("O1")
    assert found.tracks.xy_field_yd[k, 0] == pytest.approx(yards[table["entity_id"] == "O1"][0], abs=1e-6)


def test_feet_and_metres_without_a_name_are_found_or_refused(scripts: dict[str, PlayScript]) -> None:
    table = contract_table(scripts)
    feet = table.assign(x=table["x_field_yd"] * 3, y=table["y_field_yd"] * 3).drop(
        columns=["x_field_yd", "y_field_yd"]
    )
    assert any("feet" in n for n in read(feet)[0].notes)
    lying = table.assign(y_field_yd=table["y_field_yd"] * 3)
    with pytest.raises(SheetTrouble, match="feet"):
        read(lying)
    many = {str(k): simulate_play(71_000 + k, "nfl", "pass") for k in range(16)}
    table = contract_table(many)
    metres = table.assign(x=(table["x_field_yd"] + 10) * 0.9144, y=table["y_field_yd"] * 0.9144)
    found = read(metres.drop(columns=["x_field_yd", "y_field_yd"]))[0]
    assert any("metres" in n for n in found.notes)
    plain = table.assign(x=table["x_field_yd"] + 10, y=table["y_field_yd"]).drop(
        columns=["x_field_yd", "y_field_yd"]
    )
    assert not any("metres" in n for n in read(plain)[0].notes)


def test_places_from_the_middle_of_the_field(scripts: dict[str, PlayScript]) -> None:
    table = contract_table(scripts)
    want = table.loc[0, ["x_field_yd", "y_field_yd"]].to_numpy(float)
    centred = table.assign(x=table["x_field_yd"] - 50, y=table["y_field_yd"] - 80 / 3)
    centred = centred.drop(columns=["x_field_yd", "y_field_yd"])
    found = read(centred, x_zero="middle")[0]
    assert found.tracks.xy_field_yd[0, 0] == pytest.approx(want, abs=1e-6)


def test_frames_only_and_coarse_times(scripts: dict[str, PlayScript]) -> None:
    table = contract_table(scripts)
    frames = table.assign(frame=(table["t_s"] * 10).round().astype(int)).drop(columns="t_s")
    found = read(frames)[0]
    assert any("10 a second" in n for n in found.notes)
    assert np.median(np.diff(found.tracks.t_s)) == pytest.approx(0.1)
    fast = read(frames, rate_hz=25)[0]
    assert np.median(np.diff(fast.tracks.t_s)) == pytest.approx(0.04)
    coarse = frames.assign(t_s=(frames["frame"] // 10).astype(float))
    assert any("too coarse" in n for n in read(coarse)[0].notes)


def test_own_mapping_and_own_events(scripts: dict[str, PlayScript], tmp_path: Path) -> None:
    table = contract_table(scripts).rename(
        columns={"x_field_yd": "laengs", "y_field_yd": "quer", "team": "partei"}
    )
    path = tmp_path / "t.csv"
    table.to_csv(path, index=False)
    events = tmp_path / "e.csv"
    pd.DataFrame({"play_id": [100, 100], "event": ["Snap", "Throw"], "t_s": [3.2, 5.7]}).to_csv(
        events, index=False
    )
    mapping = {"x_field_yd": "laengs", "y_field_yd": "quer", "team": "partei"}
    found = next(iter(read_tracking_table(path, columns=mapping, x_zero="goal line", events=events)))
    assert found.events == {"snap": 3.2, "throw": 5.7}
    with pytest.raises(SheetTrouble, match="no column found for team, x_field_yd, y_field_yd"):
        list(read_tracking_table(path))
    with pytest.raises(SheetTrouble, match="no column 'nowhere'"):
        list(read_tracking_table(path, columns={"x_field_yd": "nowhere"}))
    with pytest.raises(SheetTrouble, match="not one of"):
        list(read_tracking_table(path, columns={"ex": "laengs"}))


def test_gaps_doubles_and_strange_counts_are_said(scripts: dict[str, PlayScript]) -> None:
    table = contract_table({"100": scripts["100"]})
    gap = table[~((table["entity_id"] == "D3") & table["t_s"].between(1.0, 2.0))]
    found = read(gap)[0]
    row = found.tracks.index("D3")
    missing = (found.tracks.t_s >= 1.0) & (found.tracks.t_s <= 2.0)
    assert (
        not found.tracks.observed[row, missing].any()
        and np.isnan(found.tracks.xy_field_yd[row, missing]).all()
    )
    twice = table[(table["entity_id"] == "O8")].assign(x_field_yd=lambda t: t["x_field_yd"] + 5)
    found = read(pd.concat([table, twice]))[0]
    assert any("O8" in n and "two places" in n for n in found.notes)
    assert not found.tracks.observed[found.tracks.index("O8")].any() if "O8" in found.tracks.ids else True
    few = read(table[table["entity_id"] != "D11"])[0]
    assert any("21 men" in n for n in few.notes)


def test_bad_files_name_the_reason(tmp_path: Path) -> None:
    with pytest.raises(SheetTrouble, match="no such file"):
        list(read_tracking_table(tmp_path / "none.csv"))
    bad = tmp_path / "bad.csv"
    bad.write_text("a,b\n1,2\n")
    with pytest.raises(SheetTrouble, match="no column found for play_id"):
        list(read_tracking_table(bad))
    words = tmp_path / "words.csv"
    words.write_text("play_id,frame,entity_id,team,x_field_yd,y_field_yd\n1,1,a,offense,left,right\n")
    with pytest.raises(SheetTrouble, match="does not hold numbers"):
        list(read_tracking_table(words))
    broken = tmp_path / "broken.parquet"
    broken.write_bytes(b"not a table")
    with pytest.raises(SheetTrouble, match="not readable"):
        list(read_tracking_table(broken))


def test_words() -> None:
    words = ("ball_snap", "pass_arrived", "line_set", "qb_sack", "pass_forward", "huddle")
    assert [event_of(w) for w in words] == [
        "snap", "arrival", "line_set", "end", "throw", "",
    ]  # fmt: skip
    assert event_of("pass_outcome_incomplete") == "arrival" and event_of("man_in_motion") == ""
    assert [role_of(w) for w in ("FB", "ILB", "SS", "NT", "LT", "K", None)] == [
        "RB",
        "LB",
        "S",
        "DL",
        "OL",
        "",
        "",
    ]
    assert [side_of(w) for w in ("Offense", "football", "OWLS")] == ["offense", "ball", ""]
    columns = find_columns(["gameId", "playId", "frameId", "oneId", "club", "x", "y", "s", "dir"], None, "t")
    assert columns["entity_id"] == "oneId" and columns["team"] == "club" and columns["frame"] == "frameId"
