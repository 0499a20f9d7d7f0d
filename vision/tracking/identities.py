"""From chains of boxes to smooth paths: fill with faint boxes, smooth, say where one cannot be sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.optimize import linear_sum_assignment

from vision.records import Detections
from vision.tracking.evidence import Evidence
from vision.tracking.exchange import ExchangeSettings, exchange_tails
from vision.tracking.joining import Chain
from vision.tracking.motion import MotionModel, inverse_2x2, liveliness, smooth
from vision.tracking.places import Places


@dataclass(frozen=True)
class PathSettings:
    """correlated: measurement variances are multiplied by this, since errors of neighbouring frames go
    together (of the error along the sight line a half lasts for over half a second); robust: boxes farther
    off than this many sd lose weight (feet of covered men are yards off now and then). standing: share of
    the model's acceleration for men who are at rest within calm_s (a start takes a quarter of a second)."""

    correlated: float = 5.0
    robust: float = 1.0
    fill_gate: float = 9.0
    fill_rounds: int = 2
    pile_yd: float = 1.0
    unsure_sd_yd: float = 1.0
    end_hold_s: float = 0.5
    exchange_rounds: int = 4
    standing: float = 0.1
    calm_s: float = 0.25
    exchange: ExchangeSettings = ExchangeSettings()
    model: MotionModel = MotionModel(q=12.0, tau_s=2.0)


@dataclass
class Paths:
    """box (P,T) row of detections or -1; x (P,T,4) smoothed states; p (P,T,4,4) covariances."""

    box: np.ndarray
    x: np.ndarray
    p: np.ndarray


def paths_of(
    chains: list[Chain], e: Evidence, settings: PathSettings | None = None
) -> tuple[Paths, list[Chain]]:
    """Smoothed paths of all chains, exchanged where two met and swapped; gaps take faint or spare boxes
    where one fits. The chains come back with their kinds as they are after the exchanges."""
    detections, places, side = e.detections, e.places, e.side
    s = settings or PathSettings()
    box = np.full((len(chains), detections.n_frames), -1)
    for k, chain in enumerate(chains):
        box[k, detections.frame[chain.rows]] = chain.rows
    for _ in range(s.exchange_rounds):
        x, p = smooth_boxes(box, detections, places, s, rounds=1)
        box, chains, changes = exchange_tails(
            box, x[..., :2], chains, detections, places, side, s.exchange, e.looks
        )
        if not changes:
            break
    x, p = smooth_boxes(box, detections, places, s)
    for _ in range(s.fill_rounds):
        added = _fill(box, x, p, chains, detections, places, side, s)
        x, p = smooth_boxes(box, detections, places, s)
        if not added:
            break
    return Paths(box, x, p), chains


def smooth_boxes(
    box: np.ndarray, detections: Detections, places: Places, s: PathSettings, rounds: int = 2
) -> tuple[np.ndarray, np.ndarray]:
    """Rauch-Tung-Striebel paths of (P,T) boxes; a second round gives less weight to boxes far off
    (Huber weights on the Mahalanobis distance from the first round's path)."""
    observed = box >= 0
    z = np.where(observed[..., None], places.xy_field_yd[box], 0.0)
    r = np.where(observed[..., None, None], places.covariance[box] * s.correlated, np.eye(2))
    x, p = smooth(z, r, observed, detections.pts_s, s.model)
    for _ in range(rounds - 1):
        nu = z - x[..., :2]
        base = np.where(observed[..., None, None], places.covariance[box], np.eye(2))
        d = np.sqrt(np.einsum("pti,ptij,ptj->pt", nu, inverse_2x2(base), nu))
        weight = np.where(observed, np.maximum(1.0, d / s.robust), 1.0)
        lively = liveliness(_calm(x[..., 2:], detections.pts_s, s.calm_s), s.standing)
        x, p = smooth(z, r * (weight**2)[..., None, None], observed, detections.pts_s, s.model, lively=lively)
    return x, p


