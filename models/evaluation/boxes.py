"""The men's boxes that leave the program (table `tracks`), against true boxes in the picture.

Matching at IoU 0.5, one to one, the best sum of overlaps (scipy's assignment). What the detector finds in a
single frame is scored by `models.evaluation.detector`; here teams and the men's paths have had their say.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import torch
from scipy.optimize import linear_sum_assignment
from torchvision.ops import box_iou

from models.evaluation.precision import coco_matches
from models.evaluation.tally import Tally

CORNERS = ["x0_px", "y0_px", "x1_px", "y1_px"]
SEEN_SHARE = 0.15
"""Men of whom less is visible are not asked for; a box on one counts neither way."""
EVERY = 10
"""Frames from one scored to the next."""
RECALL = "players' boxes found, after tracking (IoU 0.5)"
PRECISION = "boxes of players right, after tracking (IoU 0.5)"
OFFICIAL = "official taken for a player, after tracking"
AVERAGE = "players' boxes after tracking: AP50"
AVERAGE_STRICT = "players' boxes after tracking: AP50-95"
CONFIDENCE = "box_confidence"


def asked_for(rows: pd.DataFrame, xyxy_px: np.ndarray) -> np.ndarray:
    """(N,) bool: which true rows (`visible`, 0..1) are to be found; boxes (N, 4) are cut at the picture.

    Enough of the man is seen, and more than a pixel of his box is left both ways.
    """
    left = (xyxy_px[:, 2:] - xyxy_px[:, :2]).min(1, initial=np.inf)
    return np.asarray((rows["visible"].to_numpy(float) >= SEEN_SHARE) & (left > 1))


def add_boxes(
    tally: Tally, found: pd.DataFrame, true: pd.DataFrame, size_px: tuple[int, int], every: int = EVERY,
    loose: pd.DataFrame | None = None,
) -> None:  # fmt: skip
    """Count one clip. found: rows of `tracks`; true: rows with kind, visible, corners (px) and frame; loose:
    rows of `loose_boxes`, which count in the average precision only."""
    found = found[found["team"].isin(["offense", "defense"])].dropna(subset=CORNERS)
    true = true[true["kind"].isin(["player", "official"])]
    limits = np.array([*size_px, *size_px], np.float32)
    by_frame = dict(tuple(found.groupby("frame")))
    players = loose[loose["kind"] == "player"] if loose is not None and len(loose) else None
    others = dict(tuple(players.groupby("frame"))) if players is not None else {}
    for frame in np.unique(found["frame"])[::every]:
        rows = true[true["frame"] == frame]
        if not len(rows):
            continue
        theirs = rows[CORNERS].to_numpy(np.float32).clip(0, limits)
        ours = by_frame[frame][CORNERS].to_numpy(np.float32).clip(0, limits)
        player = (rows["kind"] == "player").to_numpy()
        asked = asked_for(rows, theirs)
        count_frame(tally, ours, theirs, player, asked)
        if CONFIDENCE in found:
            all_of_them = pd.concat([by_frame[frame], *([others[frame]] if frame in others else [])])
            sure = pd.to_numeric(all_of_them[CONFIDENCE]).fillna(0.0).to_numpy(float)
            ours = all_of_them[CORNERS].to_numpy(np.float32).clip(0, limits)
            rank_frame(tally, ours, sure, theirs, player & asked, ~asked)


def count_frame(
    tally: Tally, ours: np.ndarray, theirs: np.ndarray, player: np.ndarray, asked: np.ndarray
) -> None:
    """One frame: our players' boxes (N, 4), true boxes (M, 4) of players and officials, which are players and
    which are asked for (M,) bool."""
    iou = box_iou(torch.from_numpy(theirs), torch.from_numpy(ours)).numpy()
    men = np.flatnonzero(player)
    i, j = linear_sum_assignment(iou[men], maximize=True)
    hit = iou[men][i, j] >= 0.5
    found, used = np.zeros(len(theirs), bool), np.zeros(len(ours), bool)
    found[men[i[hit]]], used[j[hit]] = True, True
    tally.counts[f"{RECALL}/n"] += int((player & asked).sum())
    tally.counts[f"{RECALL}/right"] += int((player & asked & found).sum())
    unasked = np.zeros(len(ours), bool)
    unasked[j[hit]] = ~asked[men[i[hit]]]
    tally.counts[f"{PRECISION}/n"] += int((~unasked).sum())
    tally.counts[f"{PRECISION}/right"] += int((used & ~unasked).sum())
    officials = ~player & asked
    taken = (iou[officials][:, ~used] >= 0.5).any(1) if len(ours) else np.zeros(officials.sum(), bool)
    tally.counts[f"{OFFICIAL}/n"] += int(officials.sum())
    tally.counts[f"{OFFICIAL}/right"] += int(taken.sum())


def rank_frame(
    tally: Tally, ours: np.ndarray, sure: np.ndarray, theirs: np.ndarray, asked: np.ndarray,
    ignored: np.ndarray,
) -> None:  # fmt: skip
    """One frame's boxes for the average precision (COCO's rule): a box that matches nobody asked for but lies
    on a man too hidden to be asked for counts neither way. sure (N,): confidence of our boxes (N, 4); asked,
    ignored (M,) bool: of the true boxes (M, 4)."""
    iou = box_iou(torch.from_numpy(ours), torch.from_numpy(theirs)).numpy()
    right = coco_matches(iou[:, asked], sure)
    spare = (iou[:, ignored] >= 0.5).any(1) & ~right[:, 0]
    for name, columns in ((AVERAGE, slice(0, 1)), (AVERAGE_STRICT, slice(None))):
        tally.counts[f"{name}/asked"] += int(asked.sum())
        answers = zip(sure[~spare].tolist(), right[~spare, columns], strict=True)
        tally.answers.setdefault(name, []).extend((c, tuple(r.tolist())) for c, r in answers)
