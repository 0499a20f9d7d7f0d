"""The commands as a person types them: what they print, write, and say when something is wrong."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import threading
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from made_season import PLAYS, made_copy

from calibration.camera import Camera
from vision.clips import chapters
from vision.commands import build_parser, main
from vision.film import open_clip, write_film
from vision.sheets.page import make_server
from vision.show import project
from vision.store import Season
from vision.store.columns import EXPORTED, names


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season whose first two have film."""
    folder = tmp_path_factory.mktemp("c")
    rng = np.random.default_rng(3)
    for name in ("g1_001_side.mp4", "g1_002_side.mp4"):
        ground = np.kron(rng.integers(40, 90, (9, 16, 3)), np.ones((16, 16, 1))).astype(np.uint8)
        write_film(folder / name, [(i / 30, ground) for i in range(300)])
    made_copy(folder / "made.season")
    return folder


@pytest.fixture
def run(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture) -> Any:
    """Run a command line on the season; returns (status, stdout, stderr)."""
    monkeypatch.setenv("UNDERNEATH_SEASON", str(folder / "made.season"))
    monkeypatch.setenv("COLUMNS", "150")

    def call(*args: object) -> tuple[int, str, str]:
        status = main([str(a) for a in args])
        out = capsys.readouterr()
        return status, out.out, out.err

    return call