def _calm(velocity: np.ndarray, t_s: np.ndarray, reach_s: float) -> np.ndarray:
    """(P,T,2) the fastest velocity within `reach_s` of each time: a man about to start is no longer calm."""
    speed = np.linalg.norm(velocity, axis=-1)
    reach = round(reach_s / float(np.mean(np.diff(t_s)))) if len(t_s) > 1 else 0
    fastest = maximum_filter1d(speed, 2 * reach + 1, axis=1, mode="nearest")
    return np.stack([fastest, np.zeros_like(fastest)], -1)


def _fill(
    box: np.ndarray, x: np.ndarray, p: np.ndarray, chains: list[Chain], d: Detections, places: Places,
    side: np.ndarray, s: PathSettings,
) -> int:  # fmt: skip
    """Give spare boxes to men who have none at that time, in place; returns how many."""
    taken = np.zeros(len(d), bool)
    taken[box[box >= 0]] = True
    sign = np.array([{"A": 1.0, "B": -1.0}.get(c.kind, 0.0) for c in chains])
    seen = box >= 0
    first = np.where(seen.any(1), seen.argmax(1), d.n_frames)
    last = np.where(seen.any(1), d.n_frames - 1 - seen[:, ::-1].argmax(1), -1)
    hold = int(round(s.end_hold_s / float(np.mean(np.diff(d.pts_s))))) if d.n_frames > 1 else 0
    added = 0
    for f in range(d.n_frames):
        rows = np.arange(d.rows(f).start, d.rows(f).stop)
        rows = rows[places.valid[rows] & ~taken[rows] & ~places.duplicate[rows]]
        men = np.flatnonzero((box[:, f] < 0) & (f >= first - hold) & (f <= last + hold))
        if not len(rows) or not len(men):
            continue
        sigma = p[men, f][:, None, :2, :2] + places.covariance[rows][None]
        nu = places.xy_field_yd[rows][None] - x[men, f][:, None, :2]
        d2 = np.einsum("mni,mnij,mnj->mn", nu, inverse_2x2(sigma), nu)
        against = np.clip(-sign[men][:, None] * side[rows][None], 0, 3)
        near = np.linalg.norm(nu, axis=-1) < 2.5
        cost = np.where((d2 < s.fill_gate) & near, d2 + 2 * against, 1e6)
        i, j = linear_sum_assignment(cost)
        ok = cost[i, j] < s.fill_gate + 2
        box[men[i[ok]], f] = rows[j[ok]]
        taken[rows[j[ok]]] = True
        added += int(ok.sum())
    return added


def drop_doubles(chains: list[Chain], box: np.ndarray, x: np.ndarray, least_share: float = 0.6) -> np.ndarray:
    """(P,) bool, False for a chain that runs on top of a longer one most of its own time."""
    keep = np.ones(len(chains), bool)
    seen = box >= 0
    for k in np.argsort(seen.sum(1)):
        for other in range(len(chains)):
            if other == k or not keep[other] or seen[other].sum() < seen[k].sum():
                continue
            both = seen[k] & seen[other]
            if both.sum() < 0.5 * seen[k].sum():
                continue
            apart = np.linalg.norm(x[k, both, :2] - x[other, both, :2], axis=1)
            if (apart < 0.45).mean() > least_share:
                keep[k] = False
                break
    return keep


def doubt(paths: Paths, lost: np.ndarray, t_s: np.ndarray, s: PathSettings) -> np.ndarray:
    """(P,T) bool: identity not certain: hidden beside another man, or a place known worse than 1 yd."""
    seen = paths.box >= 0
    xy = paths.x[..., :2]
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=-1)
    apart[np.arange(len(xy)), np.arange(len(xy))] = np.inf
    beside = apart.min(1) < s.pile_yd if len(xy) > 1 else np.zeros(seen.shape, bool)
    sd = np.sqrt((paths.p[..., 0, 0] + paths.p[..., 1, 1]) / 2)
    return np.asarray((~seen & beside) | (sd > s.unsure_sd_yd) | (~seen & lost[None] & beside))
