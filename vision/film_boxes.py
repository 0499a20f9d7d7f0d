"""The boxes of the followed men as the film's time agrees on them.

A detector's box of one frame is too wide, too tight or on the wrong man now and then, and a hidden man has
none. Once the men are followed, the frames about it know better: about a man's foot (his path through the
camera) his box changes slowly. So every frame's boxes are given to the men anew by where each man's other
frames expect his, smoothed about his foot, and where he is hidden for a while the expected box stands in (an
estimate: `observed` stays False).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment
from scipy.special import expit

from calibration.clip import ClipCameras
from models.evaluation.boxes import CONFIDENCE, CORNERS
from models.evaluation.fault_counts import iou_table
from vision.records import BALL, OFFICIAL, PLAYER, Detections


@dataclass(frozen=True)
class BoxSettings:
    """expect_s, smooth_s: sd (s) of the weights of a man's other frames, for what is expected and what is
    written; own_share: of a frame's own box in what is written; least_iou: of a box with the expected one;
    keep, sure: worth of a man's old box and of a box's confidence, in IoU; most_sd_yd: a hidden man whose
    place is known no better gets no box (four tuning games: right .85 of 311 under 0.2 yd, .58 of 74 to 0.3,
    .25 of 24 to 0.5); least_in_view: share of the box that must lie in the picture. Chosen on nine games
    (six of them college and professional, three school). seen, hidden: log odds that a box lies on its man
    at IoU 0.5: constant, then by confidence and by IoU with the expected box; constant, then by sd in yards
    (logistic regressions over ten college and professional games). loose_iou, loose_share: a detected player
    or official whose box overlaps no followed man's more than the first is nobody's; the chance that a player
    is there is this share of his confidence (five tuning games: 1 in 25 of 8,300 was a man not boxed
    otherwise). loose_official: log odds that an official is there: constant, by confidence, by IoU with the
    followed man it overlaps most (1,419 boxes of six tuning games; on 1,648 of six others the mean chance was
    .43 and .47 were there, mean squared error .073, with the players' share .10 and .371; on 522 of two
    school games the mean chance was .25 and .26 were there).
    """

    expect_s: float = 0.15
    smooth_s: float = 0.1
    own_share: float = 0.3
    least_iou: float = 0.3
    keep: float = 0.2
    sure: float = 0.3
    most_sd_yd: float = 0.4
    least_in_view: float = 0.5
    seen: tuple[float, float, float] = (-2.6, 3.0, 6.0)
    hidden: tuple[float, float] = (3.5, -11.9)
    loose_iou: float = 0.8
    loose_share: float = 0.12
    loose_official: tuple[float, float, float] = (-3.1, 4.8, -7.7)


@dataclass
class _Boxes:
    """A clip's rows: corners (N, 4) px, NaN where none; row (N,) of the detections or -1; confidence (N,)."""

    corners: np.ndarray
    row: np.ndarray
    confidence: np.ndarray

    @property
    def seen(self) -> np.ndarray:
        return self.row >= 0


def with_film_boxes(
    rows: pd.DataFrame,
    cameras: ClipCameras,
    detections: Detections,
    box_row: np.ndarray,
    settings: BoxSettings | None = None,
) -> pd.DataFrame:
    """Rows of the table `tracks` of one clip (frame counts the cameras') with their boxes settled, and the
    chance `box_confidence` that each lies on its man (IoU 0.5).

    box_row (N,): each row's box among the detections, -1 where it has none. Rows in frames without a camera
    keep the box they have.
    """
    s = settings or BoxSettings()
    out = rows.copy()
    feet = _feet(rows, cameras)
    frames, sd = rows["frame"].to_numpy(int), pd.to_numeric(rows["sd_yd"], errors="coerce").to_numpy(float)
    t_s = detections.pts_s[frames]
    men = [m[np.argsort(frames[m])] for m in rows.groupby("player_id", sort=False).indices.values()]
    boxes = _of_rows(np.asarray(box_row, int), detections)
    expected = _about_feet(boxes, feet, t_s, men, s.expect_s, own=False)
    boxes = _given_anew(boxes, expected, frames, detections, s)
    expected = _about_feet(boxes, feet, t_s, men, s.expect_s, own=False)
    smooth = _about_feet(boxes, feet, t_s, men, s.smooth_s, own=True)
    limits = np.array([cameras.width_px, cameras.height_px] * 2, float)
    settled = _settled(boxes, smooth, limits, s.own_share)
    settled[~boxes.seen & ~((sd <= s.most_sd_yd) & (_in_view(settled, limits) >= s.least_in_view))] = np.nan
    out[CORNERS] = settled
    there = np.isfinite(settled).all(1)
    out[CONFIDENCE] = np.where(there, _chance(boxes, expected, sd, s), np.nan)
    return out


