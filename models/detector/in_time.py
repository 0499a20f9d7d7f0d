"""A film frame's boxes with the frames just before and after it as two more looks at the same men.

Between two frames a man moves on evenly, nearly enough: the mean of his boxes before and after is a second
opinion of his box now, at no cost, and who is seen before and after is there now. As in
`models.detector.agreement` boxes are averaged and chances too; here a look is one frame away.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain, islice

import numpy as np
import torch
from scipy.optimize import linear_sum_assignment
from torchvision.ops import box_iou

from models.detector.detector import KINDS, Boxes

OTHERS_PLACE, OTHERS_CHANCE = 0.33, 0.5
"""what the frames beside it count in a box's corners and in its chance (chosen on two school games at night;
0.25 to 0.4 alike, at 0.67 legs that run make boxes worse)"""
SAME_IOU, NEW_IOU = 0.4, 0.5
"""least overlap of a man's boxes one frame apart, and two frames apart where none lies between"""
SURE, ENOUGH, STEPS = 0.4, 4, 3
LEAST_SHARED = 0.5
"""share of the sure boxes that a frame beside must hold too; less is a cut, or another picture"""
BALL = KINDS.index("ball")


@dataclass(frozen=True)
class _Beside:
    """A frame beside another. at (N,): the row there of each of the N boxes, -1 for none and for balls;
    shift (2,) px: from a man's place here to his place there, but for his own steps."""

    look: Boxes
    at: np.ndarray
    shift: np.ndarray


def agreed_in_time(before: Boxes | None, boxes: Boxes, after: Boxes | None) -> tuple[Boxes, np.ndarray]:
    """The frame's boxes, in their order, and behind them men that only both frames beside it show.

    before, after: None where there is no such frame. Balls stay as they are. Returns also (K, 2) int: the
    rows before and after of each box that is new.
    """
    beside = [b for look in (before, after) if look is not None and (b := _look_beside(look, boxes))]
    if not beside:
        return boxes, np.zeros((0, 2), int)
    people = boxes.kind != BALL
    chances = np.zeros((len(boxes), len(KINDS)))
    chances[np.arange(len(boxes)), boxes.kind] = (1 - OTHERS_CHANCE) * boxes.confidence
    for b in beside:
        seen = np.flatnonzero(b.at >= 0)
        theirs = b.at[seen]
        chances[seen, b.look.kind[theirs]] += OTHERS_CHANCE / len(beside) * b.look.confidence[theirs]
    kind = np.where(people, chances.argmax(1), boxes.kind).astype(np.uint8)
    confidence = np.where(people, chances.max(1), boxes.confidence)
    if len(beside) < 2:
        return Boxes(boxes.xyxy_px, confidence.astype(np.float32), kind), np.zeros((0, 2), int)
    corners, new = _between(boxes, *beside), _hidden_now(*beside)
    one, two = beside[0].look, beside[1].look
    middle = (one.xyxy_px[new[:, 0]] + two.xyxy_px[new[:, 1]]) / 2.0
    chance = OTHERS_CHANCE * (one.confidence[new[:, 0]] + two.confidence[new[:, 1]]) / 2.0
    return Boxes(
        np.concatenate([corners, middle]).astype(np.float32),
        np.concatenate([confidence, chance]).astype(np.float32),
        np.concatenate([kind, one.kind[new[:, 0]]]),
    ), new


def _between(boxes: Boxes, before: _Beside, after: _Beside) -> np.ndarray:
    """(N, 4) corners: each box and the mean of the same man's before and after, weighed by confidence."""
    one, i, two, j = before.look, before.at, after.look, after.at
    corners = boxes.xyxy_px.astype(float)
    both = (i >= 0) & (j >= 0)
    middle = (one.xyxy_px[i[both]] + two.xyxy_px[j[both]]) / 2.0
    others = OTHERS_PLACE * (one.confidence[i[both]] + two.confidence[j[both]]) / 2.0
    own = (1 - OTHERS_PLACE) * boxes.confidence[both]
    share = (others / np.maximum(others + own, 1e-9))[:, None]
    corners[both] = (1 - share) * corners[both] + share * middle
    return corners


