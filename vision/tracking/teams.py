"""Which of two sides a box belongs to, learned from the clip's own colours."""

from __future__ import annotations

import warnings

import numpy as np
from sklearn.cluster import KMeans
from sklearn.mixture import GaussianMixture

from vision.records import OFFICIAL, PLAYER, Detections
from vision.tracking.places import Places

LARGEST_LOG_ODDS = 3.0
"""One box never says more than this: errors of neighbouring frames go together."""


def side_log_odds(detections: Detections, places: Places) -> tuple[np.ndarray, float]:
    """(N,) log odds that a box is of side A rather than B, and how well the two kits part.

    The second value is the distance of the two means in standard deviations (0 = no colours). Two
    Gaussians with one common covariance are fitted to clear boxes of players on the field, from several
    starts (k-means, and the two halves of the field along x early in the clip, where the sides line up);
    the likeliest balanced one wins. Covered boxes say less; without colours every value is 0.
    """
    n = len(detections)
    none = np.zeros(n), 0.0
    if detections.colour.shape[1] == 0:
        return none
    whole = np.isfinite(detections.colour).all(1)
    clear = whole & places.inside & (detections.kind == PLAYER) & (places.covered < 0.25)
    clear &= (detections.confidence > 0.4) & (places.edge < 1) & ~places.duplicate
    rows = np.flatnonzero(clear)
    if len(rows) < 60:
        return none
    rows = rows[:: max(1, len(rows) // 2500)]
    features, keep = _features(detections.colour, rows)
    model = _best_mixture(features[rows], detections.frame[rows], places.xy_field_yd[rows, 0])
    if model is None:
        return none
    mean, precision = model.means_, model.precisions_
    mean = mean[np.argsort(-mean[:, 0])]  # side A wears the lighter jersey
    direction = precision @ (mean[0] - mean[1])
    odds = (features - (mean[0] + mean[1]) / 2) @ direction
    parted = float(np.sqrt(max((mean[0] - mean[1]) @ direction, 0)))
    trust = np.clip(1 - 1.2 * places.covered, 0.05, 1) * whole
    odds = np.clip(np.nan_to_num(odds), -LARGEST_LOG_ODDS, LARGEST_LOG_ODDS) * trust
    return odds, parted


def _features(colour: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Colours on a robust common scale; columns that never vary are left out."""
    middle = np.median(colour[rows], axis=0)
    spread = 1.4826 * np.median(np.abs(colour[rows] - middle), axis=0)
    least = np.array([3.0] * 10 + [0.05, 0.05])[: colour.shape[1]]
    spread = np.maximum(spread, least if len(least) == colour.shape[1] else 1e-3)
    return np.clip((colour - middle) / spread, -6, 6), spread


def _best_mixture(x: np.ndarray, frame: np.ndarray, along: np.ndarray) -> GaussianMixture | None:
    starts: list[np.ndarray] = []
    for columns in (range(x.shape[1]), range(min(3, x.shape[1]))):
        part = x[:, list(columns)]
        labels = KMeans(2, n_init=3, random_state=0).fit_predict(part[:: max(1, len(part) // 800)])
        starts.append(_means(x[:: max(1, len(part) // 800)], labels))
    early = frame <= np.quantile(frame, 0.25)
    starts.append(_means(x[early], (along[early] > np.median(along[early])).astype(int)))
    best, best_score = None, -np.inf
    for means in starts:
        if not np.isfinite(means).all():
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = GaussianMixture(2, covariance_type="tied", means_init=means, reg_covar=0.05, max_iter=60)
            model.fit(x)
        share = float(model.weights_.min())
        score = float(model.lower_bound_) + 2.0 * min(0.0, share - 0.3)
        if share > 0.12 and score > best_score:
            best, best_score = model, score
    return best


def _means(x: np.ndarray, labels: np.ndarray) -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return np.array([x[labels == k].mean(0) for k in (0, 1)])


def official_log_odds(detections: Detections, places: Places) -> np.ndarray:
    """(N,) log odds that a box is an official, from the detector's own classes."""
    said = np.where(detections.kind == OFFICIAL, 1.6, -0.8)
    return np.asarray(said * np.clip(detections.confidence, 0.2, 1) * (1 - 0.7 * places.covered))
