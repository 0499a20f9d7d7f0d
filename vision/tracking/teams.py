"""Which of two sides a box belongs to, learned from the clip's own colours."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np
from sklearn.cluster import KMeans
from sklearn.mixture import GaussianMixture

from models.detector.colour import COLOURS
from vision.records import OFFICIAL, PLAYER, Detections
from vision.tracking.crowd import to_others
from vision.tracking.places import Places

LARGEST_LOG_ODDS = 3.0
"""One box never says more than this: errors of neighbouring frames go together."""
EARLY_S = 1.2
"""The first seconds in which men are seen stand for the time before the snap."""
CALIBRATED, COVERED_LESS = 0.9, 0.75
"""Log odds of two Gaussians times the first come true (clear boxes: raw 1 to 2 is right in 0.84, 2 to 3 in
0.93, 4 to 6 in 0.99); of boxes covered by `HIDDEN` or more they are worth less by the second (raw 4 to 6:
0.76). From twenty-four rendered clips."""
LEAST_AGREEMENT = 0.8
REFINED = 3
LEAST_ROWS, MOST_ROWS = 60, 2500
BETTER = 0.03
"""How much oftener taught kits must say what was told than the clip's own."""
DRIFT_PRIOR = 50.0
"""The colours' drift over the field is held back as if this many boxes had shown none."""
OFFICIAL_COLOUR, PLAYER_COLOUR, LEAST_CLEAR = 0.6, 0.6, 60
"""Most that the colours of one box say for and against an official (one of the crew may be dressed unlike the
others); clear boxes needed of each kit and of officials."""
CROWD_SHARE, ALIKE_SHARE = 0.6, 0.8
"""What the wearers of a kit look like is learnt amid the crowd, where officials seldom stand: from the first
share of boxes; in every round the second share of them is kept, the most alike."""
SURE_KIT, CLEAR = 1.5, 0.4
"""Log odds of a kit from which, and cover up to which, a box shows what its wearers look like."""
HIDDEN = 0.65
"""A box covered this much shows much of the man before it, mostly an opponent."""


