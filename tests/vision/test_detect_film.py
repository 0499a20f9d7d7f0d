"""`underneath detect` on a real file of film: frames beside a frame count, every frame keeps its time."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import torch
from torchvision.ops import box_iou

from vision.commands import main

CLIP = Path(__file__).resolve().parents[2] / "demo_media" / "clips" / "demo_p001_side.mp4"
CORNERS = ["x0_px", "y0_px", "x1_px", "y1_px"]


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first five frames of a clip, coded anew."""
    path = tmp_path_factory.mktemp("film") / "five.mp4"
    subprocess.run(
        ["ffmpeg", "-loglevel", "error", "-i", str(CLIP), "-frames:v", "5", "-an", "-crf", "12", str(path)],
        check=True,
    )
    return path


def boxes(film: Path, out: Path, *options: str) -> pd.DataFrame:
    assert main(["detect", str(film), "--out", str(out), "--detector", "fast", *options]) == 0
    return pd.read_csv(out)


def test_every_frame_has_its_boxes_and_single_frames_other_ones(film: Path, tmp_path: Path) -> None:
    every, second = boxes(film, tmp_path / "a.csv"), boxes(film, tmp_path / "b.csv", "--every", "2")
    assert every.frame.unique().tolist() == [0, 1, 2, 3, 4] and second.frame.unique().tolist() == [0, 2, 4]
    times = every.groupby("frame").pts_s.first().to_numpy()
    assert (np.diff(times) > 0).all() and second.groupby("frame").pts_s.first().tolist() == times[
        ::2
    ].tolist()
    assert every.confidence.between(0.35, 1).all()
    a, b = (t[(t.frame == 2) & (t["class"] == "player")][CORNERS].to_numpy() for t in (every, second))
    iou = box_iou(torch.from_numpy(a), torch.from_numpy(b)).amax(1).numpy()
    assert len(a) >= 15 and np.median(iou) > 0.85  # the same men
    assert (iou < 0.999).mean() > 0.5  # seen with the frames beside them
