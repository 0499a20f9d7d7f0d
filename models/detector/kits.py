"""A man dressed as a picture's officials is one of them: what his own box leaves open, the others settle.

Officials of one game wear one kit. Those the detector is sure of show it; a man it calls a player who wears
that kit, and no team's, becomes an official. The other way is not taken: officials' clothes differ more.
"""

from __future__ import annotations

import numpy as np
import torch
from torchvision.ops import box_iou

from models.detector.colour import describe_colour
from models.detector.detector import KINDS, Boxes

PLAYER, OFFICIAL, BALL = (KINDS.index(k) for k in ("player", "official", "ball"))
SPREAD = np.array([12.0, 8, 8, 15, 10, 10, 20, 15, 15, 6, 0.25])
"""What one kit's descriptions differ by in one picture (columns of `models.detector.colour.COLOURS` without
the last): about the spread within teams of rendered film and of the strangeness program."""
SHARE, ENOUGH = 0.75, 0.5
"""Of the confidence of those dressed alike so much must be officials', and they must be so much.

Chosen on 60 frames of the strangeness program and 1,023 of twelve rendered games: of 60 and 139 officials
called players 24 and 17 are put right, of 1,221 and 18,715 players 0 and 15 are lost.
"""
LEAST = 0.1  # fainter boxes are nobody's witness
ONE_MAN_IOU = 0.5


def dressed_as_officials(boxes: Boxes, colour: np.ndarray) -> np.ndarray:
    """(N,) bool: players who wear the picture's officials' kit; colour (N, 12) of `describe_colour`."""
    out = np.zeros(len(boxes), bool)
    seen = np.isfinite(colour).all(1) & (boxes.confidence > LEAST)
    witness = seen & np.isin(boxes.kind, (PLAYER, OFFICIAL))
    if not (witness & (boxes.kind == OFFICIAL)).any():
        return out
    apart = (colour[:, None, : len(SPREAD)] - colour[None, :, : len(SPREAD)]) / SPREAD
    like = np.nan_to_num(np.exp(-0.5 * np.square(apart).sum(-1)))  # unseen: like nobody
    corners = torch.from_numpy(np.array(boxes.xyxy_px, np.float32))
    like[box_iou(corners, corners).numpy() > ONE_MAN_IOU] = 0.0
    like *= np.where(witness, boxes.confidence, 0.0)
    official = like[:, boxes.kind == OFFICIAL].sum(1)
    player = like[:, boxes.kind == PLAYER].sum(1)
    return (
        seen
        & (boxes.kind == PLAYER)
        & (official + player > ENOUGH)
        & (official > SHARE * (official + player))
    )


def with_kits(bgr: np.ndarray, boxes: Boxes) -> Boxes:
    """The boxes of a picture ((H, W, 3) uint8 BGR) with players in officials' dress made officials."""
    men = boxes.kind != BALL
    kind = boxes.kind.copy()
    alone = boxes.rows(men)
    changed = dressed_as_officials(alone, describe_colour(bgr, alone.xyxy_px))
    kind[np.flatnonzero(men)[changed]] = OFFICIAL
    return Boxes(boxes.xyxy_px, boxes.confidence, kind)
