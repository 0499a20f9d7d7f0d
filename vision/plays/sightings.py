"""The thrown ball, found among the detector's weak looks at it by the laws of flight.

Of the places where the detector thinks a ball might be most are something else, but a ball in the air is
found again and again along one path: it leaves the passer's hand and flies freely,

    X(t) = P + V (t - t0) - g (t - t0)^2 / 2 e_z,

and a look at it is a line of sight that passes through X(t). Paths are proposed from pairs of looks and
every possible time of the throw, judged by all looks of both films, and fitted. Nothing is answered where
no path gathers far more looks than chance would give it. Drag is left out: a pass loses about a tenth of
its speed a second (from memory), which the tolerance of OFF_YD covers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.plays.motion import F64
from vision.records import BALL, Detections

GRAVITY_YD_PER_S2 = 32.174 / 3.0
HAND_YD = 2.1
"""height of the hand at the throw (common practice)"""
HAND_SD_YD = np.array([0.45, 0.45, 0.35])
OFF_PX, OFF_YD = 2.0, 0.15
"""how far looks lie beside the ball: by the detector, on a picture 720 high, and by its path (drag,
wobble)"""
GAIN = np.array([3.5, 2.2, 1.5, 1.2, 1.0, 1.0, 0.8])
MISS = -0.35
"""log-likelihood that a look on the path speaks for it, by how many looks of its frame are surer, and that of
a frame without one (of 1,693 frames with a ball in the air of 22 passes of tuning film the surest look was
the ball on 58 %, another one on 8 %; the gains are held low, since other looks crowd around the men)"""
SPEED_YD_PER_S, RISE_YD_PER_S = (8.0, 30.0), (-6.0, 20.0)
"""ground speed and rise of a pass at the throw"""
EARLIEST_S, LATEST_S, LONGEST_S = 0.6, 7.0, 3.2
STEP_S, FINE_S = 0.1, 0.05
PAIRS, KEPT = 250, 6
"""pairs of looks tried at each time of the throw; paths fitted finely"""
REST_YD, REST_S = 0.7, 0.3
"""a look with others so near it, where it meets the height of a yard, so long before and after it is at
something that stands still"""
SURE, LEAST = 60.0, 18.0
"""score of a path that is believed, and of one that is where it says what the men say (tuning films: of the
best paths of 65 runs, kicks and sacks the highest is 44; of 125 passes 85 % lie above SURE, one of these more
than 0.2 s off)"""
OFTEN, LEFT = 0.75, 4.0
"""most that is believed of the share of pictures in which a ball in the air is seen; log-likelihood against
its having left the picture, or been lost before the crowd, on its way"""
HIGHEST_YD = 3.4
"""nobody reaches higher"""
CATCH_YD, CATCH_SD_YD, REACH_YD = 1.3, 0.8, 1.0
"""height at which passes come down to a man and its spread, how far he reaches (common practice)"""


@dataclass(frozen=True)
class Sightings:
    """Looks at what may be the ball, as lines of sight in field axes (yd), by time.

    t_s (N,) on the tracks' clock, not decreasing; frame (N,) one number a picture (of one film); rank (N,) 0
    = the surest look of its picture; eye_yd (N,3), ray (N,3) of length 1; focal_px, off_px (N,).
    """

    t_s: F64
    frame: NDArray[np.intp]
    rank: NDArray[np.intp]
    eye_yd: F64
    ray: F64
    focal_px: F64
    off_px: F64

    def rows(self, which: Any) -> Sightings:
        return Sightings(*(getattr(self, name)[which] for name in self.__dataclass_fields__))

    def between(self, start_s: float, stop_s: float) -> Sightings:
        return self.rows(slice(*np.searchsorted(self.t_s, (start_s, stop_s))))

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True)
class Thrown:
    """A pass: time of the throw with sd (s, the tracks' clock), place (3,) and velocity (3,) then (field
    yards), time of the last look at it, how far the looks speak for it (log-likelihood) and how many."""

    throw_s: float
    throw_sd_s: float
    start_yd: F64
    velocity_yd_per_s: F64
    last_s: float
    score: float
    looks: int

    def at(self, t_s: Any) -> F64:
        """Places (..., 3) at times."""
        return _flown(self.start_yd, self.velocity_yd_per_s, np.asarray(t_s, float) - self.throw_s)


def sightings_of(films: Sequence[tuple[Detections, Any, float]]) -> Sightings:
    """Looks at the ball of films of one play: (detections, cameras in one field's yards, s to add to the
    film's times)."""
    columns: list[list[Any]] = [[] for _ in Sightings.__dataclass_fields__]
    for film, (boxes, cameras, offset_s) in enumerate(films):
        rows = np.flatnonzero(boxes.kind == BALL)
        for frame in np.unique(boxes.frame[rows]):
            camera = cameras.camera(int(frame))
            if camera is None:
                continue
            here = rows[boxes.frame[rows] == frame]
            box = boxes.xyxy_px[here].astype(float)
            ray, valid = camera.rays(0.5 * (box[:, :2] + box[:, 2:]))
            rank = np.argsort(np.argsort(-boxes.confidence[here], kind="stable"))
            n = int(valid.sum())
            ray = ray[valid] / np.linalg.norm(ray[valid], axis=1, keepdims=True)
            number = int(frame) * len(films) + film
            values: tuple[Any, ...] = (
                np.full(n, boxes.pts_s[frame] + offset_s), np.full(n, number), rank[valid],
                np.tile(camera.centre_field_yd, (n, 1)), ray, np.full(n, camera.focal_px),
                np.full(n, OFF_PX * boxes.height_px / 720.0),
            )  # fmt: skip
            for column, value in zip(columns, values, strict=True):
                column.append(value)
    if not columns[0]:
        nothing, three = np.zeros(0), np.zeros((0, 3))
        return Sightings(nothing, nothing.astype(int), nothing.astype(int), three, three, nothing, nothing)
    whole = Sightings(*(np.concatenate(c) for c in columns))
    return whole.rows(np.lexsort((whole.frame, whole.t_s)))


def find_thrown(
    looks: Sightings, clock: F64, passer_xy: F64, snap_s: float, expected: tuple[float, float] | None = None
) -> Thrown | None:
    """The pass, by the best path from the passer's hand; None when no path is believed.

    passer_xy (T,2) field yards on clock (T,). expected: when the men say that he threw, with sd (s).
    """
    best = best_path(looks, clock, passer_xy, snap_s, expected)
    if best is None:
        return None
    if expected is not None and best.score >= LEAST:
        if abs(best.throw_s - expected[0]) <= 2.0 * max(expected[1], 0.2):
            return best
    return best if best.score >= SURE else None


def best_path(
    looks: Sightings, clock: F64, passer_xy: F64, snap_s: float, expected: tuple[float, float] | None = None
) -> Thrown | None:
    """As `find_thrown`, whatever the score; None when there is no path to speak of."""
    known = np.isfinite(passer_xy[:, 0])
    if known.sum() < 5 or len(looks) < 20:
        return None
    looks = moving(looks)
    clock, passer_xy = clock[known], passer_xy[known]

    def lean(t_s: float) -> float:
        off = (t_s - expected[0]) / max(expected[1], 0.25) if expected is not None else 0.0
        return -min(0.5 * off**2, 10.0)

    def hand(t_s: float) -> F64:
        return np.array([*(np.interp(t_s, clock, passer_xy[:, a]) for a in (0, 1)), HAND_YD])

    rng = np.random.default_rng(0)
    tries: list[tuple[float, float, F64, float]] = []
    stop = min(snap_s + LATEST_S, looks.t_s[-1] - 0.3, clock[-1])
    for t0 in np.arange(snap_s + EARLIEST_S, stop, STEP_S):
        tries += _proposals(looks, float(t0), hand(float(t0)), rng)
    tries = sorted(tries, key=lambda one: -one[0] - lean(one[1]))[:KEPT]
    fits = []
    for _, t0, velocity, last in tries:
        for later in np.arange(-3 * STEP_S, 3 * STEP_S + 1e-9, FINE_S):
            fit = _fitted(looks, t0, float(later), hand(t0), hand(t0 + float(later)), velocity, last)
            if fit is not None:
                fits.append(fit)
    if not fits:
        return None
    best = max(fits, key=lambda one: one.score + lean(one.throw_s))
    near = [one for one in fits if abs(one.throw_s - best.throw_s) < 0.4]
    weight = np.exp([one.score - best.score for one in near])
    times = np.array([one.throw_s for one in near])
    mean = float((weight * times).sum() / weight.sum())
    sd = float(np.sqrt((weight * (times - mean) ** 2).sum() / weight.sum()))
    moved = mean - best.throw_s
    velocity = best.velocity_yd_per_s - np.array([0, 0, GRAVITY_YD_PER_S2 * moved])
    return Thrown(
        mean, float(np.hypot(sd, 0.04)), best.at(mean), velocity, best.last_s, best.score, best.looks
    )


def landing(thrown: Thrown, looks: Sightings, clock: F64, men_xy: F64) -> tuple[float, float]:
    """When the pass comes to a man or down, and its sd (s). men_xy (P,T,2) field yards on clock (T,).

    It ends near a man and at a height where he catches, and soon after the last look where it was seen all
    the way.
    """
    times = np.arange(thrown.throw_s + 0.2, thrown.throw_s + LONGEST_S, 0.02)
    place = thrown.at(times)
    low = (place[:, 2] > 0.0) & (place[:, 2] < HIGHEST_YD)
    times, place = times[low], place[low]
    if not len(times):
        return thrown.last_s, 0.3
    at = np.clip(np.searchsorted(clock, times), 0, len(clock) - 1)
    gap = np.linalg.norm(men_xy[:, at] - place[None, :, :2], axis=-1)
    near = np.where(np.isfinite(gap), gap, 9.0).min(axis=0, initial=3.0)
    flown = looks.between(thrown.throw_s, thrown.last_s)
    seen = min(thrown.looks / max(1, len(np.unique(flown.frame))), OFTEN)
    frames = looks.t_s[np.flatnonzero(np.diff(looks.frame, prepend=-1))]
    unseen = np.searchsorted(frames, times) - np.searchsorted(frames, thrown.last_s + 1e-6)
    cost = 0.5 * (np.maximum(near - 0.3, 0.0) / REACH_YD) ** 2
    cost += 0.5 * ((place[:, 2] - CATCH_YD) / CATCH_SD_YD) ** 2
    cost += np.where(unseen >= 0, np.minimum(-np.log(1.0 - seen) * unseen, LEFT), -0.7 * unseen)
    weight = np.exp(cost.min() - cost)
    mean = float((weight * times).sum() / weight.sum())
    return mean, float(np.hypot(0.06, np.sqrt((weight * (times - mean) ** 2).sum() / weight.sum())))


def moving(looks: Sightings) -> Sightings:
    """The looks but those at something that stands still."""
    down = (1.0 - looks.eye_yd[:, 2]) / np.minimum(looks.ray[:, 2], -1e-3)
    ground = looks.eye_yd[:, :2] + down[:, None] * looks.ray[:, :2]
    film = np.unique(looks.eye_yd.round(2), axis=0, return_inverse=True)[1].ravel()
    rests = np.ones(len(looks), bool)
    for way in (-REST_S, REST_S):
        first, last = (np.searchsorted(looks.t_s, looks.t_s + way + edge) for edge in (-0.06, 0.06))
        for i in np.flatnonzero(rests):
            there = slice(first[i], last[i])
            far = np.hypot(*(ground[there] - ground[i]).T)
            rests[i] = bool(((far < REST_YD) & (film[there] == film[i])).any())
    return looks.rows(~rests)


def _flown(start: F64, velocity: F64, tau: F64) -> F64:
    """Places (..., 3) after times tau (...) of free flight."""
    place = start + velocity * tau[..., None]
    place[..., 2] -= 0.5 * GRAVITY_YD_PER_S2 * tau**2
    return np.asarray(place)


def _beside(looks: Sightings, place: F64) -> F64:
    """(..., N) how far places (..., N, 3) lie beside the looks' lines of sight, in their spreads."""
    to = place - looks.eye_yd
    along = (to * looks.ray).sum(-1)
    far = np.maximum(along, 1.0)
    aside_px = np.linalg.norm(to - along[..., None] * looks.ray, axis=-1) / far * looks.focal_px
    return np.asarray(aside_px / np.hypot(looks.off_px, OFF_YD * looks.focal_px / far))


def _proposals(looks: Sightings, t0: float, hand: F64, rng: np.random.Generator) -> list[Any]:
    """The two best paths (score, t0, velocity, last look) of a throw at t0 through pairs of looks."""
    window = looks.between(t0 + 0.06, t0 + LONGEST_S)
    pick = np.flatnonzero((window.rank <= 1) & (window.t_s > t0 + 0.12) & (window.t_s < t0 + 1.3))
    if len(window) < 20 or len(pick) < 4:
        return []
    chance = np.where(window.rank[pick] == 0, 3.0, 1.0)
    a, b = (rng.choice(pick, PAIRS, p=chance / chance.sum()) for _ in range(2))
    apart = np.abs(window.t_s[a] - window.t_s[b]) > 0.1
    velocity = _through(window.rows(a[apart]), window.rows(b[apart]), t0, hand)
    velocity = velocity[_passes(velocity)]
    if not len(velocity):
        return []
    score, last = _judged(window, t0, np.broadcast_to(hand, velocity.shape), velocity)
    return [(float(score[k]), t0, velocity[k], float(last[k])) for k in np.argsort(-score)[:2]]


def _through(first: Sightings, second: Sightings, t0: float, hand: F64) -> F64:
    """(N,3) velocities with which the ball passes nearest to both looks of each pair (least squares)."""
    left, right = 0.5 * np.tile(np.eye(3), (len(first), 1, 1)), np.zeros((len(first), 3))
    for looks in (first, second):
        tau = looks.t_s - t0
        across = np.eye(3) - looks.ray[:, :, None] * looks.ray[:, None, :]
        weight = (looks.focal_px / np.linalg.norm(looks.eye_yd - hand, axis=1)) ** 2
        to = looks.eye_yd - hand
        to[:, 2] += 0.5 * GRAVITY_YD_PER_S2 * tau**2
        left += (weight * tau**2)[:, None, None] * across
        right += (weight * tau)[:, None] * np.einsum("nij,nj->ni", across, to)
    return np.asarray(np.linalg.solve(left, right[..., None])[..., 0])


def _passes(velocity: F64) -> NDArray[np.bool_]:
    """(N,) whether velocities (N,3) are those of passes."""
    ground, up = np.hypot(velocity[:, 0], velocity[:, 1]), velocity[:, 2]
    fast = (ground > SPEED_YD_PER_S[0]) & (ground < SPEED_YD_PER_S[1])
    return np.asarray(fast & (up > RISE_YD_PER_S[0]) & (up < RISE_YD_PER_S[1]))


def _judged(looks: Sightings, t0: float, start: F64, velocity: F64) -> tuple[F64, F64]:
    """How far all looks speak for paths (H,), each until the end at which they do so most (H,)."""
    tau = np.broadcast_to(looks.t_s - t0, (len(start), len(looks)))
    place = _flown(start[:, None], velocity[:, None], tau)
    one = np.maximum(GAIN[np.minimum(looks.rank, len(GAIN) - 1)] - 0.5 * _beside(looks, place) ** 2, MISS)
    first = np.flatnonzero(np.diff(looks.frame, prepend=-1))
    frames = np.maximum.reduceat(one, first, axis=1)
    total = np.cumsum(np.where(place[:, first, 2] < -0.3, -9.0, frames), axis=1)
    end = total.argmax(1)
    return total[np.arange(len(start)), end], looks.t_s[first][end]


def _fitted(
    looks: Sightings, t0: float, later: float, hand: F64, hand_then: F64, velocity: F64, last_s: float
) -> Thrown | None:
    """The path (hand (3,) at t0, velocity) with its throw moved by `later` s, fitted to the looks on it."""
    start = _flown(hand, velocity, np.array(later))
    velocity = velocity - np.array([0.0, 0.0, GRAVITY_YD_PER_S2 * later])
    t0 += later
    window = looks.between(t0 + 0.02, t0 + LONGEST_S)
    near = window.rows(window.t_s <= last_s + 1e-6)
    count = 0
    for _ in range(4):
        on = near.rows(_beside(near, _flown(start, velocity, near.t_s - t0)) < 3.0)
        count = len(on)
        if count < 3:
            return None
        start, velocity = _least_squares(on, t0, start, velocity, hand_then)
    if not _passes(velocity[None])[0]:
        return None
    score, last = _judged(window, t0, start[None], velocity[None])
    cost = 0.5 * (((start - hand_then) / HAND_SD_YD) ** 2).sum()
    return Thrown(t0, 0.0, start, velocity, float(last[0]), float(score[0] - cost), count)


def _least_squares(looks: Sightings, t0: float, start: F64, velocity: F64, hand: F64) -> tuple[F64, F64]:
    """Start and velocity nearest to the looks' lines of sight, the start near the hand."""
    tau = looks.t_s - t0
    far = np.linalg.norm(_flown(start, velocity, tau) - looks.eye_yd, axis=1)
    weight = 1.0 / np.hypot(looks.off_px * far / looks.focal_px, OFF_YD) ** 2
    across = weight[:, None, None] * (np.eye(3) - looks.ray[:, :, None] * looks.ray[:, None, :])
    eye = looks.eye_yd.copy()
    eye[:, 2] += 0.5 * GRAVITY_YD_PER_S2 * tau**2
    seen = np.einsum("nij,nj->ni", across, eye)
    firm = 1.0 / (1.3 * HAND_SD_YD) ** 2
    left = np.zeros((6, 6))
    left[:3, :3] = across.sum(0) + np.diag(firm)
    left[:3, 3:] = (tau[:, None, None] * across).sum(0)
    left[3:, :3] = left[:3, 3:]
    left[3:, 3:] = (tau[:, None, None] ** 2 * across).sum(0) + np.eye(3) / 60.0**2
    right = np.concatenate([seen.sum(0) + firm * hand, (tau[:, None] * seen).sum(0)])
    both = np.linalg.solve(left, right)
    return both[:3], both[3:]
