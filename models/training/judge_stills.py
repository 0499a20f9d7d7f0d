"""Judge the detector on single pictures, looked at once and several times.

    python -m models.training.judge_stills --film FOLDER ... --set FOLDER ... [--every 20] [--weights FILE]

FOLDER of --film: rendered film with its truth (`models.synthetic.season`); every N-th frame of each clip is
taken by itself. FOLDER of --set: labelled pictures (`models.synthetic.dataset`, `models.synthetic.strange` or
an Ultralytics folder). Men of whom less than 0.15 is visible are neither asked for nor wrong to be found on
film. Average precision by COCO's rule, of boxes down to a confidence of 0.01; "before the snap" is the
recall, at a confidence of 0.25 or more, in the last second before it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pandas as pd
import torch
from torchvision.ops import box_iou

from models.detector import CORNER_PX
from models.detector.band import detect_still
from models.detector.crowd import PEOPLE
from models.detector.detector import KINDS, Boxes, Detector
from models.evaluation.boxes import CORNERS, asked_for
from models.evaluation.detector import summarise
from models.training.frames import LabelledFrame, read_folder

SURE, FOUND_FROM, LEAST = 0.35, 0.25, 0.01


@dataclass
class Still:
    """One picture: its group, BGR, true boxes (M, 4), kinds (M,), asked for (M,), before the snap."""

    group: str
    bgr: np.ndarray
    true_xyxy: np.ndarray
    true_kind: np.ndarray
    asked: np.ndarray
    before_snap: bool = False


@dataclass
class Judged:
    """Answers to the stills of one group."""

    frames: list[dict[str, torch.Tensor]] = field(default_factory=list)
    early: list[int] = field(default_factory=lambda: [0, 0])

    def add(self, still: Still, boxes: Boxes) -> None:
        """Count one picture's boxes of players and officials."""
        people = np.isin(boxes.kind, PEOPLE)
        found = torch.from_numpy(boxes.xyxy_px[people])
        true, asked = torch.from_numpy(still.true_xyxy), torch.from_numpy(still.asked)
        iou = box_iou(found, true)
        on_asked = torch.where(asked[None], iou, 0.0).amax(1) if len(true) else torch.zeros(len(found))
        on_other = torch.where(asked[None], 0.0, iou).amax(1) if len(true) else torch.zeros(len(found))
        counts = ~((on_other >= 0.5) & (on_other > on_asked))
        confidence = torch.from_numpy(boxes.confidence[people])
        kind = torch.from_numpy(still.true_kind)
        frame = {"xyxy": found, "confidence": confidence, "kind": torch.from_numpy(boxes.kind[people]).long()}
        frame = {name: value[counts] for name, value in frame.items()}
        self.frames.append(frame | {"true_xyxy": true[asked], "true_kind": kind[asked]})
        if still.before_snap:
            men = torch.nonzero(asked & (kind == PEOPLE[0]))[:, 0]
            sure = confidence >= FOUND_FROM
            hits = (iou[sure][:, men].amax(0) >= 0.5).sum() if bool(sure.any()) else torch.zeros(())
            self.early[0] += int(hits)
            self.early[1] += len(men)

    def figures(self) -> dict[str, Any]:
        """Scores of `models.evaluation.detector.summarise`, and the recall before the snap."""
        found, n = self.early
        return summarise(self.frames, SURE) | {"before_snap": {"recall": round(found / max(1, n), 4), "n": n}}


def stills_of_film(folder: Path, every: int) -> Iterator[Still]:
    """Every N-th frame of the clips of a rendered game."""
    truth = {
        name: pd.read_parquet(folder / "truth" / f"{name}.parquet") for name in ("clips", "plays", "boxes")
    }
    boxes = truth["boxes"]
    boxes = boxes[boxes["kind"].isin([KINDS[k] for k in PEOPLE])]
    if not len(boxes):
        raise ValueError(f"{folder}: the truth has no boxes of players (a lean copy, as the demo's)")
    snaps = truth["plays"].set_index("play_id")["snap_s"].to_dict()
    for clip in truth["clips"].itertuples():
        of_clip = dict(tuple(boxes[boxes["clip_id"] == clip.clip_id].groupby("frame")))
        snap_s = float(clip.snap_s) if hasattr(clip, "snap_s") else float(snaps[clip.play_id])
        path = next(p for p in folder.rglob(f"{clip.clip_id}.*") if p.suffix != ".parquet")
        with av.open(str(path)) as container:
            for index, picture in enumerate(container.decode(video=0)):
                if index % every or index not in of_clip:
                    continue
                bgr, rows = picture.to_ndarray(format="bgr24"), of_clip[index]
                limits = np.array([bgr.shape[1], bgr.shape[0]] * 2, np.float32)
                true = rows[CORNERS].to_numpy(np.float32).clip(0, limits)
                kind = np.array([KINDS.index(k) for k in rows["kind"]], np.int64)
                early = 0 <= snap_s - index * float(clip.fps_den) / float(clip.fps_num) <= 1
                yield Still(f"film, {clip.view}", bgr, true, kind, asked_for(rows, true), early)


def stills_of_set(folder: Path) -> Iterator[Still]:
    """The pictures of a labelled set."""
    yield from stills_of_frames(read_folder(folder), folder.name)


def stills_of_frames(frames: Iterable[LabelledFrame], group: str) -> Iterator[Still]:
    """Labelled pictures with their people; one that cannot be read is left out."""
    for frame in frames:
        people = np.isin(frame.kind, PEOPLE)
        bgr = cv2.imread(str(frame.path))
        if bgr is not None:
            true = frame.xyxy_px[people].astype(np.float32).reshape(-1, 4) - CORNER_PX
            kind = frame.kind[people].astype(np.int64)
            yield Still(group, bgr, true, kind, np.ones(len(kind), bool))


def judge(stills: Iterator[Still], detector: Detector) -> dict[str, dict[str, Any]]:
    """Figures by group and by how often each picture is looked at."""
    judged: dict[str, Judged] = {}
    for still in stills:
        once, several = detector.detect([still.bgr], LEAST)[0], detect_still(detector, still.bgr, LEAST)
        for how, boxes in (("once", once), ("several", several)):
            judged.setdefault(f"{still.group}, {how}", Judged()).add(still, boxes)
    return {name: one.figures() for name, one in judged.items()}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--film", type=Path, nargs="*", default=[])
    parser.add_argument("--set", type=Path, nargs="*", default=[], dest="sets")
    parser.add_argument("--every", type=int, default=20)
    parser.add_argument("--weights", type=Path, help="other weights than the shipped ones")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    stills = chain(
        *(stills_of_film(f, args.every) for f in args.film), *(stills_of_set(f) for f in args.sets)
    )
    figures = judge(stills, Detector.load(args.weights))
    for name, row in figures.items():
        print(name, json.dumps(row), flush=True)
    if args.out:
        args.out.write_text(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
