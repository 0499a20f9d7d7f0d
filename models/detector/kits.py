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
SHARE, ENOUGH = 0.95, 0.5
"""Of the confidence of those dressed alike so much must be officials', and they must be so much."""
DOUBT, SHARE_IN_DOUBT, ENOUGH_IN_DOUBT = 0.05, 0.4, 0.2
"""The same of a man whom the looks themselves have called an official that much.

Chosen on 120 frames of the strangeness program and 150 rendered ones: of 98 and 20 officials called players
(486, 526) 49 and 4 are put right, of 2,373 and 2,897 players none and 1 are lost. One bound for all (0.75,
0.5) put 37 and 1 right and lost none and 8.
"""
LEAST = 0.1  # fainter boxes are nobody's witness
ONE_MAN_IOU = 0.5


def official_share(chance: np.ndarray) -> np.ndarray:
    """(N,) an official's part of the chance of a player or an official, of chances (N, K) by kind."""
    return np.asarray(chance[:, OFFICIAL] / np.maximum(1e-9, chance[:, PLAYER] + chance[:, OFFICIAL]))


def dressed_as_officials(boxes: Boxes, colour: np.ndarray, share: np.ndarray | None = None) -> np.ndarray:
    """(N,) bool: players who wear the picture's officials' kit; colour (N, 12) of `describe_colour`, share
    (N,) of `official_share` where a picture was looked at several times."""
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
    doubtful = np.zeros(len(boxes), bool) if share is None else share > DOUBT
    enough, most = np.where(doubtful, ENOUGH_IN_DOUBT, ENOUGH), np.where(doubtful, SHARE_IN_DOUBT, SHARE)
    both = official + player
    return np.asarray(seen & (boxes.kind == PLAYER) & (both > enough) & (official > most * both))


def with_kits(bgr: np.ndarray, boxes: Boxes, share: np.ndarray | None = None) -> Boxes:
    """The boxes of a picture ((H, W, 3) uint8 BGR) with players in officials' dress made officials; share
    (N,) of `official_share`."""
    men = boxes.kind != BALL
    kind = boxes.kind.copy()
    alone = boxes.rows(men)
    doubt = None if share is None else share[men]
    changed = dressed_as_officials(alone, describe_colour(bgr, alone.xyxy_px), doubt)
    kind[np.flatnonzero(men)[changed]] = OFFICIAL
    return Boxes(boxes.xyxy_px, boxes.confidence, kind)
