"""Real pictures from the registries: are real people found, and is nothing found where nobody is?

People: 39 persons on six frames of the street video in OpenCV's samples (Debian's opencv-doc), boxes
drawn by eye. Nobody: photographs that scikit-image installs (brick, grass, gravel, coffee, a cat,
a rocket, coins, a page ...). Neither was used in training or in choosing weights by their kind: a
street is no football field, so the figures say whether the network still knows people at all.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torchvision.ops import box_iou

from models.detector.detector import Detector

STREET_VIDEO = Path("/usr/share/doc/opencv-doc/examples/data/vtest.avi")
TRUTH = Path(__file__).parent / "data" / "street_people.json"
NOBODY = ("brick", "grass", "gravel", "coffee", "chelsea", "rocket", "coins", "page", "text", "clock")


def street_frames(video: Path = STREET_VIDEO) -> list[tuple[np.ndarray, np.ndarray]]:
    """(picture BGR, boxes (N, 4) px) of the labelled frames; decoded in sequence."""
    truth = json.loads(TRUTH.read_text())
    wanted = {int(k): np.array(v, np.float32) / truth["scale"] for k, v in truth["frames"].items()}
    capture, out, index = cv2.VideoCapture(str(video)), [], 0
    while index <= max(wanted):
        good, bgr = capture.read()
        if not good:
            break
        if index in wanted:
            out.append((bgr, wanted[index]))
        index += 1
    return out


def nobody_pictures() -> dict[str, np.ndarray]:
    """scikit-image's installed photographs without people, BGR."""
    from skimage import data

    out = {}
    for name in NOBODY:
        picture = np.asarray(getattr(data, name)())
        if picture.ndim == 2:
            picture = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR)
        out[name] = np.ascontiguousarray(picture[:, :, 2::-1] if picture.shape[2] >= 3 else picture)
    return out


def score_photographs(detector: Detector, confidence: float = 0.25) -> dict[str, Any]:
    """Recall of the street's people (IoU 0.5, any kind of person), false boxes there and elsewhere."""
    found = people = extra = 0
    for bgr, true in street_frames():
        boxes = detector.detect([bgr])[0].at_least(confidence)
        mine = torch.from_numpy(boxes.xyxy_px[boxes.kind != 2])
        people += len(true)
        iou = box_iou(torch.from_numpy(true), mine) if len(mine) else torch.zeros(len(true), 1)
        hits = int((iou.max(1).values >= 0.5).sum())
        found += hits
        extra += len(mine) - hits
    false = {}
    for name, bgr in nobody_pictures().items():
        boxes = detector.detect([bgr])[0].at_least(confidence)
        false[name] = int((boxes.kind != 2).sum())
    recall = found / max(1, people)
    return {"people": people, "recall": recall, "street_extra": extra, "false_on_empty": false}
