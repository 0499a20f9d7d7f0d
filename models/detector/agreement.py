"""Several looks at one picture made one: the same man in each, his boxes averaged, his chances too.

The way of weighted box fusion (Solovyev, Wang and Gabruseva, Image and Vision Computing, 2021), with an
assignment in place of its greedy clusters: a look has one box a man, so a box joins one man and no other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from scipy.optimize import linear_sum_assignment
from torchvision.ops import box_iou

from models.detector.detector import KINDS, Boxes

SAME_IOU = 0.5
"""Boxes of two looks that overlap so much may be one man's. On 360 frames of the strangeness program (7,821
men) and 200 rendered ones (4,000) AP50 with 0.7, 0.6, 0.5, 0.4: .875, .886, .890, .889; .928, .933, .935,
.935."""
BALL = KINDS.index("ball")


@dataclass(frozen=True)
class Agreement:
    """One picture's men as L looks saw them.

    xyxy_px (N, 4) float64: the looks' mean corners, weighed by confidence; spread_px (N, 4): their standard
    deviation; chances (N, L, K): each look's confidence by kind, 0 where it does not see him.
    """

    xyxy_px: np.ndarray
    spread_px: np.ndarray
    chances: np.ndarray

    @property
    def chance(self) -> np.ndarray:
        """(N, K): mean chance of each kind over the looks."""
        return np.asarray(self.chances.sum(1) / max(1, self.chances.shape[1]))

    def rows(self, which: np.ndarray) -> Agreement:
        """Only some of the men, or all in another order: a mask (N,) or row numbers (M,)."""
        return Agreement(self.xyxy_px[which], self.spread_px[which], self.chances[which])

    def boxes(self, confidence: np.ndarray | None = None) -> Boxes:
        """As boxes, best first: each of the kind with the most chance; confidence (N,), or that chance."""
        chance = self.chance
        if confidence is None:
            confidence = chance.max(1, initial=0.0)
        order = np.argsort(-confidence, kind="stable")
        return Boxes(
            self.xyxy_px[order].astype(np.float32),
            confidence[order].astype(np.float32),
            chance.argmax(1)[order].astype(np.uint8),
        )


def agree(looks: Sequence[Boxes]) -> Agreement:
    """Which boxes of several looks at one picture are the same man's."""
    sums, squares, weights = np.zeros((0, 4)), np.zeros((0, 4)), np.zeros(0)
    chances = np.zeros((0, len(looks), len(KINDS)))
    for k, look in enumerate(looks):
        at = _same_men(sums / weights[:, None], chances.sum(1).argmax(1), look)
        new = np.flatnonzero(at < 0)
        at[new] = len(sums) + np.arange(len(new))
        sums, squares, weights, chances = (
            np.concatenate([a, np.zeros((len(new), *a.shape[1:]))]) for a in (sums, squares, weights, chances)
        )
        trust = look.confidence[:, None].astype(float)
        sums[at] += trust * look.xyxy_px
        squares[at] += trust * np.square(look.xyxy_px.astype(float))
        weights[at] += look.confidence
        chances[at, k, look.kind] += look.confidence
    mean = sums / weights[:, None]
    spread = np.sqrt(np.maximum(0.0, squares / weights[:, None] - np.square(mean)))
    return Agreement(mean, spread, chances)


def _same_men(mean_px: np.ndarray, kind: np.ndarray, look: Boxes) -> np.ndarray:
    """(len(look),) row of the men found so far, -1 for a new one. A ball is only ever a ball."""
    at = np.full(len(look), -1)
    if len(look) and len(mean_px):
        iou = box_iou(torch.from_numpy(mean_px), torch.from_numpy(look.xyxy_px.astype(float))).numpy()
        iou[(kind == BALL)[:, None] != (look.kind == BALL)[None]] = 0
        i, j = linear_sum_assignment(np.where(iou >= SAME_IOU, iou, 0.0), maximize=True)
        same = iou[i, j] >= SAME_IOU
        at[j[same]] = i[same]
    return at
