"""How good are identities: HOTA, IDF1, MOTA and identity changes, in field yards.

Similarity of a true man and a tracked one is s = max(0, 1 - d / (2 gate)) with d their distance in
yards; so s = 0.5 is the gate (1 yd). IDF1 and MOTA match at s >= 0.5; HOTA is the mean over the
nineteen thresholds 0.05 ... 0.95 as its authors define it, and `hota_gate` its value at 0.5.

Sources: HOTA: Luiten et al., IJCV 2021. IDF1: Ristani et al., ECCV workshops 2016. MOTA: Bernardin and
Stiefelhagen, EURASIP JIVP 2008. Checked in tests against the authors' program (PyPI `trackeval`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

ALPHAS = np.arange(0.05, 0.99, 0.05)


@dataclass(frozen=True)
class TrackCounts:
    """Counts of one clip; add clips with `+`, read ratios last.

    Arrays over ALPHAS: tp, fn, fp (HOTA detections), ass (sum over matches of association Jaccard).
    idtp, idfn, idfp: identity counts; clr_tp, clr_fn, clr_fp, switches: CLEAR counts at the gate.
    """

    tp: Any
    fn: Any
    fp: Any
    ass: Any
    idtp: float
    idfn: float
    idfp: float
    clr_tp: float
    clr_fn: float
    clr_fp: float
    switches: float

    def __add__(self, other: TrackCounts) -> TrackCounts:
        return TrackCounts(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    @property
    def hota(self) -> float:
        """HOTA, mean over thresholds."""
        return float(np.mean(self._hota()))

    @property
    def hota_gate(self) -> float:
        """HOTA at the gate only (s >= 0.5)."""
        return float(self._hota()[9])

    def _hota(self) -> np.ndarray:
        detection = self.tp / np.maximum(1, self.tp + self.fn + self.fp)
        association = self.ass / np.maximum(1, self.tp)
        return np.asarray(np.sqrt(detection * association))

    @property
    def idf1(self) -> float:
        return float(self.idtp / max(1.0, self.idtp + 0.5 * (self.idfn + self.idfp)))

    @property
    def mota(self) -> float:
        return float((self.clr_tp - self.clr_fp - self.switches) / max(1.0, self.clr_tp + self.clr_fn))


def similarity(truth_xy: np.ndarray, track_xy: np.ndarray, gate_yd: float = 1.0) -> np.ndarray:
    """(P,Q,T) similarity of (P,T,2) and (Q,T,2); 0 where either is absent (NaN)."""
    d = np.linalg.norm(truth_xy[:, None] - track_xy[None], axis=-1)
    return np.nan_to_num(np.clip(1 - d / (2 * gate_yd), 0, 1), nan=0.0)


def count_tracks(truth_xy: np.ndarray, track_xy: np.ndarray, gate_yd: float = 1.0) -> TrackCounts:
    """Counts for one clip: truth (P,T,2) and tracks (Q,T,2) in field yards, NaN = absent."""
    sim = similarity(truth_xy, track_xy, gate_yd)
    here = np.isfinite(truth_xy).all(-1)
    there = np.isfinite(track_xy).all(-1)
    hota = _hota_counts(sim, here, there)
    parts: list[Any] = [*hota, *_identity(sim, here, there), *_clear(sim, here, there)]
    return TrackCounts(*parts)


def _hota_counts(sim: np.ndarray, here: np.ndarray, there: np.ndarray) -> tuple[np.ndarray, ...]:
    p, q, frames = sim.shape
    both = here.sum(1)[:, None] + there.sum(1)[None]
    share = sim / np.maximum(sim.sum(0, keepdims=True) + sim.sum(1, keepdims=True) - sim, 1e-10)
    potential = share.sum(2)
    alignment = potential / np.maximum(both - potential, 1e-10)
    matches = np.zeros((len(ALPHAS), p, q))
    tp, fn, fp = (np.zeros(len(ALPHAS)) for _ in range(3))
    for f in range(frames):
        a, b = np.flatnonzero(here[:, f]), np.flatnonzero(there[:, f])
        s = sim[..., f][np.ix_(a, b)]
        r, c = linear_sum_assignment(-alignment[np.ix_(a, b)] * s)
        good = s[r, c][None] >= ALPHAS[:, None] - np.finfo(float).eps
        for k in range(len(ALPHAS)):
            np.add.at(matches[k], (a[r[good[k]]], b[c[good[k]]]), 1)
        n = good.sum(1)
        tp, fn, fp = tp + n, fn + len(a) - n, fp + len(b) - n
    jaccard = matches / np.maximum(1, both[None] - matches)
    return tp, fn, fp, (matches * jaccard).sum((1, 2))


def _identity(sim: np.ndarray, here: np.ndarray, there: np.ndarray) -> tuple[float, float, float]:
    p, q, _ = sim.shape
    hits = (sim >= 0.5).sum(2)
    n_here, n_there = here.sum(1), there.sum(1)
    big = 1e9
    fn = np.full((p + q, p + q), 0.0)
    fp = np.zeros((p + q, p + q))
    fn[:p, q:] = fp[p:, :q] = big
    fn[:p, :q] = n_here[:, None] - hits
    fp[:p, :q] = n_there[None] - hits
    fn[np.arange(p), q + np.arange(p)] = n_here
    fp[p + np.arange(q), np.arange(q)] = n_there
    r, c = linear_sum_assignment(fn + fp)
    missed, false = float(fn[r, c].sum()), float(fp[r, c].sum())
    return float(n_here.sum() - missed), missed, false


def _clear(sim: np.ndarray, here: np.ndarray, there: np.ndarray) -> tuple[float, float, float, float]:
    p, _, frames = sim.shape
    last = np.full(p, -1)
    previous = np.full(p, -1)
    tp = fn = fp = switches = 0
    for f in range(frames):
        a, b = np.flatnonzero(here[:, f]), np.flatnonzero(there[:, f])
        s = sim[..., f][np.ix_(a, b)]
        score = 1000.0 * (b[None] == previous[a][:, None]) + s
        score[s < 0.5] = 0
        r, c = linear_sum_assignment(-score)
        ok = score[r, c] > 0
        man, track = a[r[ok]], b[c[ok]]
        switches += int(((last[man] >= 0) & (last[man] != track)).sum())
        last[man] = track
        previous[:] = -1
        previous[man] = track
        tp, fn, fp = tp + len(man), fn + len(a) - len(man), fp + len(b) - len(man)
    return float(tp), float(fn), float(fp), float(switches)


def matched_track(truth_xy: np.ndarray, track_xy: np.ndarray, gate_yd: float = 1.0) -> np.ndarray:
    """(P,T) row of the track standing for each true man at each time, -1 where none is in the gate.

    Frame by frame one to one, keeping the previous pairing while it holds (as CLEAR does).
    """
    sim = similarity(truth_xy, track_xy, gate_yd)
    p, _, frames = sim.shape
    out = np.full((p, frames), -1)
    previous = np.full(p, -1)
    for f in range(frames):
        s = sim[..., f]
        score = 1000.0 * (np.arange(s.shape[1])[None] == previous[:, None]) + s
        score[s < 0.5] = 0
        r, c = linear_sum_assignment(-score)
        ok = score[r, c] > 0
        out[r[ok], f] = c[ok]
        previous = np.where(out[:, f] >= 0, out[:, f], previous)
    return out


def identity_changes(matched: np.ndarray) -> np.ndarray:
    """(P,) how often a man's track changes along `matched` (P,T), times without a match skipped."""
    out = np.zeros(len(matched), int)
    for k, row in enumerate(matched):
        seen = row[row >= 0]
        out[k] = int((np.diff(seen) != 0).sum())
    return out


def kept_identity(matched: np.ndarray, present: np.ndarray, least_share: float = 0.8) -> np.ndarray:
    """(P,) bool: one and the same track wherever matched, matched in `least_share` of his present times."""
    share = ((matched >= 0) & present).sum(1) / np.maximum(1, present.sum(1))
    return (identity_changes(np.where(present, matched, -1)) == 0) & (share >= least_share)


def position_errors_yd(truth_xy: np.ndarray, track_xy: np.ndarray, matched: np.ndarray) -> np.ndarray:
    """Distances between every matched true man and his track, flat (n,)."""
    p, f = np.nonzero(matched >= 0)
    return np.asarray(np.linalg.norm(truth_xy[p, f] - track_xy[matched[p, f], f], axis=-1))


def add_counts(counts: Sequence[TrackCounts]) -> TrackCounts:
    """Sum of several clips' counts. Raises ValueError for none."""
    if not counts:
        raise ValueError("no clips to add up")
    total = counts[0]
    for c in counts[1:]:
        total = total + c
    return total
