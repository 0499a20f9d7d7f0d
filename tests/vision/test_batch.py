"""The batch: grouping, resuming after kill -9, plain failures; the pipeline's small parts."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from decoded_game import Game, decoded, simulated_game

from calibration.clip import INTERPOLATED, MEASURED, ClipCameras
from calibration.standards import get_standard
from models.detector.detector import SHIPPED
from vision import batch
from vision.analyze import FilmPass, camera_rows, clip_row, half_turn, spot_of
from vision.batch import plan_plays
from vision.charting import read_sheet
from vision.every_frame import cameras_of_every_frame
from vision.film import open_clip, write_film
from vision.store import Season

DEMO = Path(__file__).resolve().parents[2] / "demo_media"


def test_clips_of_one_row_are_one_play_with_the_sideline_first() -> None:
    clips = sorted((DEMO / "clips").glob("*.mp4"))
    plays = plan_plays(clips, read_sheet(DEMO / "sheet.csv"), "ncaa")
    assert len(plays) == 6
    assert [view for _, view in plays[0].clips] == ["sideline", "endzone"]
    assert plays[0].game_id == "demo_media"
    assert sum(len(p.clips) for p in plays) == len(clips)


def test_without_a_sheet_every_clip_is_a_play() -> None:
    clips = sorted((DEMO / "clips").glob("*.mp4"))
    plays = plan_plays(clips, None, "ncaa")
    assert [p.play_id for p in plays] == [c.stem for c in clips]


def test_a_charted_spot_counts_only_when_it_can_be_in_one_place() -> None:
    field = get_standard("ncaa")
    assert spot_of({"yard_line": "50"}, field) == (50.0, None)
    assert spot_of({"yard_line": "own 30"}, field) is None
    assert spot_of({"los_field_yd": 31.0}, field) == (31.0, None)
    assert spot_of(None, field) is None


def test_cameras_of_skipped_frames_lie_between_their_neighbours() -> None:
    p = np.zeros((3, 9))
    p[:, 0] = [0.0, 2.0, 6.0]
    p[:, 3] = np.log(1000.0)
    some = ClipCameras(
        640, 360, 160 / 3, np.zeros(3, np.uint8), p, np.zeros((3, 9, 9), np.float32), np.full(3, 0.5), "ncaa"
    )
    full = cameras_of_every_frame(some, 2, 6)
    assert len(full) == 6
    assert full.parameters[:, 0].tolist() == pytest.approx([0, 1, 2, 4, 6, 6])
    assert full.status.tolist() == [MEASURED, INTERPOLATED, MEASURED, INTERPOLATED, MEASURED, MEASURED]


def test_a_half_turn_moves_the_camera_to_the_other_end_and_keeps_the_picture() -> None:
    field = get_standard("ncaa")
    p = np.array([[90.0, 12.0, 0.4, np.log(1500.0), 0.01, -30.0, 20.0, 12.0, 0.2]])
    one = ClipCameras(
        1280,
        720,
        field.width_yd,
        np.zeros(1, np.uint8),
        p,
        np.zeros((1, 9, 9), np.float32),
        np.ones(1),
        "ncaa",
    )
    other = half_turn(one, field)
    spots = np.array([[30.0, 20.0], [45.0, 33.0]])
    turned = np.array([field.length_yd, field.width_yd]) - spots
    a, b = one.camera(0), other.camera(0)
    assert a is not None and b is not None
    assert np.allclose(a.to_image(spots)[0], b.to_image(turned)[0], atol=1e-6)
    assert b.centre_field_yd[0] > field.length_yd


def short_clip(source: Path, target: Path, frames: int = 20) -> None:
    """The first frames of a demo clip at half size."""
    import cv2

    clip = open_clip(source)
    write_film(target, [(t, cv2.resize(b, (480, 270))) for _, t, b in clip.frames(0, frames)])


def start(folder: Path, season: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "vision.commands", "process", str(folder), "--season", str(season)]
    return subprocess.Popen(
        [*command, "--standard", "ncaa", "--workers", "1"], start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.skipif(not SHIPPED.exists(), reason="no shipped weights in this checkout")
def test_a_batch_killed_with_sigkill_goes_on_and_stores_everything_once(tmp_path: Path) -> None:
    folder, season = tmp_path / "game", tmp_path / "s.season"
    folder.mkdir()
    for name in ("demo_p001_side", "demo_p003_side", "demo_p005_side"):
        short_clip(DEMO / "clips" / f"{name}.mp4", folder / f"{name}.mp4")
    (folder / "broken.mp4").write_bytes(b"no film at all")
    first = start(folder, season)
    room = tmp_path / f".{season.name}.film"
    until = time.time() + 240
    while time.time() < until and first.poll() is None and not list(room.glob("*.pass")):
        time.sleep(0.05)
    os.killpg(first.pid, signal.SIGKILL)
    first.wait()
    second = start(folder, season)
    said = second.communicate(timeout=300)[0].decode()
    assert second.returncode == 1, said  # one clip is no film
    assert "broken.mp4" in said and "Traceback" not in said
    report = Season(season).clip_report()
    assert sorted(report[report["status"] != "failed"]["play_id"]) == [
        "demo_p001_side", "demo_p003_side", "demo_p005_side",
    ]  # fmt: skip
    assert not list(room.glob("*"))
    third = start(folder, season)
    assert "stored already" in third.communicate(timeout=300)[0].decode()


@pytest.fixture(scope="module")
def game() -> Game:
    return simulated_game()


def cameras_alone(
    passes: Sequence[tuple[FilmPass, ClipCameras, str]], standard: Any, row: Any, play_id: str, *_: Any
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """In place of the play's analysis: the film has no men, only its cameras are stored."""
    film, cameras, view = passes[0]
    play = {"play_id": play_id, "look": cameras.needs_click}
    tables = {"plays": [play], "cameras": camera_rows(film, cameras)}
    return [clip_row(film, cameras, view, play_id)], tables