def loose_boxes(rows: pd.DataFrame, d: Detections, settings: BoxSettings | None = None) -> pd.DataFrame:
    """Players and officials the detector sees where nobody is followed: rows of the table `loose_boxes`.

    rows: one clip's, as `with_film_boxes` gives them. In a pile or a bunch one of two men is followed and the
    other is not; who asks for every man of a frame takes these too.
    """
    s = settings or BoxSettings()
    people = np.flatnonzero(np.isin(d.kind, (PLAYER, OFFICIAL)))
    overlap = np.zeros(len(people))
    boxed = rows[np.isfinite(rows[CORNERS].to_numpy(float)).all(1)]
    followed = {int(f): part[CORNERS].to_numpy(float) for f, part in boxed.groupby("frame")}  # type: ignore[call-overload]
    for frame, mine in _by_frame(d.frame[people]):
        if frame in followed:
            iou = iou_table(d.xyxy_px[people[mine]].astype(float), followed[frame])
            overlap[mine] = iou.max(1)
    free = overlap < s.loose_iou
    people, overlap = people[free], overlap[free]
    corners = dict(zip(CORNERS, d.xyxy_px[people].T.astype(float), strict=True))
    kind = np.where(d.kind[people] == OFFICIAL, "official", "player")
    confidence, (fixed, by_confidence, by_overlap) = d.confidence[people].astype(float), s.loose_official
    official = expit(fixed + by_confidence * confidence + by_overlap * overlap)
    chance = np.where(kind == "official", official, s.loose_share * confidence)
    return pd.DataFrame(
        {"clip_id": d.clip_id, "frame": d.frame[people], "kind": kind, **corners, CONFIDENCE: chance}
    )


