"""Open label formats: what other tools read back is what was drawn."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from models.synthetic.label_formats import read_frames, to_coco, to_mot, to_ultralytics
from models.training.frames import read_label_folder


@pytest.fixture()
def dataset(tmp_path: Path) -> Path:
    (tmp_path / "set" / "frames").mkdir(parents=True)
    cv2.imwrite(str(tmp_path / "set" / "frames" / "000000_0.jpg"), np.zeros((100, 200, 3), np.uint8))
    people = [
        {"kind": "player", "box": [10.0, 20.0, 30.0, 60.0], "visible": 1.0},
        {"kind": "official", "box": [-10.0, 20.0, 10.0, 60.0], "visible": 0.5},
        {"kind": "player", "box": [50.0, 20.0, 60.0, 60.0], "visible": 0.02},
        {"kind": "other", "box": [80.0, 20.0, 90.0, 60.0], "visible": 1.0},
    ]
    label = {"camera": {"width_px": 200, "height_px": 100}, "people": people}
    (tmp_path / "set" / "frames" / "000000_0.json").write_text(json.dumps(label))
    return tmp_path / "set"


def test_ultralytics_folder_reads_back(dataset: Path, tmp_path: Path) -> None:
    """Labels count from the corner of the first pixel, the renderer from its middle."""
    assert to_ultralytics(dataset, tmp_path / "out") == 1
    frame = read_label_folder(tmp_path / "out")[0]
    np.testing.assert_allclose(frame.xyxy_px, [[10.5, 20.5, 30.5, 60.5], [0, 20.5, 10.5, 60.5]], atol=1e-3)
    assert frame.kind.tolist() == [0, 1]


def test_coco_keeps_hidden_men_as_crowd(dataset: Path, tmp_path: Path) -> None:
    """Outside check: pycocotools reads the file and finds the boxes, where it is installed."""
    assert to_coco(dataset, tmp_path / "c.json") == 3
    data = json.loads((tmp_path / "c.json").read_text())
    assert [a["iscrowd"] for a in data["annotations"]] == [0, 0, 1]
    coco = pytest.importorskip("pycocotools.coco")
    assert len(coco.COCO(str(tmp_path / "c.json")).getAnnIds(catIds=[1])) == 2


def test_mot_counts_frames_from_one(tmp_path: Path) -> None:
    (tmp_path / "truth").mkdir()
    rows = [("c1", f, f"p|{k}", "player", 1.0 * k, 2.0, 11.0 + k, 22.0, 1.0) for f in (0, 1) for k in (1, 2)]
    columns = ["clip_id", "frame", "player_id", "kind", "x0_px", "y0_px", "x1_px", "y1_px", "visible"]
    pd.DataFrame(rows, columns=columns).to_parquet(tmp_path / "truth" / "boxes.parquet")
    assert to_mot(tmp_path, tmp_path / "mot") == 1
    table = np.loadtxt(tmp_path / "mot" / "c1.txt", delimiter=",")
    assert table[:, 0].tolist() == [1, 1, 2, 2] and table[:, 1].tolist() == [1, 2, 1, 2]
    np.testing.assert_allclose(table[0, 2:6], [1.5, 2.5, 11, 20])


def test_a_folder_without_frames_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="frames"):
        read_frames(tmp_path)
