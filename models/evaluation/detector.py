"""Scores of a detector: average precision, precision and recall, and who is taken for whom.

Matching and average precision by the rule of the COCO evaluation (`models.evaluation.precision`); this file
adds the questions of our trade: officials called players.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from torchvision.ops import box_iou

from models.detector.network import KINDS
from models.evaluation.precision import IOU_STEPS, average_precision, coco_matches


def match_frame(
    found_xyxy: torch.Tensor, found_kind: torch.Tensor, confidence: torch.Tensor, true_xyxy: torch.Tensor,
    true_kind: torch.Tensor,
) -> np.ndarray:  # fmt: skip
    """Which detections of a picture are right at each IoU step: (N, 10) bool; kind by kind, COCO's rule."""
    right = np.zeros((len(found_xyxy), len(IOU_STEPS)), bool)
    for kind in torch.unique(true_kind).tolist():
        mine, theirs = found_kind == kind, true_kind == kind
        iou = box_iou(found_xyxy[mine], true_xyxy[theirs])
        right[mine.numpy()] = coco_matches(iou.numpy(), confidence[mine].numpy())
    return right


def summarise(frames: list[dict[str, torch.Tensor]], score_at: float = 0.25) -> dict[str, Any]:
    """Scores over frames; each frame holds xyxy, confidence, kind, true_xyxy, true_kind (CPU tensors).

    Per kind: n, ap50, ap75, ap, and precision and recall (IoU 0.5) at confidence ``score_at``;
    ``official_as_player``: share of true officials whose best box (IoU 0.5) says player.
    """
    right, confidence, kinds, truth = [], [], [], []
    officials = taken = 0
    for f in frames:
        right.append(match_frame(f["xyxy"], f["kind"], f["confidence"], f["true_xyxy"], f["true_kind"]))
        confidence.append(f["confidence"].numpy())
        kinds.append(f["kind"].numpy())
        truth.append(f["true_kind"].numpy())
        referees = f["true_xyxy"][f["true_kind"] == 1]
        officials += len(referees)
        sure = f["confidence"] >= score_at
        if len(referees) and bool(sure.any()):
            iou = box_iou(referees, f["xyxy"][sure])
            best = iou.max(1)
            taken += int(((best.values >= 0.5) & (f["kind"][sure][best.indices] == 0)).sum())
    tp, conf, pred, true = (np.concatenate(x) for x in (right, confidence, kinds, truth))
    out: dict[str, Any] = {"frames": len(frames), "officials": officials}
    out["official_as_player"] = round(taken / officials, 4) if officials else None
    for kind in np.unique(true).astype(int):
        ap = average_precision(conf[pred == kind], tp[pred == kind], int((true == kind).sum()))
        mine = (pred == kind) & (conf >= score_at)
        hits = int(tp[mine, 0].sum())
        n = int((true == kind).sum())
        out[KINDS[kind]] = {
            "n": n,
            "ap50": round(float(ap[0]), 4),
            "ap75": round(float(ap[5]), 4),
            "ap": round(float(ap.mean()), 4),
            "precision": round(hits / max(1, int(mine.sum())), 4),
            "recall": round(hits / max(1, n), 4),
        }
    return out


def score_cache(model: torch.nn.Module, cache: Any, recipe: Any) -> dict[str, Any]:
    """Run a network over a cache of labelled frames at the recipe's size and summarise."""
    return summarise(found_boxes(model, cache, recipe))


def found_boxes(model: torch.nn.Module, cache: Any, recipe: Any) -> list[dict[str, torch.Tensor]]:
    """Boxes of a network (a ``FilmDetector``) on every frame of a cache, beside the truth (``summarise``)."""
    from models.detector.runtime import select_boxes

    device = cache.images.device
    model = model.to(device).eval()
    canvas_w = int(cache.images.shape[3])
    scale = recipe.width_px / canvas_w
    frames = []
    for start in range(0, len(cache.boxes), 16):
        images = cache.images[start : start + 16].float() / 255
        height = round(images.shape[2] * scale / 32 + 0.499) * 32
        images = torch.nn.functional.interpolate(
            images, (round(images.shape[2] * scale), recipe.width_px), mode="bilinear", antialias=True
        )
        images = torch.nn.functional.pad(images, (0, 0, 0, height - images.shape[2]))
        with (
            torch.no_grad(),
            torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"),
        ):
            raw = model(images)
        for i, (xyxy, confidence, kind) in enumerate(select_boxes(raw.float().cpu(), least=0.01)):
            k = start + i
            frames.append(
                {
                    "xyxy": xyxy / scale,
                    "confidence": confidence,
                    "kind": kind,
                    "true_xyxy": cache.boxes[k].cpu(),
                    "true_kind": cache.kinds[k].cpu(),
                }
            )
    return frames
