"""A detector's mistakes counted against true boxes: how often, where, and how long they last.

The same counting serves film with truth and the fault model's own boxes, so that the two can be compared.
A man-frame is a man whose whole box lies in the picture on one frame. He is covered where a nearer box hides
more than 0.3 of his, small under 40 px, else free. A man is found where a sure box (0.25) of a person has
IoU 0.4 with his. Truth comes as arrays over people and frames; nothing here reads files.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
from scipy.optimize import linear_sum_assignment

from models.synthetic.faults import covered_share

SURE, FAINT, SAME_IOU, NEAR_IOU = 0.25, 0.05, 0.4, 0.25
COVERED, SMALL_PX, CUT = 0.3, 40.0, 0.15
PLAYER, OFFICIAL = 0, 1


@dataclass(frozen=True)
class TrueBoxes:
    """True amodal boxes of a clip: xyxy_px (P,F,4), NaN where absent; official (P,) bool; others: per frame
    the boxes (K,4) of bench, coaches and crew, who are neither to be found nor false. dt_s: frame step."""

    xyxy_px: np.ndarray
    official: np.ndarray
    others: tuple[np.ndarray, ...]
    dt_s: float
    width_px: int
    height_px: int


@dataclass(frozen=True)
class FoundBoxes:
    """Boxes of a clip: frame (N,), xyxy_px (N,4), confidence (N,), kind (N,) 0 player, 1 official."""

    frame: np.ndarray
    xyxy_px: np.ndarray
    confidence: np.ndarray
    kind: np.ndarray


@dataclass
class FaultCounts:
    """Sums over clips. Pairs (count, of) are shares or rates; lists are lengths of spells in s or samples."""

    missed_free: tuple[float, float] = (0, 0)
    missed_small: tuple[float, float] = (0, 0)
    missed_covered: tuple[float, float] = (0, 0)
    single_frame: tuple[float, float] = (0, 0)
    spells_free: tuple[float, float] = (0, 0)
    faint_while_missed: tuple[float, float] = (0, 0)
    shared: tuple[float, float] = (0, 0)
    doubled: tuple[float, float] = (0, 0)
    cut: tuple[float, float] = (0, 0)
    false_tracks: tuple[float, float] = (0, 0)
    official_as_player: tuple[float, float] = (0, 0)
    player_as_official: tuple[float, float] = (0, 0)
    spell_s: tuple[float, ...] = ()
    shared_s: tuple[float, ...] = ()
    doubled_s: tuple[float, ...] = ()
    cut_s: tuple[float, ...] = ()
    false_s: tuple[float, ...] = ()
    edges: tuple[float, ...] = ()
    low_edges: tuple[float, ...] = ()
    sides: tuple[float, ...] = ()
    low_covered: tuple[float, ...] = ()

    def __add__(self, other: FaultCounts) -> FaultCounts:
        out = {}
        for f in fields(self):
            a, b = getattr(self, f.name), getattr(other, f.name)
            shares = f.name not in LISTS
            out[f.name] = (a[0] + b[0], a[1] + b[1]) if shares else a + b
        return FaultCounts(**out)

    def statistics(self) -> dict[str, float]:
        """Ratios, mean lengths in s, and spreads as shares of a man's height; NaN where nothing was met."""
        out = {}
        for f in fields(self):
            value = getattr(self, f.name)
            if f.name in SAMPLES:
                continue
            if f.name in LISTS:
                out[f.name] = float(np.mean(value)) if value else float("nan")
            else:
                out[f.name] = value[0] / value[1] if value[1] else float("nan")
        for name, source in SPREADS.items():
            out[name] = spread(np.array(getattr(self, source)))
        out["low_edge"] = float(np.median(self.low_edges)) if self.low_edges else float("nan")
        return out

    def sizes(self) -> dict[str, int]:
        """How many man-frames, spells or seconds stand behind each statistic."""
        out = {}
        for f in fields(self):
            value = getattr(self, f.name)
            out[f.name] = len(value) if f.name in LISTS else round(value[1])
        out |= {name: out[source] for name, source in SPREADS.items()} | {"low_edge": out["low_edges"]}
        return {k: v for k, v in out.items() if k not in SAMPLES}


