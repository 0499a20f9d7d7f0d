"""Single pictures judged: what counts, what does not, and which frames of film are taken."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from models.detector.agreement import agree
from models.detector.detector import KINDS, Boxes
from models.training.judge_stills import Judged, Still, stills_of_film

PLAYER, OFFICIAL, BALL = (KINDS.index(k) for k in ("player", "official", "ball"))


def boxes(rows: list[list[float]], confidence: list[float], kind: list[int]) -> Boxes:
    return Boxes(
        np.array(rows, np.float32).reshape(-1, 4), np.array(confidence, np.float32), np.array(kind, np.uint8)
    )


def test_men_too_hidden_count_neither_way() -> None:
    true = np.array([[0, 0, 20, 50], [100, 0, 120, 50], [200, 0, 220, 50]], np.float32)
    still = Still(
        "film", np.zeros((60, 300, 3), np.uint8), true, np.array([PLAYER, PLAYER, OFFICIAL]),
        np.array([True, False, True]), before_snap=True,
    )  # fmt: skip
    one = Judged()
    one.add(
        still, boxes([[1, 0, 21, 50], [100, 0, 120, 50], [200, 0, 220, 50]], [0.9, 0.8, 0.7], [PLAYER] * 3)
    )
    figures = one.figures()
    assert figures["player"]["n"] == 1 and figures["player"]["recall"] == 1.0
    assert figures["player"]["precision"] == 0.5  # the official; the hidden man's box is not held against it
    assert figures["official_as_player"] == 1.0
    assert figures["before_snap"] == {"recall": 1.0, "n": 1}


def made_film(folder: Path, kind: str = "player", frames: int = 60) -> Path:
    """Sixty frames of one man who walks to the right, with the truth the renderer writes."""
    (folder / "truth").mkdir(parents=True)
    writer = cv2.VideoWriter(str(folder / "one.mp4"), cv2.VideoWriter.fourcc(*"mp4v"), 30.0, (320, 180))
    rows = []
    for k in range(frames):
        frame = np.full((180, 320, 3), 60, np.uint8)
        frame[100:150, 20 + k : 40 + k] = 220
        writer.write(frame)
        rows.append(("one", k, kind, 1.0, 20.0 + k, 100.0, 40.0 + k, 150.0))
        rows.append(("one", k, kind, 0.05, 250.0, 100.0, 270.0, 150.0))
    writer.release()
    columns = ["clip_id", "frame", "kind", "visible", "x0_px", "y0_px", "x1_px", "y1_px"]
    pd.DataFrame(rows, columns=columns).to_parquet(folder / "truth" / "boxes.parquet")
    clip = {"clip_id": "one", "play_id": "p", "view": "sideline", "fps_num": 30, "fps_den": 1, "snap_s": 1.5}
    pd.DataFrame([clip]).to_parquet(folder / "truth" / "clips.parquet")
    pd.DataFrame([{"play_id": "p", "snap_s": 1.5}]).to_parquet(folder / "truth" / "plays.parquet")
    return folder


def test_every_nth_frame_of_film_with_its_truth(tmp_path: Path) -> None:
    stills = list(stills_of_film(made_film(tmp_path / "film"), 20))
    assert [int(s.true_xyxy[0, 0]) for s in stills] == [20, 40, 60]
    assert [s.asked.tolist() for s in stills] == [[True, False]] * 3
    assert [s.before_snap for s in stills] == [False, True, True]  # 1.5, 0.83 and 0.17 s before it
    for s in stills:  # the picture is the frame that the truth speaks of
        x0 = int(s.true_xyxy[0, 0])
        inside, beside = s.bgr[110:140, x0 + 2 : x0 + 18].mean(), s.bgr[110:140, x0 - 15 : x0 - 3].mean()
        assert inside > 200 and beside < 80
    with pytest.raises(ValueError, match="no boxes of players"):
        list(stills_of_film(made_film(tmp_path / "lean", kind="other"), 20))


def test_looks_agree_on_every_man() -> None:
    """Worked by hand: one man in both looks, one in the first alone, a ball on the man's box apart."""
    one = boxes([[0, 0, 20, 50], [60, 0, 80, 50]], [0.9, 0.4], [PLAYER, PLAYER])
    two = boxes([[2, 0, 22, 50], [2, 0, 22, 50]], [0.3, 0.2], [OFFICIAL, BALL])
    out = agree([one, two]).boxes()
    assert out.confidence.tolist() == pytest.approx([0.45, 0.2, 0.1])
    assert out.kind.tolist() == [PLAYER, PLAYER, BALL]
    assert out.xyxy_px[0].tolist() == pytest.approx([0.5, 0, 20.5, 50])
    assert out.xyxy_px[1].tolist() == [60, 0, 80, 50]


def test_looks_that_see_nothing() -> None:
    nothing = boxes([], [], [])
    assert len(agree([nothing, nothing]).boxes()) == 0
    one = agree([nothing, boxes([[0, 0, 20, 50]], [0.8], [PLAYER])]).boxes()
    assert one.confidence.tolist() == pytest.approx([0.4]) and one.kind.tolist() == [PLAYER]
