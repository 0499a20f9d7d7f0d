"""People on the film who are not of the play: bench, coaches, chain crew, staff on the field.

Three signs, none of them of one film's look: they stay where they are while the crowd runs, they stand
beside the field, and the detector may say so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from vision.records import OTHER, Detections
from vision.tracking.crowd import to_others
from vision.tracking.places import Places


@dataclass(frozen=True)
class BystanderSettings:
    """Log odds against "a player".

    still, quick: at rest or slow (yd/s) and moving, while the crowd's median speed is above `crowd_runs`
    (rising from `crowd_walks`); still_odds for one such look, looks `look_s` apart are independent (of
    twenty-four rendered clips men off the line are slower than 0.6 yd/s in 4 to 9 % of such looks, linemen in
    17 to 29 %, officials in 40 %, others in 60 to 80 %). alone_yd: a man with another nearer than the first
    says nothing, with none nearer than the second all. bench, strays: such people expected beside and on the
    field; bench_yd: how far beside it they stand. said, unsaid: one box's kind by the detector, boxes above
    `sure`; *_limit: most that a piece's signs say.
    """

    crowd_walks: float = 0.5
    crowd_runs: float = 2.0
    still: float = 0.5
    quick: float = 1.5
    still_odds: float = 1.3
    look_s: float = 0.4
    still_limit: float = 8.0
    bench: float = 6.0
    strays: float = 1.0
    bench_yd: float = 5.0
    alone_yd: tuple[float, float] = (1.5, 4.0)
    said: float = 0.3
    unsaid: float = -0.3
    sure: float = 0.35
    said_limit: float = 6.0


def stillness(
    xy: np.ndarray, speed: np.ndarray, inside: np.ndarray, t_s: np.ndarray, s: BystanderSettings
) -> np.ndarray:
    """(P,) log odds that a piece stays behind while the crowd runs.

    xy (P,T,2), speed (P,T), inside (P,T): seen and on the field, of every piece at every frame. Men in a
    crowd say little: linemen locked in a block stand as well.
    """
    crowd = np.where(inside, speed, np.nan)
    enough = inside.sum(0) > 5
    activity = np.zeros(speed.shape[1])
    activity[enough] = np.nanmedian(crowd[:, enough], axis=0)
    running = np.clip((activity - s.crowd_walks) / (s.crowd_runs - s.crowd_walks), 0, 1)
    one = s.still_odds * np.interp(speed, [s.still, s.quick], [1.0, -1.0]) * running
    alone = np.interp(_nearest(xy, inside), s.alone_yd, [0.0, 1.0])
    step = float(np.mean(np.diff(t_s))) if len(t_s) > 1 else s.look_s
    total = np.where(inside, one * alone, 0.0).sum(1) * step / s.look_s
    return np.asarray(np.clip(total, -s.still_limit, s.still_limit))


def _nearest(xy: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """(P,T) distance to the nearest other man on the field; inf where there is none."""
    out = np.full(inside.shape, np.inf)
    for f in range(inside.shape[1]):
        men = np.flatnonzero(inside[:, f])
        if len(men):
            out[men, f] = to_others(xy[men, f], (1,))[0]
    return out


def beside_field(y_yd: np.ndarray, sd_yd: np.ndarray, width_yd: float, s: BystanderSettings) -> np.ndarray:
    """(N,) log odds of a place across the field against one amid it: bench and chains stand within
    `bench_yd` of a side line."""
    beyond = np.maximum(-y_yd, y_yd - width_yd)
    bench = norm.cdf((beyond + 0.3) / sd_yd) - norm.cdf((beyond - s.bench_yd) / sd_yd)
    bench = s.bench / s.strays * width_yd / (2 * s.bench_yd) * bench + 1.0
    return np.asarray(np.log(bench / (norm.cdf((0.5 - beyond) / sd_yd) + 0.02)))


def signs_of(
    pieces: list[np.ndarray], x: np.ndarray, d: Detections, places: Places, width_yd: float,
    s: BystanderSettings,
) -> np.ndarray:  # fmt: skip
    """(P,) log odds of every piece that it is of such a person rather than a player; x (P,T,4) states."""
    inside = np.zeros(x.shape[:2], bool)
    for k, rows in enumerate(pieces):
        inside[k, d.frame[rows]] = places.inside[rows]
    total = stillness(x[..., :2], np.linalg.norm(x[..., 2:], axis=-1), inside, d.pts_s, s)
    sd = np.sqrt(places.covariance[:, 1, 1])
    for k, rows in enumerate(pieces):
        place = beside_field(places.xy_field_yd[rows, 1], sd[rows], width_yd, s)
        kind = np.where(d.kind[rows] == OTHER, s.said, s.unsaid * (d.confidence[rows] > s.sure))
        total[k] += float(place.mean()) + float(np.clip(kind.sum(), -s.said_limit, s.said_limit))
    return total
