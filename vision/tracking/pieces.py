"""Pieces of paths: boxes joined from frame to frame while there is no doubt.

One pass forward in time, in field yards: predict, associate sure boxes by likelihood, then faint ones,
start new pieces inside the field, end a piece after `longest_gap_s` without a box. Pieces are cut again
where the colours say that the man changed. The whole-clip problem (`joining`) puts them together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.records import Detections
from vision.tracking.motion import MotionModel, inverse_2x2, liveliness, predict, update
from vision.tracking.places import Places

BIG = 1e6
VIEWS = 2


@dataclass(frozen=True)
class PieceSettings:
    """gate: chi-square of a place (2 degrees); sure: least confidence that starts a piece; longest_gap_s:
    without a box; longest_gap_edge_s: after a box at the picture's border (arms there are another's then);
    hidden_height: most that the height of a covered box says. double_iou: boxes overlapping a surer one by
    more start no piece (half of them are second boxes; a man behind another has his piece already).
    standing: share of the model's acceleration for men at rest, who are most of the crowd before the snap."""

    gate: float = 12.0
    sure: float = 0.3
    faint: float = 0.05
    longest_gap_s: float = 0.4
    longest_gap_edge_s: float = 0.2
    height_sd: float = 0.16
    hidden_height: float = 1.5
    picture_sd: float = 0.12
    picture_limit: float = 6.0
    picture_weight: float = 0.3
    doubt: float = 2.0
    double_iou: float = 0.5
    doubt_pair: float = 0.7
    standing: float = 0.15
    model: MotionModel = MotionModel(q=9.0, tau_s=1.5)


class _Walkers:
    """Men followed at the moment, as stacked arrays; box (M,VIEWS,4): his last box in each view's picture,
    relative to where he stood; view: the one of the frame at hand; number: who he is, counted up."""

    def __init__(self) -> None:
        self.x, self.p = np.zeros((0, 4)), np.zeros((0, 4, 4))
        self.tall, self.side, self.gap, self.edge = (np.zeros(0) for _ in range(4))
        self.box, self.view = np.zeros((0, VIEWS, 4)), 0
        self.number, self.met = np.zeros(0, int), 0
        self.rows: list[list[int]] = []

    @property
    def speed(self) -> np.ndarray:
        """(M,) yd/s."""
        return np.hypot(self.x[:, 2], self.x[:, 3])

    def see(self, men: np.ndarray, boxes: np.ndarray, camera: Any) -> None:
        """Remember the boxes of some men relative to where their states stand in the picture."""
        if len(men):
            foot, ok = camera.to_image(self.x[men, :2])
            self.box[men, self.view] = np.where(ok[:, None], boxes - np.tile(foot, 2), np.nan)

    def keep(self, mask: np.ndarray) -> list[list[int]]:
        gone = [rows for rows, ok in zip(self.rows, mask, strict=True) if not ok]
        self.rows = [rows for rows, ok in zip(self.rows, mask, strict=True) if ok]
        for name in ("x", "p", "tall", "side", "gap", "edge", "box", "number"):
            setattr(self, name, getattr(self, name)[mask])
        return gone

    def add(self, xy: np.ndarray, cov: np.ndarray, tall: np.ndarray, side: np.ndarray, rows: Any) -> None:
        n = len(xy)
        p = np.zeros((n, 4, 4))
        p[:, :2, :2] = cov
        p[:, 2, 2] = p[:, 3, 3] = 3.0**2
        self.x = np.concatenate([self.x, np.column_stack([xy, np.zeros((n, 2))])])
        self.p = np.concatenate([self.p, p])
        self.tall = np.r_[self.tall, tall]
        self.side = np.r_[self.side, side]
        self.gap, self.edge = np.r_[self.gap, np.zeros(n)], np.r_[self.edge, np.zeros(n)]
        self.box = np.concatenate([self.box, np.full((n, VIEWS, 4), np.nan)])
        self.number, self.met = np.r_[self.number, self.met + np.arange(n)], self.met + n
        self.rows += [[int(r)] for r in rows]