def _by_frame(frames: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Every frame among `frames` (N,) with the places where it stands."""
    for frame, places in pd.Series(np.arange(len(frames))).groupby(frames).indices.items():
        yield int(frame), places  # type: ignore[call-overload]


def _feet(rows: pd.DataFrame, cameras: ClipCameras) -> np.ndarray:
    """(N, 2) px where every row's place stands in the picture; NaN without a camera."""
    frames = rows["frame"].to_numpy(int)
    places = rows[["x_field_yd", "y_field_yd"]].to_numpy(float)
    feet = np.full((len(rows), 2), np.nan)
    for frame, mine in _by_frame(frames):
        camera = cameras.camera(frame)
        if camera is not None:
            px, fine = camera.to_image(places[mine])
            feet[mine] = np.where(fine[:, None], px, np.nan)
    return feet


def _of_rows(row: np.ndarray, d: Detections) -> _Boxes:
    if not len(d):
        return _Boxes(np.full((len(row), 4), np.nan), np.full(len(row), -1), np.zeros(len(row)))
    has = row >= 0
    corners = np.where(has[:, None], d.xyxy_px[row], np.nan).astype(float)
    return _Boxes(corners, row, np.where(has, d.confidence[row], 0.0).astype(float))


def _about_feet(
    boxes: _Boxes, feet: np.ndarray, t_s: np.ndarray, men: list[np.ndarray], sd_s: float, own: bool
) -> np.ndarray:
    """(N, 4) px: where each row's man has his box by the frames about it, weighed by nearness in time and by
    confidence; far from any of them by the nearest. own: whether the row's own box counts."""
    out = np.full(boxes.corners.shape, np.nan)
    placed = np.isfinite(feet).all(1)
    for man in men:
        known = man[boxes.seen[man] & placed[man]]
        asked = man[placed[man]]
        if not len(known) or not len(asked):
            continue
        apart = np.abs(t_s[asked][:, None] - t_s[known][None])
        nearest = apart.min(1, keepdims=True)  # keeps the weights of a long gap from vanishing
        weight = np.exp((nearest**2 - apart**2) / (2 * sd_s**2)) * np.maximum(boxes.confidence[known], 0.01)
        if not own:
            weight = np.where(asked[:, None] == known[None], 0.0, weight)
        total = weight.sum(1, keepdims=True)
        about = boxes.corners[known] - np.tile(feet[known], 2)
        mean = (weight @ about) / np.where(total > 0, total, 1.0) + np.tile(feet[asked], 2)
        out[asked] = np.where(total > 0, mean, np.nan)
    return out


def _given_anew(
    boxes: _Boxes, expected: np.ndarray, frames: np.ndarray, d: Detections, s: BoxSettings
) -> _Boxes:
    """Every frame's boxes of people given to its men by the expected boxes (best sum); men of whom nothing is
    expected keep theirs."""
    row, told = boxes.row.copy(), np.isfinite(expected).all(1)
    for frame, rows in _by_frame(frames):
        there = np.arange(d.rows(frame).start, d.rows(frame).stop)
        mine, kept = rows[told[rows]], boxes.row[rows[~told[rows]]]
        there = there[(d.kind[there] != BALL) & ~np.isin(there, kept)]
        if not len(mine):
            continue
        row[mine] = -1
        if not len(there):
            continue
        iou = iou_table(expected[mine], d.xyxy_px[there].astype(float))
        old = boxes.row[mine][:, None] == there[None]
        worth = iou + s.keep * old + s.sure * d.confidence[there][None]
        worth = np.where((iou >= s.least_iou) | old, worth, 0.0)
        i, j = linear_sum_assignment(worth, maximize=True)
        good = worth[i, j] > 0
        row[mine[i[good]]] = there[j[good]]
    return _of_rows(row, d)


def _settled(boxes: _Boxes, smooth: np.ndarray, limits: np.ndarray, own_share: float) -> np.ndarray:
    """(N, 4) what is written: seen boxes mixed with the smooth ones, as they are where the picture cuts them
    or no camera is known; hidden men's smooth ones."""
    told = np.isfinite(smooth).all(1)
    mixed = own_share * boxes.corners + (1 - own_share) * smooth
    cut = ((boxes.corners < 2) | (boxes.corners > limits - 2)).any(1)
    out = np.where((boxes.seen & told & ~cut)[:, None], mixed, smooth)
    alone = boxes.seen & (cut | ~told)
    out[alone] = boxes.corners[alone]
    return out


def _in_view(boxes: np.ndarray, limits: np.ndarray) -> np.ndarray:
    """(N,) share of each box's area inside the picture; NaN where there is no box."""
    seen = np.clip(boxes, 0, limits)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    return (seen[:, 2] - seen[:, 0]) * (seen[:, 3] - seen[:, 1]) / np.where(area > 0, area, np.nan)


def _chance(boxes: _Boxes, expected: np.ndarray, sd: np.ndarray, s: BoxSettings) -> np.ndarray:
    """(N,) that a row's box lies on its man."""
    agrees = np.zeros(len(sd))
    both = boxes.seen & np.isfinite(expected).all(1)
    if both.any():
        a, b = boxes.corners[both], expected[both]
        low, high = np.maximum(a[:, :2], b[:, :2]), np.minimum(a[:, 2:], b[:, 2:])
        inter = np.clip(high - low, 0, None).prod(1)
        agrees[both] = inter / ((a[:, 2:] - a[:, :2]).prod(1) + (b[:, 2:] - b[:, :2]).prod(1) - inter)
    odds = np.where(
        boxes.seen,
        s.seen[0] + s.seen[1] * boxes.confidence + s.seen[2] * agrees,
        s.hidden[0] + s.hidden[1] * np.nan_to_num(sd, nan=1.0),
    )
    return np.asarray(expit(odds))


__all__ = ["BoxSettings", "loose_boxes", "with_film_boxes"]