def test_a_detector_that_is_not_there_is_said_before_any_work(
    run: Any, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from models.detector import detector

    monkeypatch.setitem(detector.SIZES, "nano", tmp_path / "detector_nano.pt")
    film, out = folder / "g1_001_side.mp4", tmp_path / "boxes.csv"
    for line in (
        ("process", film, "--standard", "nfhs", "--season", tmp_path / "n.season"),
        ("detect", film, "--out", out),
    ):
        status, _, said = run(*line, "--detector", "nano")
        assert status == 2 and "does not come with this copy; there: small, fast" in said
        status, _, said = run(*line, "--detector", "large")
        assert status == 2 and "'large' is not known" in said
    assert not out.exists()


def test_every_command_and_option_has_help() -> None:
    parser = build_parser()
    commands = next(a for a in parser._actions if hasattr(a, "choices") and a.choices)
    expected = (
        "process find ask cutup sheet page export show detect calibrate todo correct corrections labels"
    )
    assert {*expected.split(), "train", "evaluate", "score"} <= set(commands.choices)
    for name, command in commands.choices.items():
        for action in command._actions:
            assert action.help or action.dest in ("rest", "what"), f"{name} {action.dest}"


def test_options_of_score_may_come_first(
    run: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, _, said = run("score", "--workers", 1, tmp_path / "nothing")
    assert status != 0 and "no truth beside this film" in said
    (tmp_path / "a.season").write_bytes(b"")
    status, _, said = run("score", "--season", tmp_path / "a.season", tmp_path / "nothing")
    assert status == 4 and "names a folder" in said
    with pytest.raises(SystemExit) as end:
        main(["score", "--help"])
    assert end.value.code == 0 and "--peers" in capsys.readouterr().out


def test_find_prints_and_saves(run: Any, tmp_path: Path) -> None:
    status, out, _ = run("find", "--route", "go", "--csv", tmp_path / "a.csv", "--json", tmp_path / "a.json")
    table = pd.read_csv(tmp_path / "a.csv")
    assert status == 0 and set(table["route"]) == {"go"} and f"{len(table)} receivers" in out
    assert len(json.loads((tmp_path / "a.json").read_text())) == len(table)


def test_group_and_sql(run: Any) -> None:
    status, out, _ = run("find", "--group", "combination")
    assert status == 0 and "combination" in out and "completed" in out
    status, out, _ = run("find", "--sql", "SELECT count(*) AS plays FROM plays")
    assert status == 0 and re.search(rf"\b{PLAYS}\b", out)


def test_ask(run: Any) -> None:
    for question in ("curls", "combinations", "scout"):
        status, out, _ = run("ask", question)
        assert status == 0 and "?" in out and "Measured from film" in out


@pytest.mark.parametrize("args,status,words", [
    (("find", "--route", "curle"), 6, "Nearest: curl"),
    (("find", "--season", "none.season"), 4, "no such season file"),
    (("find", "--sql", "SELECT x FROM plays"), 4, "SQL"),
    (("ask", "curlz"), 6, "Nearest: curls"),
    (("sheet", "player", "x.html"), 6, "Name a defender"),
    (("sheet", "curls", "x.docx"), 2, ".html or .pdf"),
    (("correct", "g1-001", "route", "banana"), 6, "not known"),
    (("correct", "g1-001", "route", "crosser", "--player", "O1"), 6, "several routes"),
    (("show", "nothing.mp4"), 6, "no clip or play"),
    (("process", "nowhere", "--season", "s", "--standard", "ncaa"), 3, "no such file or folder"),
    (("process", "--season", "s", "--standard", "ncaaa"), 2, "did you mean ncaa"),
    (("process", "--season", "s", "--standard", "ncaa"), 3, "nothing to process"),
    (("process", "--tracks", "t.csv", "--season", "s", "--standard", "nfl"), 5, "no such tracking table"),
    (("calibrate", "none.mp4", "--standard", "nfl", "--out", "x"), 3, "no such file"),
    (("cutup", "x.mp4", "--route", "screen", "--down", "4"), 6, "no play fits"),
])  # fmt: skip
def test_trouble_is_one_plain_line(
    run: Any, args: tuple[str, ...], status: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    got, _, err = run(*args)
    assert got == status and words in err
    assert err.count("\n") == 1 and "Traceback" not in err and err.startswith("underneath ")


def test_empty_folder_and_odd_sheet(run: Any, tmp_path: Path) -> None:
    status, _, err = run("process", tmp_path, "--season", tmp_path / "s", "--standard", "ncaa")
    assert status == 3 and "no film in this folder" in err
    (tmp_path / "sheet.csv").write_text("a,b\n1,2\n")
    (tmp_path / "a.mp4").write_bytes(b"x")
    status, _, err = run("process", tmp_path, "--season", tmp_path / "s", "--standard", "ncaa",
                         "--sheet", tmp_path / "sheet.csv")  # fmt: skip
    assert status == 5 and "no column for the play" in err


def test_cutup_is_real_film_with_chapters(run: Any, tmp_path: Path) -> None:
    out_path = tmp_path / "reel.mp4"
    status, out, _ = run("cutup", out_path, "--play", "g1-001,g1-002", "--lead", "1", "--card", "1")
    assert status == 0, out
    clip = open_clip(out_path)
    index = pd.read_csv(tmp_path / "reel.csv")
    assert list(index["play_id"]) == ["g1-001", "g1-002"]
    assert clip.duration_s == pytest.approx(index["reel_end_s"].iloc[-1], abs=0.15)
    assert (clip.width_px, clip.height_px) == (256, 144)
    vtt = (tmp_path / "reel.vtt").read_text()
    assert vtt.startswith("WEBVTT") and vtt.count("-->") == 2
    card, film = clip.picture(clip.frame_near(0.5)), clip.picture(clip.frame_near(1.5))
    assert np.abs(card.astype(int) - film).mean() > 10  # the card is not the film


def test_cutup_names_clips_that_are_gone(run: Any, tmp_path: Path) -> None:
    status, out, _ = run("cutup", tmp_path / "r.mp4", "--play", "g1-001,g1-003")
    assert status == 1 and "g1-003" in out and "--film" in out
    assert (tmp_path / "r.mp4").exists()


def test_chapter_clock() -> None:
    text = chapters(pd.DataFrame([{"reel_start_s": 3599.9996, "reel_end_s": 3601.25, "title": "a --> <b>"}]))
    assert "01:00:00.000 --> 01:00:01.250" in text and "a → &lt;b>" in text


def test_export_and_index(run: Any, tmp_path: Path) -> None:
    status, _, _ = run("export", tmp_path, "--kind", "parquet,csv")
    assert status == 0
    for table in EXPORTED:
        data = pd.read_parquet(tmp_path / f"{table}.parquet")
        promised = list(names(table, exported=True))
        assert list(data.columns)[: len(promised)] == promised
        assert len(pd.read_csv(tmp_path / f"{table}.csv", low_memory=False)) == len(data)
    assert "snap_s" in pd.read_csv(tmp_path / "clip_index.csv")


def test_sheets_hold_the_numbers_and_the_cautions(run: Any, tmp_path: Path, folder: Path) -> None:
    season = Season(folder / "made.season")
    jersey = int(season.frame("defenders")["jersey"].dropna().mode()[0])
    for args in (("curls",), ("scout",), ("player", "--defender", jersey)):
        path = tmp_path / f"{args[0]}.html"
        status, _, _ = run("sheet", args[0], path, *args[1:])
        text = path.read_text()
        assert status == 0 and "medical or return-to-play" in text and "<svg" in text
        assert "http" not in text.replace("http://www.w3.org/2000/svg", "")  # nothing from outside


@pytest.mark.skipif(not shutil.which("chromium"), reason="needs Chromium")
@pytest.mark.slow
def test_pdf_has_text(run: Any, tmp_path: Path) -> None:
    status, _, _ = run("sheet", "combinations", tmp_path / "c.pdf")
    text = subprocess.run(["pdftotext", tmp_path / "c.pdf", "-"], capture_output=True, text=True).stdout
    assert status == 0 and "combinations hurt us" in text


def test_page_is_whole_and_offline(run: Any, tmp_path: Path, folder: Path) -> None:
    status, _, _ = run("page", tmp_path / "page")
    text = (tmp_path / "page" / "index.html").read_text()
    data = json.loads(re.search(r'<script id="data"[^>]*>(.*?)</script>', text, re.S).group(1))  # type: ignore[union-attr]
    season = Season(folder / "made.season")
    assert status == 0 and len(data["receivers"]) == len(season.frame("receivers"))
    assert set(data["plays"]) == set(season.table("plays")["play_id"])
    for play in data["plays"].values():
        assert (tmp_path / "page" / play["svg"]).read_text().startswith("<svg")
    film = data["plays"]["g1-001"]["film"]["sideline"]
    assert (tmp_path / "page" / film["near"]).resolve() == (folder / "g1_001_side.mp4").resolve()
    assert "https://" not in text and 'src="http' not in text


def test_served_film_can_be_sought_and_nothing_else_is_reached(tmp_path: Path, folder: Path) -> None:
    season = Season(folder / "made.season")
    (tmp_path / "index.html").write_text("the page")
    server = make_server(season, tmp_path, 0)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    base = f"http://127.0.0.1:{server.server_port}"
    try:
        film = (folder / "g1_001_side.mp4").read_bytes()
        wanted = urllib.request.Request(
            f"{base}/film/g1-001/sideline.mp4", headers={"Range": "bytes=100-199"}
        )
        with urllib.request.urlopen(wanted) as reply:
            assert reply.status == 206 and reply.read() == film[100:200]
            assert reply.headers["Content-Range"] == f"bytes 100-199/{len(film)}"
        assert urllib.request.urlopen(f"{base}/film/g1-001/sideline.mp4").read() == film
        assert urllib.request.urlopen(f"{base}/index.html").read() == b"the page"
        for path in ("/film/../../etc/passwd", "/film/g1-003/sideline.mp4", "/%2e%2e/%2e%2e/etc/passwd"):
            with pytest.raises(urllib.error.HTTPError):
                urllib.request.urlopen(base + path)
    finally:
        server.shutdown()
        server.server_close()


def test_correct_list_withdraw(run: Any, folder: Path) -> None:
    season = Season(folder / "made.season")
    row = season.frame("receivers").iloc[0]
    status, out, _ = run(
        "correct", row["play_id"], "route", "wheel", "--player", row["receiver_id"], "--who", "qc"
    )
    assert status == 0 and "→ wheel" in out
    status, out, _ = run("corrections", "--play", row["play_id"])
    assert "wheel" in out and "qc" in out
    number = int(season.corrections()["correction_id"].iloc[-1])
    assert run("corrections", "--withdraw", number)[0] == 0
    assert season.frame("receivers").iloc[0]["route"] == row["route"]


def test_labels_out_and_in(run: Any, tmp_path: Path, folder: Path) -> None:
    copy = tmp_path / "copy.season"
    shutil.copy(folder / "made.season", copy)
    assert run("labels", tmp_path / "set", "--season", copy)[0] == 0
    path = tmp_path / "set" / "labels.csv"
    table = pd.read_csv(path, dtype=str).fillna("")
    assert (tmp_path / "set" / table["diagram"][0]).exists()
    table.loc[0, "route"], table.loc[1, "route"], table.loc[2, "route"] = "Post", "bananas", "dig"
    table.to_csv(path, index=False)
    status, out, _ = run("labels", path, "--read", "--season", copy)
    assert status == 1 and "2 labels" in out and "line 3" in out
    routes = Season(copy).table("routes").set_index(["play_id", "player_id"])
    assert routes.loc[(table["play_id"][0], table["player_id"][0]), "route"] == "post"
    assert routes.loc[(table["play_id"][2], table["player_id"][2]), "source"] == "corrected"
    assert (
        run("labels", path, "--read", "--season", copy)[1].count("0 labels") == 1
    )  # the second time: nothing new


def test_short_lines_of_a_label_file_are_passed_over(run: Any, tmp_path: Path, folder: Path) -> None:
    """A spreadsheet leaves half a line at the end: it names no label, so it is no fault."""
    copy = tmp_path / "copy.season"
    shutil.copy(folder / "made.season", copy)
    row = Season(copy).frame("receivers").iloc[0]
    path = tmp_path / "labels.csv"
    path.write_text(
        f"play_id,player_id,route\n{row['play_id']},{row['receiver_id']},wheel\n{row['play_id']}\n"
    )
    status, out, _ = run("labels", path, "--read", "--season", copy)
    assert status == 0 and "1 labels" in out


def test_todo(run: Any) -> None:
    status, out, _ = run("todo")
    assert status == 0 and "1 clips failed" in out and "no field lines found" in out


def test_show_draws_over_the_film(run: Any, tmp_path: Path) -> None:
    status, _, err = run("show", "g1-001", "--at", "snap", "--out", tmp_path / "s.png")
    assert status == 0 and (tmp_path / "s.png").stat().st_size > 5000, err


def test_projection_of_the_overlay_is_that_of_the_camera_solver() -> None:
    """Oracle: `calibration.Camera`, written by other hands for the same convention."""
    camera = Camera(1280, 720, np.array([48.0, -35.0, 14.0]), 6.0, 17.0, 1.5, 1900.0, -0.03, 0.2, 160 / 3)
    row = {"fx_px": 1900.0, "cx_px": 639.5, "cy_px": 359.5, "k1": -0.03, "field_crown_yd": 0.2,
           "tx_yd": 48.0, "ty_yd": -35.0, "tz_yd": 14.0,
           **{f"r{i + 1}{j + 1}": camera.rotation[i, j] for i in range(3) for j in range(3)}}  # fmt: skip
    points = np.array([[40.0, 5.0], [55.0, 26.0], [60.0, 50.0]])
    ours, fine = project(pd.Series(row), points, 160 / 3)
    theirs, valid = camera.to_image(points)
    assert fine.all() and valid.all() and np.allclose(ours, theirs, atol=1e-6)