def trace_pieces(
    detections: Detections, places: Places, side: np.ndarray, cameras: Any,
    settings: PieceSettings | None = None, views: np.ndarray | None = None,
) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:  # fmt: skip
    """Rows of `detections` of every piece (each sorted in time); the speed (N,) in yd/s at which the man of
    each box was running (0 where the box is nobody's or his first); and the number (N,) of that man, -1
    nobody's: he is followed through doubt as well, where his boxes belong to no piece.

    side (N,): log odds of the two kits (`teams.side_log_odds`); views (T,): which camera took each frame, 0
    or 1 (None: one camera).
    """
    s = settings or PieceSettings()
    walkers, done, speed = _Walkers(), list[list[int]](), np.zeros(len(detections))
    number = np.full(len(detections), -1)
    t = detections.pts_s
    view = np.zeros(detections.n_frames, int) if views is None else views
    for f in range(detections.n_frames):
        if f:
            lively = liveliness(walkers.x[:, 2:], s.standing)
            step, noise = s.model.step(float(t[f] - t[f - 1]))
            walkers.x, walkers.p = predict(walkers.x, walkers.p, step, noise * lively[:, None, None])
        rows = np.arange(detections.rows(f).start, detections.rows(f).stop)
        rows = rows[places.valid[rows] & ~places.duplicate[rows]]
        if len(rows) == 0 and detections.rows(f).stop > detections.rows(f).start:
            continue  # camera lost: nobody is missed
        free = np.ones(len(rows), bool)
        open_ = np.ones(len(walkers.rows), bool)
        confidence = detections.confidence[rows]
        camera, walkers.view = cameras.camera(f), int(view[f])
        boxes = detections.xyxy_px[rows].astype(float)
        cost = _costs(walkers, places, side, rows, s) + _picture_cost(walkers, boxes, camera, s)
        for level in (confidence >= s.sure, (confidence >= s.faint)):
            ended, men, got = _associate(walkers, places, side, rows, cost, open_, free, level, s)
            done += ended
            walkers.see(men, boxes[got], camera)
            walkers.edge[men] = places.edge[rows[got]]
            speed[rows[got]], number[rows[got]] = walkers.speed[men], walkers.number[men]
        walkers.gap = np.where(open_, walkers.gap + (t[f] - t[f - 1] if f else 0), 0)
        longest = np.where(walkers.edge > 0.5, s.longest_gap_edge_s, s.longest_gap_s)
        done += walkers.keep(walkers.gap <= longest)
        new = free & (confidence >= s.sure) & places.inside[rows] & (places.over_surer[rows] < s.double_iou)
        r = rows[new]
        walkers.add(places.xy_field_yd[r], places.covariance[r], places.tall_yd[r], side[r], r)
        newest = np.arange(len(walkers.rows) - len(r), len(walkers.rows))
        number[r] = walkers.number[newest]
        walkers.see(newest, boxes[new], camera)
    done += walkers.rows
    pieces = [np.array(rows) for rows in done if rows]
    return [part for piece in pieces for part in cut_at_change(piece, side)], speed, number


def _costs(w: _Walkers, places: Places, side: np.ndarray, rows: np.ndarray, s: PieceSettings) -> np.ndarray:
    """(M,D) association cost (minus twice a log likelihood), BIG outside the gate."""
    if not len(rows) or not len(w.rows):
        return np.full((len(w.rows), len(rows)), BIG)
    sigma = w.p[:, None, :2, :2] + places.covariance[rows][None]
    nu = places.of_runners(rows, w.speed[:, None]) - w.x[:, None, :2]
    inverse = inverse_2x2(sigma)
    d2 = np.einsum("mni,mnij,mnj->mn", nu, inverse, nu)
    log_det = np.log(np.maximum(sigma[..., 0, 0] * sigma[..., 1, 1] - sigma[..., 0, 1] ** 2, 1e-9))
    same = _same_side(w.side[:, None], side[rows][None])
    height = np.minimum((np.log(places.tall_yd[rows][None] / w.tall[:, None]) / s.height_sd) ** 2, 6.0)
    cost = d2 + log_det - 2 * np.log(2 * same)
    height = np.where(places.hides_legs[rows], np.minimum(height, s.hidden_height), height)
    return np.where(d2 > s.gate, BIG, cost + height)


