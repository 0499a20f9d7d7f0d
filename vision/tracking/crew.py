"""Officials told without the detector's word: dressed like neither side, and by themselves.

A detector may take officials for players, whole men for a whole clip, above all on film unlike what it learnt
from. Two signs hold on any film: an official wears neither kit, and he keeps out of the men's way. Both are
weighed piece by piece.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.records import Detections
from vision.tracking.crowd import to_others

SIGNS = ("unlike both kits", "nearest man", "third nearest")
LEAST_COLOURS, LEAST_MEN = 8, 6
"""Boxes of a piece whose colours are whole, and men in a frame, needed for them to say anything."""


@dataclass(frozen=True)
class CrewSettings:
    """Natural log units. usual, spread, weight: of each of `SIGNS`, and bias: a logistic regression over
    9,400 pieces of six rendered games in which the detector was made to call six in ten officials players
    for the whole clip (a game left out, of pieces of 30 boxes and more 0.77 of the officials' come out above
    0, 0.02 of the players'; with the detector's own words learnt from: 0.93 and 0.005). limit: most that the
    signs say. said_limit, unsaid_limit: most that the detector's boxes and the colours of those it calls
    officials say for and against an official: it calls strange ones players, hardly ever a player one."""

    said_limit: float = 6.0
    unsaid_limit: float = 1.0
    usual: tuple[float, ...] = (2.33, 1.01, 1.54)
    spread: tuple[float, ...] = (1.07, 0.54, 0.52)
    weight: tuple[float, ...] = (2.3, 1.0, 1.0)
    bias: float = -5.4
    limit: float = 5.0


def crew_log_odds(signs: np.ndarray, s: CrewSettings) -> np.ndarray:
    """(P,) log odds that a piece is an official's rather than a player's, from (P,len(SIGNS)) signs; 0 where
    one of them is not known."""
    known = np.isfinite(signs).all(1)
    scaled = (signs - np.array(s.usual)) / np.array(s.spread)
    odds = np.clip(s.bias + scaled @ np.array(s.weight), -s.limit, s.limit)
    return np.asarray(np.where(known, odds, 0.0))


def crew_signs(
    pieces: list[np.ndarray], x: np.ndarray, d: Detections, inside: np.ndarray, offset: np.ndarray | None,
    views: np.ndarray | None,
) -> np.ndarray:  # fmt: skip
    """(P,len(SIGNS)) signs of every piece, NaN where not known: logs (of 1 +) the squared distance from the
    nearer kit in spreads and of the median distances in yards.

    x (P,T,4): states of the pieces; inside (N,): boxes on the field; offset (N,K): see `teams.kit_offsets`;
    views (T,): which camera took each frame.
    """
    seen = np.zeros(x.shape[:2], bool)
    for k, rows in enumerate(pieces):
        seen[k, d.frame[rows]] = inside[rows]
    out = np.full((len(pieces), len(SIGNS)), np.nan)
    out[:, 0] = _unlike(pieces, d, offset, views)
    for column, value in enumerate(_neighbours(x[..., :2], seen), start=1):
        out[:, column] = _row_medians(np.where(seen, value, np.nan))
    return out


def _unlike(
    pieces: list[np.ndarray], d: Detections, offset: np.ndarray | None, views: np.ndarray | None
) -> np.ndarray:
    """(P,) log of the squared distance of a piece's median colours from the nearer kit, view by view."""
    out = np.full(len(pieces), np.nan)
    if offset is None:
        return out
    whole = np.isfinite(offset).all(1)
    view = np.zeros(len(d), int) if views is None else np.asarray(views)[d.frame]
    for k, rows in enumerate(pieces):
        said, count = 0.0, 0
        for v in (0, 1):
            own = rows[whole[rows] & (view[rows] == v)]
            if len(own) >= LEAST_COLOURS:
                apart = np.median(offset[own], axis=0)
                said += len(own) * float(np.log1p(apart @ apart))
                count += len(own)
        if count:
            out[k] = said / count
    return out


def _neighbours(xy: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(P,T) each, logs of the distances to the nearest and the third nearest man; NaN in frames with few."""
    first, third = np.full(seen.shape, np.nan), np.full(seen.shape, np.nan)
    for f in np.flatnonzero(seen.sum(0) >= LEAST_MEN):
        men = np.flatnonzero(seen[:, f])
        first[men, f], third[men, f] = np.log1p(to_others(xy[men, f], (1, 3)))
    return first, third


def _row_medians(values: np.ndarray) -> np.ndarray:
    """(P,) medians of the known values of each row, NaN where there is none."""
    out = np.full(len(values), np.nan)
    for k in np.flatnonzero(np.isfinite(values).any(1)):
        out[k] = np.nanmedian(values[k])
    return out