def side_log_odds(detections: Detections, places: Places) -> tuple[np.ndarray, float]:
    """(N,) log odds that a box is of side A rather than B, and how well the two kits part.

    The second value is the distance of the two means in standard deviations, by the boxes they were first
    learned from (0 = no colours). Learned from clear boxes of players on the field; covered boxes say less;
    without colours every value is 0.
    """
    none = np.zeros(len(detections)), 0.0
    rows = _clear_rows(detections, places)
    if len(rows) < LEAST_ROWS:
        return none
    rows = rows[:: max(1, len(rows) // MOST_ROWS)]
    features = _features(detections.colour, rows)
    standing = _standing(detections, places, rows)
    along, time = places.xy_field_yd[rows, 0], detections.pts_s[detections.frame[rows]]
    kits = _best_kits(features[rows], standing[rows], time, along)
    if kits is None:
        return none
    parted = kits.parted
    for _ in range(REFINED):  # on the whole clip: men run into other light and turn round
        chance = 1 / (1 + np.exp(-kits.odds(features[rows], standing[rows])))
        kits = kits.fitted(features[rows], standing[rows], chance)
    if kits.means[0, 0] < kits.means[1, 0]:  # side A wears the lighter jersey
        kits = replace(kits, means=kits.means[::-1])
    return _said_by(kits, features, standing, detections, places), parted


def taught_log_odds(
    detections: Detections, places: Places, own: np.ndarray, told: np.ndarray
) -> np.ndarray | None:
    """(N,) log odds of side A, the kits learnt from boxes whose side is told: told (N,) log odds, 0 = not.

    own (N,): log odds learnt from the clip alone (`side_log_odds`). None where too few clear boxes are told
    of either side, or the kits so learnt do not say what was told clearly oftener than those do.
    """
    rows = _clear_rows(detections, places)
    rows = rows[told[rows] != 0]
    if min((told[rows] > 0).sum(), (told[rows] < 0).sum()) < LEAST_ROWS:
        return None
    rows = rows[:: max(1, len(rows) // MOST_ROWS)]
    features, standing = _features(detections.colour, rows), _standing(detections, places, rows)
    kits = _Kits.none(features.shape[1], standing.shape[1])
    chance = 1 / (1 + np.exp(told[rows]))  # of the second kit
    for _ in range(REFINED):
        kits = kits.fitted(features[rows], standing[rows], chance)
    new = _said_by(kits, features, standing, detections, places)
    return new if _agreement(new[rows], told[rows]) > _agreement(own[rows], told[rows]) + BETTER else None


def kit_offsets(detections: Detections, places: Places, side: np.ndarray) -> np.ndarray:
    """(N,COLOURS) how far the colours of every box lie from the nearer kit, in spreads of the kits' wearers.

    side (N,): log odds of the kits. Uncorrelated axes, the first along the difference of the kits. NaN for
    boxes whose colours are not whole and where fewer than `LEAST_CLEAR` clear boxes of either kit are seen.
    """
    out = np.full((len(detections), COLOURS), np.nan)
    if detections.colour.shape[1] != COLOURS:
        return out
    rows = _clear_rows(detections, places)
    near = _third_nearest(detections, places)[rows]
    amid = rows[near <= np.quantile(near, CROWD_SHARE)] if len(rows) else rows
    wearers = [amid[side[amid] > SURE_KIT], amid[side[amid] < -SURE_KIT]]
    if min(len(w) for w in wearers) < LEAST_CLEAR:
        return out
    x = _features(detections.colour, rows)
    for _ in range(REFINED):  # officials among the wearers would widen the kits
        means = np.array([np.median(x[w], axis=0) for w in wearers])
        apart = [x[w] - m for w, m in zip(wearers, means, strict=True)]
        precision = np.linalg.inv(np.mean([np.cov(a.T) for a in apart], axis=0) + 0.1 * np.eye(x.shape[1]))
        far = [np.einsum("ni,ij,nj->n", a, precision, a) for a in apart]
        wearers = [w[d <= np.quantile(d, ALIKE_SHARE)] for w, d in zip(wearers, far, strict=True)]
    white = np.linalg.cholesky(precision)
    half = (means[0] - means[1]) / 2 @ white
    reach = max(float(np.linalg.norm(half)), 1e-6)
    axes = np.linalg.qr(np.column_stack([half / reach, np.eye(len(half))]))[0]
    whole = np.isfinite(detections.colour).all(1) & (places.covered < CLEAR)
    out[whole] = (x[whole] - means.mean(0)) @ white @ axes
    out[:, 0] = np.abs(out[:, 0]) - reach
    return out


def _third_nearest(detections: Detections, places: Places) -> np.ndarray:
    """(N,) yd from every box on the field to the third nearest in its frame; inf where there is none."""
    out = np.full(len(detections), np.inf)
    for f in range(detections.n_frames):
        rows = np.arange(detections.rows(f).start, detections.rows(f).stop)
        rows = rows[places.inside[rows] & places.valid[rows] & ~places.duplicate[rows]]
        if len(rows):
            out[rows] = to_others(places.xy_field_yd[rows], (3,))[0]
    return out


def _agreement(says: np.ndarray, told: np.ndarray) -> float:
    """Share of boxes of which both say the same, the two sides alike."""
    return float(((says > 0)[told > 0].mean() + (says < 0)[told < 0].mean()) / 2)


def _clear_rows(detections: Detections, places: Places) -> np.ndarray:
    """Rows of players on the field who are seen well; none without colours."""
    if detections.colour.shape[1] == 0:
        return np.zeros(0, int)
    clear = np.isfinite(detections.colour).all(1) & places.inside & (detections.kind == PLAYER)
    clear &= (detections.confidence > 0.4) & (places.edge < 1) & ~places.duplicate & (places.covered < CLEAR)
    return np.flatnonzero(clear)


def _said_by(
    kits: _Kits, features: np.ndarray, standing: np.ndarray, detections: Detections, places: Places
) -> np.ndarray:
    """(N,) limited log odds that boxes wear the first of two kits; covered boxes say less."""
    whole = np.isfinite(detections.colour).all(1)
    features = features - standing @ kits.drift
    direction = kits.precision @ (kits.means[0] - kits.means[1])
    odds = (features - kits.means.mean(0)) @ direction
    trust = (1 - COVERED_LESS * np.clip(places.covered / HIDDEN, 0, 1)) * whole
    return np.asarray(np.clip(CALIBRATED * np.nan_to_num(odds), -LARGEST_LOG_ODDS, LARGEST_LOG_ODDS) * trust)


def _features(colour: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Colours on a robust common scale, limited to 6 spreads."""
    middle = np.median(colour[rows], axis=0)
    spread = 1.4826 * np.median(np.abs(colour[rows] - middle), axis=0)
    least = np.array([3.0] * 10 + [0.05, 0.05])[: colour.shape[1]]
    spread = np.maximum(spread, least if len(least) == colour.shape[1] else 1e-3)
    return np.asarray(np.clip((colour - middle) / spread, -6, 6))


def _standing(d: Detections, places: Places, rows: np.ndarray) -> np.ndarray:
    """(N,3) what shifts the colours of both kits alike, on common scales: the place across the field (light,
    shadow of a stand), its square, and the size in the picture (blur, turf mixed in)."""
    across = places.xy_field_yd[:, 1]
    size = np.log(np.maximum(d.xyxy_px[:, 3] - d.xyxy_px[:, 1], 2.0))
    columns = []
    for value in (across, size):
        middle = np.median(value[rows])
        spread = max(1.4826 * float(np.median(np.abs(value[rows] - middle))), 1e-3)
        columns.append(np.clip(np.nan_to_num((value - middle) / spread), -3, 3))
    return np.column_stack([columns[0], columns[0] ** 2 - 1.0, columns[1]])


def _best_kits(x: np.ndarray, standing: np.ndarray, time_s: np.ndarray, along: np.ndarray) -> _Kits | None:
    """The two kits.

    First by where men stand early in the clip (each side on its own side of the line of scrimmage): a
    linear discriminant of the two halves, refined. If the colours do not part at any line, by clusters.
    """
    early = time_s <= time_s.min() + EARLY_S
    if early.sum() >= 60:
        lines = np.quantile(along[early], np.linspace(0.3, 0.7, 9))
        tries = [_kits_by_line(x, standing, early, along, float(line)) for line in lines]
        kits, agree = max(tries, key=lambda t: t[1])
        if agree > LEAST_AGREEMENT:
            return kits
    model = _best_mixture(x, time_s, along)
    if model is None:
        return None
    return _Kits(model.means_, model.precisions_, np.zeros((standing.shape[1], x.shape[1])))


def _kits_by_line(
    x: np.ndarray, standing: np.ndarray, early: np.ndarray, along: np.ndarray, line: float, rounds: int = 3
) -> tuple[_Kits, float]:
    """The kits by the early boxes, and how well colours and the line agree (balanced share of them).

    Early boxes lean to a side by where they stand (log odds up to 2) and by their colours.
    """
    lean = 2.0 * np.tanh((along[early] - line) / 0.7)
    weight = 1 / (1 + np.exp(-2 * lean))
    kits = _Kits.none(x.shape[1], standing.shape[1])
    for _ in range(rounds):
        kits = kits.fitted(x[early], standing[early], weight)
        weight = 1 / (1 + np.exp(-(kits.odds(x[early], standing[early]) + lean)))
    right = along[early] > line
    says = kits.odds(x[early], standing[early]) > 0
    return kits, float((says[right].mean() + (~says[~right]).mean()) / 2)


@dataclass(frozen=True)
class _Kits:
    """means (2,K) of two kits, their common precision (K,K), drift (S,K) of the colours with `_standing`."""

    means: np.ndarray
    precision: np.ndarray
    drift: np.ndarray

    @classmethod
    def none(cls, colours: int, places: int) -> _Kits:
        return cls(np.zeros((2, colours)), np.eye(colours), np.zeros((places, colours)))

    @property
    def parted(self) -> float:
        """Distance of the means in standard deviations."""
        apart = self.means[1] - self.means[0]
        return float(np.sqrt(max(apart @ self.precision @ apart, 0)))

    def odds(self, x: np.ndarray, standing: np.ndarray) -> np.ndarray:
        """(N,) log odds of the second kit, limited to 3."""
        direction = self.precision @ (self.means[1] - self.means[0])
        return np.asarray(np.clip((x - standing @ self.drift - self.means.mean(0)) @ direction, -3, 3))

    def fitted(self, x: np.ndarray, standing: np.ndarray, weight: np.ndarray) -> _Kits:
        """The kits of boxes of which `weight` (N,) wear the second: means and drift by turns, then spread."""
        w = np.stack([1 - weight, weight])
        means = (w @ (x - standing @ self.drift)) / w.sum(1)[:, None]
        steady = DRIFT_PRIOR * np.eye(standing.shape[1])
        drift = np.linalg.solve(standing.T @ standing + steady, standing.T @ (x - w.T @ means))
        apart = [x - standing @ drift - m for m in means]
        spread = sum((d * wk[:, None]).T @ d for d, wk in zip(apart, w, strict=True)) / len(x)
        spread = 0.9 * spread + 0.1 * np.diag(np.diag(spread)) + 0.1 * np.eye(x.shape[1])
        return _Kits(means, np.linalg.inv(spread), drift)


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
            model = GaussianMixture(
                2, covariance_type="tied", means_init=means, reg_covar=0.05, max_iter=60, random_state=0
            )
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
