"""Several looks at one picture made one: the same man in each, his boxes averaged, his chances too.

The way of weighted box fusion (Solovyev, Wang and Gabruseva, Image and Vision Computing, 2021), with an
assignment in place of its greedy clusters: a look has one box a man, so a box joins one man and no other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from scipy.optimize import linear_sum_assignment
from torchvision.ops import box_iou

from models.detector.detector import KINDS, Boxes

SAME_IOU = 0.6
BALL = KINDS.index("ball")


def agreed(looks: Sequence[Boxes]) -> Boxes:
    """One picture's boxes from several looks at it, best first.

    Corners: the looks' mean, weighed by confidence. Confidence of a kind: the sum over the looks that say it,
    divided by their number (a look that does not see him says 0); the kind with the most wins.
    """
    sums, weights = np.zeros((0, 4)), np.zeros(0)
    chances = np.zeros((0, len(KINDS)))
    for look in looks:
        at = np.full(len(look), -1)
        if len(look) and len(sums):
            means = sums / weights[:, None]
            iou = box_iou(torch.from_numpy(means), torch.from_numpy(look.xyxy_px.astype(float))).numpy()
            iou[(chances.argmax(1) == BALL)[:, None] != (look.kind == BALL)[None]] = 0
            i, j = linear_sum_assignment(np.where(iou >= SAME_IOU, iou, 0.0), maximize=True)
            same = iou[i, j] >= SAME_IOU
            at[j[same]] = i[same]
        new = np.flatnonzero(at < 0)
        at[new] = len(sums) + np.arange(len(new))
        sums = np.concatenate([sums, np.zeros((len(new), 4))])
        weights = np.concatenate([weights, np.zeros(len(new))])
        chances = np.concatenate([chances, np.zeros((len(new), len(KINDS)))])
        sums[at] += look.confidence[:, None] * look.xyxy_px
        weights[at] += look.confidence
        chances[at, look.kind] += look.confidence
    confidence = chances.max(1, initial=0.0) / max(1, len(looks))
    order = np.argsort(-confidence, kind="stable")
    corners = (sums / np.maximum(weights, 1e-9)[:, None])[order].astype(np.float32)
    return Boxes(corners, confidence[order].astype(np.float32), chances.argmax(1)[order].astype(np.uint8))
