"""The batch: grouping, resuming after kill -9, plain failures; the pipeline's small parts."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from calibration.clip import INTERPOLATED, MEASURED, ClipCameras
from calibration.standards import get_standard
from models.detector.detector import SHIPPED, Boxes
from vision.analyze import every_frame, half_turn, people_of, spot_of
from vision.batch import plan_plays
from vision.charting import read_sheet
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


def test_other_people_become_faint_players_and_balls_stay() -> None:
    boxes = Boxes(
        np.zeros((3, 4), np.float32), np.array([0.9, 0.8, 0.5], np.float32), np.array([0, 3, 2], np.uint8)
    )
    _, confidence, kind = people_of(boxes)
    assert kind.tolist() == [0, 0, 2]
    assert confidence.tolist() == pytest.approx([0.9, 0.24, 0.5])


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
    full = every_frame(some, 2, 6)
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