SAMPLES = ("edges", "low_edges", "sides", "low_covered")
LISTS = ("spell_s", "shared_s", "doubled_s", "cut_s", "false_s", *SAMPLES)
SPREADS = {"edge_sd": "edges", "low_sd": "low_edges", "side_sd": "sides", "covered_sd": "low_covered"}
"""Robust standard deviations as shares of the height: upper edge, lower edge and middle of free men's boxes,
lower edge of covered men's."""


def spread(values: np.ndarray) -> float:
    """1.4826 times the median distance from the median; NaN for none."""
    if not len(values):
        return float("nan")
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def iou_table(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(N,M) intersection over union of (N,4) and (M,4); NaN boxes overlap nothing."""
    low, high = np.maximum(a[:, None, :2], b[None, :, :2]), np.minimum(a[:, None, 2:], b[None, :, 2:])
    inter = np.clip(high - low, 0, None).prod(-1)
    area = [(x[:, 2] - x[:, 0]) * (x[:, 3] - x[:, 1]) for x in (a, b)]
    return np.nan_to_num(inter / np.maximum(area[0][:, None] + area[1][None] - inter, 1e-9))


def count_faults(true: TrueBoxes, found: FoundBoxes) -> FaultCounts:
    """Counts of one clip."""
    boxes, dt = true.xyxy_px, true.dt_s
    people, frames = boxes.shape[:2]
    inside = (
        np.isfinite(boxes).all(-1) & (boxes[..., :2] >= 0).all(-1)
        & (boxes[..., 2] < true.width_px) & (boxes[..., 3] < true.height_px)
    )  # fmt: skip
    tall = np.nan_to_num(boxes[..., 3] - boxes[..., 1])
    covered = covered_share(boxes)
    grids = {n: np.zeros((people, frames), bool) for n in ("found", "faint", "shared", "near", "doubled")}
    kind = np.full((people, frames), -1)
    residual = np.full((people, frames, 4), np.nan)
    strays: list[np.ndarray] = []
    for f in range(frames):
        rows = np.flatnonzero((found.frame == f) & (found.kind <= OFFICIAL))
        stray = _frame(boxes[:, f], true.others[f], found, rows, f, grids, kind, residual)
        strays.append(stray)
    missed = inside & ~grids["found"]
    is_covered = covered > COVERED
    small = ~is_covered & (tall < SMALL_PX)
    free = ~is_covered & ~small
    spells = _spells(missed, inside)
    long = [(i, a, b) for i, a, b in spells if b - a >= 2]
    low = residual[..., 3]
    cut = is_covered & grids["found"] & (low < -CUT)
    hits = grids["found"] & inside
    officials = true.official[:, None] & hits
    players = ~true.official[:, None] & hits
    clean = free & hits
    tracks = _linked(strays)
    return FaultCounts(
        missed_free=_pair(missed, inside & free),
        missed_small=_pair(missed, inside & small),
        missed_covered=_pair(missed, inside & is_covered),
        single_frame=(sum(b - a == 1 and free[i, a] for i, a, b in spells), float((inside & free).sum())),
        spells_free=(sum(bool(free[i, a]) for i, a, _ in long), float((inside & free).sum()) * dt),
        faint_while_missed=_pair(grids["faint"], missed),
        shared=_pair(grids["shared"], grids["near"] & inside),
        doubled=_pair(grids["doubled"], inside),
        cut=_pair(cut, is_covered & hits),
        false_tracks=(len(tracks), frames * dt),
        official_as_player=_pair(kind == PLAYER, officials),
        player_as_official=_pair(kind == OFFICIAL, players),
        spell_s=tuple((b - a) * dt for _, a, b in long),
        shared_s=tuple((b - a) * dt for _, a, b in _spells(grids["shared"], inside)),
        doubled_s=tuple((b - a) * dt for _, a, b in _spells(grids["doubled"], inside)),
        cut_s=tuple((b - a) * dt for _, a, b in _spells(cut, inside)),
        false_s=tuple(n * dt for n in tracks),
        edges=tuple(residual[..., 1][clean].round(4).tolist()),
        low_edges=tuple(low[clean].round(4).tolist()),
        sides=tuple(((residual[..., 0] + residual[..., 2]) / 2)[clean].round(4).tolist()),
        low_covered=tuple(low[is_covered & hits].round(4).tolist()),
    )


def _pair(what: np.ndarray, among: np.ndarray) -> tuple[float, float]:
    return float((what & among).sum()), float(among.sum())


def _frame(
    boxes: np.ndarray, others: np.ndarray, found: FoundBoxes, rows: np.ndarray, f: int,
    grids: dict[str, np.ndarray], kind: np.ndarray, residual: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Match one frame; fills column f of the grids; returns the sure boxes that stand on nobody."""
    sure = rows[found.confidence[rows] >= SURE]
    at = found.xyxy_px[sure].astype(float)
    iou = iou_table(boxes, at)
    who, which = linear_sum_assignment(-iou)
    good = iou[who, which] >= SAME_IOU
    who, which = who[good], which[good]
    tall = boxes[:, 3] - boxes[:, 1]
    grids["found"][who, f] = True
    kind[who, f] = found.kind[sure[which]]
    residual[who, f] = (at[which] - boxes[who]) / tall[who, None]
    faint = rows[(found.confidence[rows] < SURE) & (found.confidence[rows] >= FAINT)]
    if len(faint):
        grids["faint"][:, f] = iou_table(boxes, found.xyxy_px[faint].astype(float)).max(1) >= SAME_IOU
    spare = np.setdiff1d(np.arange(len(sure)), which)
    for k in spare:
        man = int(iou[:, k].argmax()) if len(iou) else -1
        if man >= 0 and iou[man, k] >= SAME_IOU and grids["found"][man, f]:
            grids["doubled"][man, f] = True
    _shared(boxes, at, dict(zip(who.tolist(), which.tolist(), strict=True)), f, grids)
    known = np.concatenate([boxes[np.isfinite(boxes).all(1)], others.reshape(-1, 4)])
    alone = iou_table(at, known).max(1, initial=0) < 0.1
    return np.asarray(at[alone])


def _shared(
    boxes: np.ndarray, at: np.ndarray, match: dict[int, int], f: int, grids: dict[str, np.ndarray]
) -> None:
    """A man missed whose neighbour's box fits both men together better than the neighbour alone."""
    between = iou_table(boxes, boxes)
    np.fill_diagonal(between, 0)
    grids["near"][:, f] = between.max(1, initial=0) > NEAR_IOU
    for man in np.flatnonzero(grids["near"][:, f]):
        if man in match:
            continue
        for other in np.flatnonzero(between[man] > NEAR_IOU):
            if int(other) not in match:
                continue
            box = at[match[int(other)]][None]
            both = np.r_[np.minimum(boxes[man, :2], boxes[other, :2]),
                         np.maximum(boxes[man, 2:], boxes[other, 2:])]  # fmt: skip
            if iou_table(box, both[None])[0, 0] > iou_table(box, boxes[other][None])[0, 0]:
                grids["shared"][man, f] = True


def _spells(on: np.ndarray, inside: np.ndarray) -> list[tuple[int, int, int]]:
    """(man, first, end) of runs of `on` that begin and end while he is in the picture (none cut off)."""
    out = []
    for i in range(len(on)):
        edge = np.diff(np.r_[0, on[i].astype(int), 0])
        for a, b in zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1), strict=True):
            if a > 0 and b < on.shape[1] and inside[i, a - 1] and inside[i, b]:
                out.append((i, int(a), int(b)))
    return out


def _linked(strays: Iterable[np.ndarray], gap: int = 3) -> list[int]:
    """Lengths in frames of strays that stay: linked frame to frame by IoU 0.3 over gaps of a few frames."""
    going: list[tuple[np.ndarray, int, int]] = []
    lengths: list[int] = []
    for f, boxes in enumerate(strays):
        lengths += [last - first + 1 for _, first, last in going if f - last > gap]
        going = [t for t in going if f - t[2] <= gap]
        for box in boxes:
            near = [k for k, t in enumerate(going) if iou_table(t[0][None], box[None])[0, 0] > 0.3]
            if near:
                going[near[0]] = (box, going[near[0]][1], f)
            else:
                going.append((box, f, f))
    return lengths + [last - first + 1 for _, first, last in going]