def _picture_cost(w: _Walkers, boxes: np.ndarray, camera: Any, s: PieceSettings) -> np.ndarray:
    """(M,D) how unlike a man's last box, carried along with him, a box is: sides, top and lower edge.

    Errors of a box go together from frame to frame, so in crowds the picture says more than the field.
    """
    if camera is None or not len(boxes) or not len(w.rows):
        return np.zeros((len(w.rows), len(boxes)))
    foot, ok = camera.to_image(w.x[:, :2])
    expected = w.box[:, w.view] + np.tile(foot, 2)
    high = np.maximum(expected[:, 3] - expected[:, 1], 4.0)[:, None, None]
    off = ((boxes[None] - expected[:, None]) / (s.picture_sd * high)) ** 2
    cost = np.minimum(off.mean(2), s.picture_limit)
    fade = np.exp(-w.gap / 0.2)[:, None]
    return np.where(np.isfinite(cost) & ok[:, None], s.picture_weight * fade * cost, 0.0)


def _same_side(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    pa, pb = 1 / (1 + np.exp(-a)), 1 / (1 + np.exp(-b))
    return np.asarray(np.clip(pa * pb + (1 - pa) * (1 - pb), 0.01, 1))


def _associate(
    w: _Walkers, places: Places, side: np.ndarray, rows: np.ndarray, cost: np.ndarray,
    open_: np.ndarray, free: np.ndarray, level: np.ndarray, s: PieceSettings,
) -> tuple[list[list[int]], np.ndarray, np.ndarray]:  # fmt: skip
    """Assign free boxes of one level to open walkers and update both, in place.

    Where another pairing is nearly as likely, the box moves the walker but belongs to no piece: the
    pieces end there (they are returned, with the men
    and their boxes' numbers) and new ones begin when it is clear again.
    """
    men, boxes = np.flatnonzero(open_), np.flatnonzero(free & level)
    if not len(men) or not len(boxes):
        return [], np.zeros(0, int), np.zeros(0, int)
    i, j = linear_sum_assignment(cost[np.ix_(men, boxes)])
    i, j = men[i], boxes[j]
    ok = cost[i, j] < BIG / 2
    i, j = i[ok], j[ok]
    r = rows[j]
    w.x[i], w.p[i], _ = update(w.x[i], w.p[i], places.of_runners(r, w.speed[i]), places.covariance[r])
    clear = np.where(places.hides_legs[r], 0.02, 0.15)
    w.tall[i] += clear * (places.tall_yd[r] - w.tall[i])
    w.side[i] = np.clip(0.97 * w.side[i] + 0.4 * side[r], -5, 5)
    ended = []
    unclear = _unclear(cost, i, j, men, s)
    for man, row in zip(i, r, strict=True):
        if man in unclear:
            ended.append(w.rows[man])
            w.rows[man] = []
        else:
            w.rows[man].append(int(row))
    open_[i] = False
    free[j] = False
    return ended, i, j


def _unclear(cost: np.ndarray, i: np.ndarray, j: np.ndarray, men: np.ndarray, s: PieceSettings) -> set[int]:
    """Walkers whose pairing could be exchanged with another's at less than `doubt` of cost."""
    box_of = np.full(cost.shape[0], -1)
    box_of[i] = j
    out: set[int] = set()
    own = cost[i, j]
    for other in men:
        theirs = cost[other, j]  # the other takes this box
        if box_of[other] >= 0:
            swap = theirs + cost[i, box_of[other]] - own - cost[other, box_of[other]] - s.doubt_pair
        else:
            swap = theirs - own - s.doubt
        close = (swap < 0) & (i != other)
        if close.any():
            out.update(int(k) for k in i[close])
            out.add(int(other))
    return out


def cut_at_change(piece: np.ndarray, side: np.ndarray, least_gain: float = 9.0) -> list[np.ndarray]:
    """Cut a piece where its colours turn from one kit to the other (best single split, repeated).

    Gain of a cut: the sum of log odds kept on both sides of it, |S1| + |S2| - |S1 + S2|, tempered by 0.4
    for the dependence of neighbouring frames.
    """
    if len(piece) < 8:
        return [piece]
    total = np.cumsum(side[piece])
    left, right = total[:-1], total[-1] - total[:-1]
    gain = 0.4 * (np.abs(left) + np.abs(right) - np.abs(total[-1]))
    k = int(np.argmax(gain[2:-2])) + 2
    if gain[k] < least_gain:
        return [piece]
    return cut_at_change(piece[: k + 1], side, least_gain) + cut_at_change(piece[k + 1 :], side, least_gain)
