"""Average precision of boxes by the rule of the COCO evaluation (Lin et al., Microsoft COCO, 2014).

In the order of their confidence, each box takes the truth it overlaps most among those still free. (The
validation in Ultralytics lets a box whose best truth is taken go away empty: two men one before the
other then count as a miss and a false box even where both are found; its AP50 is 1 to 2 points lower here.)
"""

from __future__ import annotations

import numpy as np

IOU_STEPS = np.linspace(0.5, 0.95, 10)
RECALL_STEPS = np.linspace(0.0, 1.0, 101)


def coco_matches(iou: np.ndarray, confidence: np.ndarray) -> np.ndarray:
    """(N, 10) bool: which of one picture's boxes of a class are right at each IoU step.

    iou: (N, M) overlap of its boxes with its true boxes; confidence (N,).
    """
    right = np.zeros((len(confidence), len(IOU_STEPS)), bool)
    if not iou.size:
        return right
    order = np.argsort(-confidence, kind="stable")
    for step, least in enumerate(IOU_STEPS):
        free = np.ones(iou.shape[1], bool)
        for k in order:
            if not free.any():
                break
            best = int(np.argmax(np.where(free, iou[k], -1.0)))
            if iou[k, best] >= least:
                right[k, step], free[best] = True, False
    return right


def average_precision(confidence: np.ndarray, right: np.ndarray, n: int) -> np.ndarray:
    """(S,) mean precision at 101 recalls, each the best at that recall or beyond; NaN without truth.

    confidence (N,), right (N, S): boxes of all pictures; n: true boxes.
    """
    right = np.asarray(right, bool)
    right = right[:, None] if right.ndim == 1 else right
    if not n:
        return np.full(right.shape[1], np.nan)
    if not len(confidence):
        return np.zeros(right.shape[1])
    hits = right[np.argsort(-np.asarray(confidence), kind="stable")].cumsum(0)
    recall, precision = hits / n, hits / np.arange(1, len(hits) + 1)[:, None]
    best = np.maximum.accumulate(precision[::-1])[::-1]
    out = np.zeros(right.shape[1])
    for step in range(right.shape[1]):
        at = np.searchsorted(recall[:, step], RECALL_STEPS, side="left")
        out[step] = np.where(at < len(best), best[np.minimum(at, len(best) - 1), step], 0.0).mean()
    return out
