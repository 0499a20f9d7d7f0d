"""Turn the detector's scores into chances: fit Platt scaling on labelled frames, write it into the weights.

    python -m models.training.calibrate_detector WEIGHTS.pt --data FOLDER [--data FOLDER ...]

A box counts as right when it covers a person of the truth at IoU 0.5, best score first, one box a person
(Platt, 1999; the fit is scikit-learn's logistic regression). Frames must not be ones trained on.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch
from torchvision.ops import box_iou

from models.detector.network import BALL, PLATT, load_network, read_state


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


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("--data", type=Path, required=True, action="append")
    parser.add_argument("--width", type=int, default=1280)
    args = parser.parse_args()
    from models.evaluation.detector import found_boxes
    from models.training.frames import load_cache
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
    write_state(read_state(args.weights) | {PLATT: torch.tensor([slope, offset])}, args.weights)
    print(f"{len(frames)} frames, {sum(map(len, score))} boxes: slope {slope:.3f}, offset {offset:.3f}")


if __name__ == "__main__":
    main()
