"""Turn the detector's scores into chances and its boxes into the program's pixels, on labelled frames.

    python -m models.training.calibrate_detector WEIGHTS.pt --data FOLDER [--data FOLDER ...]

A box counts as right when it covers a person of the truth at IoU 0.5, best score first, one box a person
(Platt, 1999; the fit is scikit-learn's logistic regression). ``edge_px``: how far its boxes lie right of and
below the truth, the truth counted from the middle of the first pixel; medians over boxes that fit well. Both
are written into the weights. Frames must not be ones trained on.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
import torch
from torchvision.ops import box_iou

from models.detector import CORNER_PX
from models.detector.detector import Detector
from models.detector.network import BALL, EDGE, PLATT, load_network, read_state
from models.training.frames import LabelledFrame, load_cache, read_folder

CLOSE = 0.75


def right_boxes(xyxy: torch.Tensor, confidence: torch.Tensor, true_xyxy: torch.Tensor) -> np.ndarray:
    """(N,) bool: which boxes find a person at IoU 0.5 that no surer box has found."""
    right = np.zeros(len(xyxy), bool)
    if not len(xyxy) or not len(true_xyxy):
        return right
    iou = box_iou(xyxy, true_xyxy).numpy()
    for i in np.argsort(-confidence.numpy(), kind="stable"):
        best = int(iou[i].argmax())
        if iou[i, best] >= 0.5:
            right[i] = True
            iou[:, best] = 0
    return right


def fit_platt(score: np.ndarray, right: np.ndarray) -> tuple[float, float]:
    """Slope and offset of the logit of the score (N,) 0..1 against right (N,) bool."""
    from sklearn.linear_model import LogisticRegression

    score = np.clip(score, 1e-6, 1 - 1e-6)
    logit = np.log(score / (1 - score))
    fit = LogisticRegression(C=1e6).fit(logit[:, None], right)
    return float(fit.coef_[0, 0]), float(fit.intercept_[0])


def fit_edge(detector: Detector, frames: Iterable[LabelledFrame]) -> np.ndarray:
    """(2,) median offset of the middles of well-fitting boxes (IoU `CLOSE`) in pixels of their pictures.

    detector: one whose own ``edge`` is zero. Zeros when no box fits.
    """
    apart = [np.zeros((0, 2))]
    for frame in frames:
        bgr = cv2.imread(str(frame.path))
        true = torch.from_numpy(frame.xyxy_px[frame.kind != BALL] - CORNER_PX)
        found = detector.detect([bgr], 0.3)[0] if bgr is not None else None
        if found is None or not len(found) or not len(true):
            continue
        boxes = torch.from_numpy(found.xyxy_px[found.kind != BALL])
        iou = box_iou(boxes, true)
        best = iou.max(1)
        both = (boxes - true[best.indices])[best.values >= CLOSE].numpy()
        apart.append((both[:, :2] + both[:, 2:]) / 2)
    every = np.concatenate(apart)
    return np.median(every, 0).round(2) if len(every) else np.zeros(2)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("--data", type=Path, required=True, action="append")
    parser.add_argument("--width", type=int, default=1280)
    parser.add_argument("--compact", action="store_true", help="write kernels in eight bits, as shipped")
    args = parser.parse_args()
    from models.evaluation.detector import found_boxes
    from models.training.train_detector import Recipe, write_state

    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = load_network(args.weights)
    network.platt.copy_(torch.tensor([1.0, 0.0]))  # type: ignore[operator, union-attr]
    frames = found_boxes(network, load_cache(args.data, device), Recipe(width_px=args.width))
    score, right = [], []
    for f in frames:
        people = f["kind"] != BALL
        xyxy, confidence = f["xyxy"][people], f["confidence"][people]
        score.append(confidence.numpy())
        right.append(right_boxes(xyxy, confidence, f["true_xyxy"][f["true_kind"] != BALL]))
    slope, offset = fit_platt(np.concatenate(score), np.concatenate(right))
    detector = Detector.load(args.weights, "torch", args.width)
    detector.edge = np.zeros(2, np.float32)
    edge = fit_edge(detector, (f for folder in args.data for f in read_folder(folder)))
    fitted = {PLATT: torch.tensor([slope, offset]), EDGE: torch.tensor(edge, dtype=torch.float32)}
    write_state(read_state(args.weights) | fitted, args.weights, args.compact)
    print(
        f"{len(frames)} frames, {sum(map(len, score))} boxes: slope {slope:.3f}, offset {offset:.3f}; "
        f"boxes {edge[0]:.2f} px right, {edge[1]:.2f} px down"
    )


if __name__ == "__main__":
    main()
