"""Boxes to correct, out and in: frames chosen, kinds taken from the season, the page, labels to train on."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_season import made_copy

from models.detector.detector import Boxes
from models.detector.network import KINDS as DETECTOR_KINDS
from models.training.frames import read_label_folder
from models.training.train_detector import build_parser
from vision.box_labels import KINDS, choose_frames, clipped, read_box_labels, write_box_labels
from vision.commands import main
from vision.film import write_film
from vision.store import Season
from vision.trouble import FilmTrouble, SheetTrouble

SIZE = (256, 144)
FRAMES = 90


class TwoMen:
    """A detector that finds the same two people everywhere, one of them not sure enough to keep."""

    def detect(self, pictures: list[np.ndarray]) -> list[Boxes]:
        assert pictures[0].shape == (SIZE[1], SIZE[0], 3)
        boxes = np.array([[20, 30, 40, 80], [-5, 30, 12, 80], [100, 10, 120, 60]], np.float32)
        return [Boxes(boxes, np.array([0.9, 0.8, 0.1], np.float32), np.array([0, 3, 0]))] * len(pictures)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season of film whose first two clips are there, with boxes of one official and one gap."""
    folder = tmp_path_factory.mktemp("boxes")
    made_copy(folder / "made.season")
    for name in ("g1_001_side.mp4", "g1_002_side.mp4"):
        grey = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
        write_film(folder / name, [(i / 30, grey) for i in range(FRAMES)])
    season = Season(folder / "made.season")
    clips = season.table("clips").set_index("play_id")
    for play_id in ("g1-001", "g1-002"):
        clip = clips.loc[play_id].to_dict()
        tables: dict[str, Any] = {"plays": season.table("plays", [play_id]).to_dict("records")}
        rows = []
        for f in range(0, FRAMES, 2):
            box = {"x0_px": 21.0, "y0_px": 31.0, "x1_px": 41.0, "y1_px": 81.0}
            rows.append({"clip_id": clip["clip_id"], "frame": f, "t_s": f / 30 - 1, "player_id": "R",
                         "team": "official", "observed": True, **box})  # fmt: skip
            rows.append({"clip_id": clip["clip_id"], "frame": f, "t_s": f / 30 - 1, "player_id": "D1",
                         "team": "defense", "observed": not 40 <= f < 44})  # fmt: skip
        season.write_play({**clip, "play_id": play_id}, {**tables, "tracks": rows})
    return folder


def test_kinds_are_the_detectors() -> None:
    assert KINDS == DETECTOR_KINDS


def test_frames_where_men_were_lost_come_first_and_stand_apart(folder: Path) -> None:
    chosen = choose_frames(Season(folder / "made.season"), 6)
    assert [c.clip_id for c in chosen[:2]] == sorted({c.clip_id for c in chosen})
    assert all(40 <= c.frame < 44 for c in chosen[:2])
    for clip in {c.clip_id for c in chosen}:
        frames = sorted(c.frame for c in chosen if c.clip_id == clip)
        assert len(frames) >= 2 and min(np.diff(frames)) >= 0.7 * 30
    with pytest.raises(FilmTrouble, match="no film"):
        choose_frames(_moved(folder), 6)


def _moved(folder: Path) -> Season:
    (folder / "moved").mkdir(exist_ok=True)
    target = folder / "moved" / "made.season"
    target.write_bytes((folder / "made.season").read_bytes())
    return Season(target)


def test_out_corrected_and_in(folder: Path, tmp_path: Path, capsys: Any) -> None:
    count = write_box_labels(Season(folder / "made.season"), tmp_path, 4, detector=TwoMen())
    assert count == 4 and len(list((tmp_path / "images").glob("*.jpg"))) == 4
    frames = json.loads((tmp_path / "boxes.json").read_text())["frames"]
    # labels count from the corner of the first pixel, the detector from its middle
    assert frames[0]["boxes"] == [[1, 20.5, 30.5, 40.5, 80.5], [3, 0.0, 30.5, 12.5, 80.5]]
    page = (tmp_path / "boxes.html").read_text()
    data = json.loads(re.search(r'<script id="data"[^>]*>(.*?)</script>', page, re.S).group(1))  # type: ignore[union-attr]
    assert data["frames"] == frames and "https://" not in page
    frames[0]["checked"] = frames[1]["checked"] = True
    frames[1]["boxes"].append([2, 50, 50, 54, 54])
    (tmp_path / "boxes.json").write_text(json.dumps({"kinds": KINDS, "frames": frames}))
    assert main(["labels", str(tmp_path / "boxes.json"), "--read"]) == 0
    assert "2 checked frames with 5 boxes" in capsys.readouterr().out
    labelled = {f.path.stem: f for f in read_label_folder(tmp_path)}  # as the training reads them
    assert set(labelled) == {frames[0]["name"], frames[1]["name"]}
    assert labelled[frames[1]["name"]].kind.tolist() == [1, 3, 2]
    assert np.allclose(labelled[frames[0]["name"]].xyxy_px[0], [20.5, 30.5, 40.5, 80.5], atol=0.01)
    frames[2]["checked"] = True  # looked at later: comes back
    (tmp_path / "boxes.json").write_text(json.dumps({"kinds": KINDS, "frames": frames}))
    assert read_box_labels(tmp_path / "boxes.json")[0] == 3
    assert len(read_label_folder(tmp_path)) == 3


def test_what_is_wrong_is_named_and_nothing_is_written(folder: Path, tmp_path: Path) -> None:
    write_box_labels(Season(folder / "made.season"), tmp_path, 2, detector=TwoMen())
    path = tmp_path / "boxes.json"
    frames = json.loads(path.read_text())["frames"]
    with pytest.raises(SheetTrouble, match="ticked"):
        read_box_labels(path)
    frames[0].update(checked=True, boxes=[[7, 1, 1, 5, 5], [0, 10, 10, 9000, 20]])
    path.write_text(json.dumps({"frames": frames}))
    before = (tmp_path / "labels" / f"{frames[0]['name']}.txt").read_text()
    with pytest.raises(SheetTrouble, match=r"box 1: kind 7.*box 2: outside"):
        read_box_labels(path)
    assert (tmp_path / "labels" / f"{frames[0]['name']}.txt").read_text() == before
    path.write_text("no json")
    with pytest.raises(SheetTrouble, match="boxes.html"):
        read_box_labels(path)


def test_clipped_boxes_stay_in_the_picture() -> None:
    assert clipped([-3.26, 5.04, 300, 90], *SIZE) == [0.0, 5.0, 256.0, 90.0]


def test_training_starts_from_the_shipped_weights(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys
    import types

    seen: list[list[str]] = []
    fake = types.SimpleNamespace(main=lambda: seen.append(list(sys.argv)))
    monkeypatch.setitem(sys.modules, "models.training.train_detector", fake)
    assert main(["train", "detector", "--labels", "set", "--out", "o"]) == 0
    assert main(["train", "detector", "--labels", "set", "--from", "mine.pt"]) == 0
    assert main(["train", "detector", "--labels=set", "--from=mine.pt"]) == 0
    first, second, third = seen
    assert first[1:5] == ["--labels", "set", "--out", "o"] and first[5] == "--from"
    assert Path(first[6]).name == "detector.pt" and Path(first[6]).is_file()
    assert second[1:] == ["--labels", "set", "--from", "mine.pt"]
    asked = [build_parser().parse_args([*words[1:], "--out", "o"]) for words in (second, third)]
    assert all(args.data == [Path("set")] and args.start == Path("mine.pt") for args in asked)
