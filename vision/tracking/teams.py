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
EARLY_S = 1.2
"""The first seconds in which men are seen stand for the time before the snap."""
CALIBRATED, COVERED_LESS = 0.35, 0.6
"""Log odds of two Gaussians times the first come true (raw 4 is right in 0.81, 10 in 0.97 of clear boxes);
of boxes covered by `HIDDEN` or more they are worth less by the second (raw 10: 0.80). From nineteen
rendered plays."""
LEAST_AGREEMENT = 0.8
OFFICIAL_COLOUR, PLAYER_COLOUR, LEAST_CLEAR = 2.0, 1.0, 60
"""Most that the colours of one box say for and against an official (one of the crew may be dressed unlike the
others); clear boxes needed of each kit and of officials."""
HIDDEN = 0.65
"""A box covered this much shows much of the man before it, mostly an opponent."""


def side_log_odds(detections: Detections, places: Places) -> tuple[np.ndarray, float]:
    """(N,) log odds that a box is of side A rather than B, and how well the two kits part.

    The second value is the distance of the two means in standard deviations (0 = no colours). Learned
    from clear boxes of players on the field; covered boxes say less; without colours every value is 0.
    """
    n = len(detections)
    none = np.zeros(n), 0.0
    if detections.colour.shape[1] == 0:
        return none
    whole = np.isfinite(detections.colour).all(1)
    clear = whole & places.inside & (detections.kind == PLAYER) & (places.covered < 0.4)
    clear &= (detections.confidence > 0.4) & (places.edge < 1) & ~places.duplicate
    rows = np.flatnonzero(clear)
    if len(rows) < 60:
        return none
    rows = rows[:: max(1, len(rows) // 2500)]
    features = _features(detections.colour, rows)
    along, time = places.xy_field_yd[rows, 0], detections.pts_s[detections.frame[rows]]
    means, precision = _best_kits(features[rows], time, along)
    if means is None or precision is None:
        return none
    means = means[np.argsort(-means[:, 0])]  # side A wears the lighter jersey
    direction = precision @ (means[0] - means[1])
    odds = (features - (means[0] + means[1]) / 2) @ direction
    parted = float(np.sqrt(max((means[0] - means[1]) @ direction, 0)))
    trust = (1 - COVERED_LESS * np.clip(places.covered / HIDDEN, 0, 1)) * whole
    odds = np.clip(CALIBRATED * np.nan_to_num(odds), -LARGEST_LOG_ODDS, LARGEST_LOG_ODDS) * trust
    return odds, parted


def _features(colour: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Colours on a robust common scale, limited to 6 spreads."""
    middle = np.median(colour[rows], axis=0)
    spread = 1.4826 * np.median(np.abs(colour[rows] - middle), axis=0)
    least = np.array([3.0] * 10 + [0.05, 0.05])[: colour.shape[1]]
    spread = np.maximum(spread, least if len(least) == colour.shape[1] else 1e-3)
    return np.asarray(np.clip((colour - middle) / spread, -6, 6))


def _best_kits(
    x: np.ndarray, time_s: np.ndarray, along: np.ndarray
) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Means (2,K) of the two kits and the common precision.

    First by where men stand early in the clip (each side on its own side of the line of scrimmage): a
    linear discriminant of the two halves, refined. If the colours do not part at any line, by clusters.
    """
    early = time_s <= time_s.min() + EARLY_S
    if early.sum() >= 60:
        best: tuple[float, np.ndarray | None, np.ndarray | None] = (0.0, None, None)
        for line in np.quantile(along[early], np.linspace(0.3, 0.7, 9)):
            means, precision, agree = _kits_by_line(x, early, along, float(line))
            if agree > best[0]:
                best = (agree, means, precision)
        if best[0] > LEAST_AGREEMENT:
            return best[1], best[2]
    model = _best_mixture(x, time_s, along)
    return (None, None) if model is None else (model.means_, model.precisions_)


def _kits_by_line(
    x: np.ndarray, early: np.ndarray, along: np.ndarray, line: float, rounds: int = 3
) -> tuple[np.ndarray, np.ndarray, float]:
    """Means, precision and how well colours and the line agree (balanced share of early boxes).

    Early boxes lean to a side by where they stand (log odds up to 2), all boxes by their colours.
    """
    lean = np.where(early, 2.0 * np.tanh((along - line) / 0.7), 0.0)
    weight = np.where(early, 1 / (1 + np.exp(-2 * lean)), 0.5)
    use = early.copy()
    means, precision = np.zeros((2, x.shape[1])), np.eye(x.shape[1])
    odds = np.zeros(len(x))
    for _ in range(rounds):
        w = np.stack([1 - weight, weight])[:, use]
        means = (w @ x[use]) / w.sum(1)[:, None]
        apart = [x[use] - m for m in means]
        spread = sum((d * wk[:, None]).T @ d for d, wk in zip(apart, w, strict=True)) / use.sum()
        spread = 0.9 * spread + 0.1 * np.diag(np.diag(spread)) + 0.1 * np.eye(x.shape[1])
        precision = np.linalg.inv(spread)
        odds = np.clip((x - means.mean(0)) @ precision @ (means[1] - means[0]), -3, 3)
        weight = 1 / (1 + np.exp(-(odds + lean)))
    right = along[early] > line
    says = odds[early] > 0
    return means, precision, float((says[right].mean() + (~says[~right]).mean()) / 2)


def _best_mixture(x: np.ndarray, time_s: np.ndarray, along: np.ndarray) -> GaussianMixture | None:
    starts: list[np.ndarray] = []
    for columns in (range(x.shape[1]), range(min(3, x.shape[1]))):
        part = x[:, list(columns)]
        labels = KMeans(2, n_init=3, random_state=0).fit_predict(part[:: max(1, len(part) // 800)])
        starts.append(_means(x[:: max(1, len(part) // 800)], labels))
    early = time_s <= np.quantile(time_s, 0.25)
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


def official_log_odds(detections: Detections, places: Places, side: np.ndarray) -> np.ndarray:
    """(N,) log odds that a box is an official: the detector's own class, and whether the colours are those
    of the clip's officials rather than of the nearer kit (side (N,): log odds of the kits)."""
    said = np.where(detections.kind == OFFICIAL, 1.6, -0.8) * np.clip(detections.confidence, 0.2, 1)
    looks = _official_colours(detections, places, side)
    return np.asarray((said + looks) * (1 - 0.7 * places.covered))


def _official_colours(detections: Detections, places: Places, side: np.ndarray) -> np.ndarray:
    """(N,) log odds by colour alone, limited on both sides; 0 where it cannot be learned."""
    none = np.zeros(len(detections))
    if detections.colour.shape[1] == 0:
        return none
    whole = np.isfinite(detections.colour).all(1)
    clear = whole & (places.covered < 0.3) & (places.edge < 1) & (detections.confidence > 0.5)
    player = clear & (detections.kind == PLAYER)
    groups = [player & (side > 2), player & (side < -2), clear & (detections.kind == OFFICIAL)]
    if min(int(g.sum()) for g in groups) < LEAST_CLEAR:
        return none
    x = _features(detections.colour, np.flatnonzero(clear))
    means = np.array([np.median(x[g], axis=0) for g in groups])
    spread = np.mean([np.cov((x[g] - m).T) for g, m in zip(groups[:2], means[:2], strict=True)], axis=0)
    precision = np.linalg.inv(spread + 0.1 * np.eye(x.shape[1]))
    off = np.nan_to_num(x[None] - means[:, None])
    d2 = np.einsum("kni,ij,knj->kn", off, precision, off)
    odds = np.clip(0.25 * (d2[:2].min(0) - d2[2]), -PLAYER_COLOUR, OFFICIAL_COLOUR)
    return np.asarray(np.where(whole & (places.covered < HIDDEN), odds, 0.0))