def stored(season: Path) -> dict[str, tuple[str, float, int]]:
    """clip -> (status, camera's x in yards, rows of cameras)."""
    clips = Season(season).table("clips")
    assert clips["clip_id"].is_unique
    rows = Season(season).table("cameras").groupby("clip_id")["tx_yd"]
    found = {c: (float(x.median()), len(x)) for c, x in rows}
    return {c.clip_id: (str(c.status), *found[c.clip_id]) for c in clips.itertuples()}


def test_another_detector_is_other_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Clips decoded by one size are not taken for the other's; a size without weights is refused."""
    from models.detector import detector
    from models.detector.network import WeightsError, file_hash

    nano = tmp_path / "detector_nano.pt"
    monkeypatch.setitem(detector.SIZES, "nano", nano)
    batch._weights.cache_clear()
    with pytest.raises(WeightsError, match="does not come"):
        batch._settings("nfhs", None, "nano")
    nano.write_bytes(b"other weights")
    small, other = batch._settings("nfhs", None), batch._settings("nfhs", None, "nano")
    assert small["weights"] == batch._settings("nfhs", None, "small")["weights"]
    assert other["weights"]["detector"] == file_hash(nano) != small["weights"]["detector"]
    others = {batch._settings("nfhs", None, size)["weights"]["detector"] for size in ("fast", "careful")}
    assert len(others | {small["weights"]["detector"]}) == 3
    batch._weights.cache_clear()


def test_a_doubtful_clip_is_settled_by_a_later_one(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "tables_of_play", cameras_alone)
    files = decoded(tmp_path, {name: evidence for name, (evidence, _) in game.items()})
    said: list[str] = []
    count = batch.run_batch(files, tmp_path / "s.season", standard="nfhs", tell=said.append)
    assert count == 2, said
    assert [line.split("]")[0] for line in said] == ["[1/2", "[2/2", "[settled by the game's other clips"]
    plays = stored(tmp_path / "s.season")
    assert set(plays) == {"bare", "numbered"}
    for status, x_yd, rows in plays.values():
        assert status == "done" and rows == 30
        assert x_yd == pytest.approx(game["bare"][1], abs=1.0)
    assert not (tmp_path / ".s.season.film").exists()


def test_a_doubtful_clip_goes_on_asking_when_nothing_settles_it(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "tables_of_play", cameras_alone)
    bare = game["bare"][0]
    files = decoded(
        tmp_path, {"bare": bare, "bare_2": replace(bare, marks=dict(list(bare.marks.items())[:2]))}
    )
    said: list[str] = []
    assert batch.run_batch(files, tmp_path / "s.season", standard="nfhs", tell=said.append) == 2
    assert {status for status, _, _ in stored(tmp_path / "s.season").values()} == {"look"}
    assert not any("settled" in line for line in said)
    assert not (tmp_path / ".s.season.film").exists()


def test_a_doubtful_clip_is_settled_after_a_kill_before_the_end(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "tables_of_play", cameras_alone)
    files = decoded(tmp_path, {name: evidence for name, (evidence, _) in game.items()})
    season, room = tmp_path / "s.season", tmp_path / ".s.season.film"

    def killed(_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as until, pytest.raises(KeyboardInterrupt):
        until.setattr(batch._Batch, "_settle", killed)
        batch.run_batch(files, season, standard="nfhs", tell=lambda said: None)
    assert {c: s for c, (s, _, _) in stored(season).items()} == {"bare": "look", "numbered": "done"}
    assert len(list(room.glob("*.pass"))) == 2  # two clips are too few to know a camera by
    said: list[str] = []
    assert batch.run_batch(files, season, standard="nfhs", tell=said.append) == 0
    assert any("settled" in line for line in said)
    assert {s for s, _, _ in stored(season).values()} == {"done"}
    assert not room.exists()
    assert batch.run_batch(files, season, standard="nfhs", tell=said.append) == 0


def test_a_first_clip_that_was_wrong_for_sure_is_solved_again_by_the_games_camera(
    tmp_path: Path, game: Game, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a long lens is, whose few marks fit a camera at half the distance too."""
    solve, solved = batch.solve_pass, []

    def misled(film: FilmPass, *rest: Any) -> ClipCameras:
        found = solve(film, *rest)
        solved.append(film.clip_id)
        if len(solved) > 1:
            return found
        return replace(found, parameters=found.parameters + np.eye(9)[5] * 26.0)

    monkeypatch.setattr(batch, "tables_of_play", cameras_alone)
    monkeypatch.setattr(batch, "solve_pass", misled)
    numbered, x_yd = game["numbered"]
    files = decoded(tmp_path, {f"p{k}": numbered for k in range(1, 6)})
    said: list[str] = []
    assert batch.run_batch(files, tmp_path / "s.season", standard="nfhs", tell=said.append) == 5
    assert solved == ["p1", "p2", "p3", "p4", "p5", "p1", "p2", "p3"]
    assert [line for line in said if "settled" in line] == [line for line in said if "] p1:" in line][1:]
    plays = stored(tmp_path / "s.season")
    assert all(x == pytest.approx(x_yd, abs=1.0) for _, x, _ in plays.values()), plays