def over_film(frames: Iterable[Boxes]) -> Iterator[Boxes]:
    """`agreed_in_time` of frame after frame of one film; one frame late, boxes best first."""
    ends = chain([None], frames, [None])
    window = list(islice(ends, 2))
    for after in ends:
        before, boxes = window
        if boxes is not None:
            settled, _ = agreed_in_time(before, boxes, after)
            yield settled.rows(np.argsort(-settled.confidence, kind="stable"))
        window = [boxes, after]


def _look_beside(look: Boxes, boxes: Boxes) -> _Beside | None:
    """A frame beside the boxes' own; None where the two have too little in common."""
    mine, theirs = np.flatnonzero(boxes.kind != BALL), np.flatnonzero(look.kind != BALL)
    sure = mine[boxes.confidence[mine] >= SURE]
    here, there = boxes.xyxy_px[sure], look.xyxy_px[theirs[look.confidence[theirs] >= SURE]]
    for guess in (lambda: np.zeros(2), lambda: _voted(here, there)):  # the second costs as much as all else
        shift = _step(here, there, guess())
        at = np.full(len(boxes), -1)
        i, j = _matched(boxes.xyxy_px[mine] + np.tile(shift, 2), look.xyxy_px[theirs], SAME_IOU)
        at[mine[i]] = theirs[j]
        if len(i) and float((at[sure] >= 0).mean() if len(sure) else 1.0) >= LEAST_SHARED:
            return _Beside(look, at, shift)
    return None


def _step(here: np.ndarray, there: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """(2,) px: what the picture moved by, the median over men, from a first guess."""
    for _ in range(STEPS):
        i, j = _matched(here + np.tile(shift, 2), there, SAME_IOU / 2)
        if len(i) < ENOUGH:
            break
        apart = there[j] - here[i]
        shift = np.median((apart[:, :2] + apart[:, 2:]) / 2, 0)
    return shift


def _voted(here: np.ndarray, there: np.ndarray) -> np.ndarray:
    """(2,) px: the shift that most pairs of boxes of about one height agree on, for a camera that jerks."""
    tall = [boxes[:, 3] - boxes[:, 1] for boxes in (here, there)]
    alike = np.abs(np.log(np.maximum(tall[0], 1.0)[:, None] / np.maximum(tall[1], 1.0)[None])) < 0.2
    i, j = np.nonzero(alike)
    if not len(i):
        return np.zeros(2)
    apart = (there[j] - here[i]).reshape(-1, 2, 2).mean(1)
    near = np.abs(apart[:, None] - apart[None]).max(-1) < 0.1 * float(np.median(tall[0]))
    return np.asarray(np.median(apart[near[near.sum(1).argmax()]], 0))


def _matched(one: np.ndarray, two: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    if not len(one) or not len(two):
        return np.zeros(0, int), np.zeros(0, int)
    iou = np.nan_to_num(box_iou(torch.from_numpy(one), torch.from_numpy(two)).numpy())  # boxes of no size
    i, j = linear_sum_assignment(iou, maximize=True)
    enough = iou[i, j] >= least
    return i[enough], j[enough]


def _hidden_now(before: _Beside, after: _Beside) -> np.ndarray:
    """(K, 2) rows before and after of the people of one kind whom the frame between does not show."""
    one, two = (np.setdiff1d(np.flatnonzero(b.look.kind != BALL), b.at[b.at >= 0]) for b in (before, after))
    moved = before.look.xyxy_px[one] + np.tile(after.shift - before.shift, 2)
    a, b = _matched(moved, after.look.xyxy_px[two], NEW_IOU)
    rows = np.stack([one[a], two[b]], 1)
    return rows[before.look.kind[rows[:, 0]] == after.look.kind[rows[:, 1]]]
