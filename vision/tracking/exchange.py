"""Men who met and took each other's boxes: found afterwards, from both directions in time.

Wherever two men of the answer come close, both ways to go on are compared: each with his own later boxes,
or each with the other's. Boxes during the meeting are left out; the boxes before and after are smoothed by
themselves, carried to the middle of the meeting, and what is left between them (place, velocity) and the
kits say which way is likelier; so do the jersey numbers read at any time before and after. Boxes of a
meeting that was changed are given out anew by `identities`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.jerseys import Looks
from vision.records import Detections
from vision.tracking.joining import Chain
from vision.tracking.motion import MotionModel, smooth
from vision.tracking.numbers import CLEAR, evidence, one_number, sums_of
from vision.tracking.places import Places

DEAREST_D2 = 60.0
SLACK = np.diag([0.05, 0.05, 0.5, 0.5])
"""Added to the covariance between the two halves: yd^2 and yd^2/s^2, as in `joining`."""


@dataclass(frozen=True)
class ExchangeSettings:
    """meet_yd: closest distance that makes a meeting; within_yd: boxes nearer than this are left out;
    longest_s: of a meeting, each way; window_s: of boxes looked at before and after; least_gain: in natural
    log units; kit_window_s: of kits looked at before and after (a kit stays, a path does not);
    correlated: as in `identities.PathSettings`. standing: how men move who were slow
    before and after (linemen in their stance): slow_yd_per_s bounds the speed of all four halves.
    number_weight, number_limit: of what the jersey numbers read before and after say (2,075 meetings of men
    of one side, 143 of them exchanged: 1 to 1.3 against what the paths say)."""

    meet_yd: float = 1.3
    within_yd: float = 0.9
    longest_s: float = 0.5
    window_s: float = 0.7
    least_boxes: int = 4
    least_gain: float = 1.0
    correlated: float = 2.5
    side_weight: float = 0.35
    side_limit: float = 8.0
    kit_window_s: float = 2.5
    number_weight: float = 1.3
    number_limit: float = 6.5
    most: int = 160
    slow_yd_per_s: float = 1.0
    model: MotionModel = MotionModel(q=9.0, tau_s=1.5)
    standing: MotionModel = MotionModel(q=0.7, tau_s=1.5)


@dataclass(frozen=True)
class _Meeting:
    a: int
    b: int
    first: int
    middle: int
    last: int


def exchange_tails(
    box: np.ndarray, xy: np.ndarray, chains: list[Chain], detections: Detections, places: Places,
    side: np.ndarray, settings: ExchangeSettings | None = None, looks: Looks | None = None,
) -> tuple[np.ndarray, list[Chain], int]:  # fmt: skip
    """(box, chains, number of changes): box (P,T) with the tails of wrongly continued pairs exchanged.

    xy (P,T,2): smoothed places of the same men. Every man changes at most once a call.
    """
    s = settings or ExchangeSettings()
    step = float(np.mean(np.diff(detections.pts_s))) if detections.n_frames > 1 else 1.0
    meetings = _meetings(box, xy, chains, step, s)
    if not meetings:
        return box, chains, 0
    gain = _gains(meetings, box, detections, places, side, step, s)
    if looks is not None and len(looks.says):
        gain = gain + _by_numbers(meetings, box, places, looks, s)
    box, chains, touched = box.copy(), list(chains), set[int]()
    for k in np.argsort(-gain):
        m = meetings[int(k)]
        if gain[k] < s.least_gain:
            break
        if m.a in touched or m.b in touched:
            continue
        touched |= {m.a, m.b}
        box[[m.a, m.b], m.middle :] = box[[m.b, m.a], m.middle :]
        box[[m.a, m.b], m.first : m.last + 1] = -1
        chains[m.a], chains[m.b] = _renamed(chains[m.a], chains[m.b], box[m.a], box[m.b], side)
    return box, chains, len(touched) // 2


def _kits(
    meetings: list[_Meeting], box: np.ndarray, side: np.ndarray, step_s: float, s: ExchangeSettings
) -> np.ndarray:
    """(M,4) sums of kit log odds within `kit_window_s`: of a before, a after, b before, b after."""
    reach, frames = max(1, round(s.kit_window_s / step_s)), box.shape[1]
    total = np.cumsum(np.where(box >= 0, side[box], 0.0), axis=1)
    total = np.concatenate([np.zeros((len(box), 1)), total], axis=1)
    out = np.zeros((len(meetings), 4))
    for k, m in enumerate(meetings):
        before = total[:, m.first] - total[:, max(0, m.first - reach)]
        after = total[:, min(frames, m.last + 1 + reach)] - total[:, m.last + 1]
        out[k] = before[m.a], after[m.a], before[m.b], after[m.b]
    return out


def _by_numbers(
    meetings: list[_Meeting], box: np.ndarray, places: Places, looks: Looks, s: ExchangeSettings
) -> np.ndarray:
    """(M,) how much likelier the jersey numbers read before and after make the exchange."""
    total, count = sums_of(box, looks, places.covered <= CLEAR)
    a, b, first, last = (np.array([getattr(m, n) for m in meetings]) for n in ("a", "b", "first", "last"))

    def read(man: np.ndarray, start: np.ndarray | int, end: np.ndarray | int) -> np.ndarray:
        return evidence(total[man, end] - total[man, start], count[man, end] - count[man, start])

    (a0, a1), (b0, b1) = ((read(man, 0, first), read(man, last + 1, -1)) for man in (a, b))
    gain = one_number(a0, b1) + one_number(b0, a1) - one_number(a0, a1) - one_number(b0, b1)
    return np.clip(s.number_weight * gain, -s.number_limit, s.number_limit)


def _renamed(
    a: Chain, b: Chain, rows_a: np.ndarray, rows_b: np.ndarray, side: np.ndarray
) -> tuple[Chain, Chain]:
    rows_a, rows_b = rows_a[rows_a >= 0], rows_b[rows_b >= 0]
    odds_a, odds_b = float(side[rows_a].sum()), float(side[rows_b].sum())
    kinds = (a.kind, b.kind)
    if a.kind != b.kind:
        kinds = ("A", "B") if odds_a > odds_b else ("B", "A")
    return (
        replace(a, rows=rows_a, kind=kinds[0], log_odds=odds_a),
        replace(b, rows=rows_b, kind=kinds[1], log_odds=odds_b),
    )


def _meetings(
    box: np.ndarray, xy: np.ndarray, chains: list[Chain], step_s: float, s: ExchangeSettings
) -> list[_Meeting]:
    """Closest approaches of all pairs of players, nearest first, at most `most`."""
    seen = box >= 0
    frames = box.shape[1]
    apart_least, longest = max(2, round(0.25 / step_s)), max(2, round(s.longest_s / step_s))
    at = np.arange(frames)
    first, last = seen.argmax(1), frames - 1 - seen[:, ::-1].argmax(1)
    within = (at >= first[:, None]) & (at <= last[:, None])
    alive: np.ndarray = np.asarray(within & seen.any(1, keepdims=True))
    players = [k for k, c in enumerate(chains) if c.kind in ("A", "B")]
    found: list[tuple[float, _Meeting]] = []
    for i, a in enumerate(players):
        for b in players[i + 1 :]:
            d: np.ndarray = np.where(alive[a] & alive[b], np.linalg.norm(xy[a] - xy[b], axis=1), np.inf)
            order = np.flatnonzero(d < s.meet_yd)
            order = order[np.argsort(d[order], kind="stable")]
            free = np.ones(frames, bool)
            near: list[bool] = (d < s.within_yd).tolist()
            for t in order.tolist():
                if not free[t]:
                    continue
                free[max(0, t - apart_least) : t + apart_least + 1] = False
                u = v = t
                while u > 0 and t - u < longest and (near[u - 1] or t - u < 2):
                    u -= 1
                while v < frames - 1 and v - t < longest and (near[v + 1] or v - t < 2):
                    v += 1
                found.append((float(d[t]), _Meeting(a, b, u, t, v)))
    found.sort(key=lambda pair: pair[0])
    return [m for _, m in found[: s.most]]


def _gains(
    meetings: list[_Meeting], box: np.ndarray, d: Detections, places: Places, side: np.ndarray,
    step_s: float, s: ExchangeSettings,
) -> np.ndarray:  # fmt: skip
    """(M,) how much likelier the exchange is, in natural log units; -inf where too little is seen."""
    reach = round((s.window_s + s.longest_s) / step_s)
    window, frames = round(s.window_s / step_s), box.shape[1]
    offset = np.arange(-reach, reach + 1)
    halves = np.full((len(meetings), 4, len(offset)), -1)
    for k, m in enumerate(meetings):
        at = m.middle + offset
        ok = (at >= 0) & (at < frames)
        for h, (man, mask) in enumerate((man, mask) for man in (m.a, m.b) for mask in (
            (at < m.first) & (at >= m.first - window), (at > m.last) & (at <= m.last + window))):  # fmt: skip
            halves[k, h, ok & mask] = box[man, at[ok & mask]]
    rows = halves.reshape(-1, len(offset))
    observed = rows >= 0
    z = np.where(observed[..., None], places.xy_field_yd[rows], 0.0)
    r = np.where(observed[..., None, None], places.covariance[rows] * s.correlated, np.eye(2))
    x, p = smooth(z, r, observed, offset * step_s, s.model)
    speed = np.where(observed, np.linalg.norm(x[..., 2:], axis=-1), 0.0).sum(1)
    speed = speed / np.maximum(observed.sum(1), 1)
    slow = np.repeat((speed.reshape(-1, 4) < s.slow_yd_per_s).all(1), 4)
    if slow.any():
        x[slow], p[slow] = smooth(z[slow], r[slow], observed[slow], offset * step_s, s.standing)
    x, p = x[:, reach].reshape(-1, 4, 4), p[:, reach].reshape(-1, 4, 4, 4)
    kit = np.clip(s.side_weight * _kits(meetings, box, side, step_s, s), -s.side_limit, s.side_limit)

    def cost(i: int, j: int) -> np.ndarray:
        nu, sigma = x[:, i] - x[:, j], p[:, i] + p[:, j] + SLACK
        d2 = np.einsum("ni,ni->n", nu, np.linalg.solve(sigma, nu[..., None])[..., 0])
        one, two = 1 / (1 + np.exp(-kit[:, i])), 1 / (1 + np.exp(-kit[:, j]))
        same = np.log(np.maximum(one * two + (1 - one) * (1 - two), 1e-3))
        return np.asarray(0.5 * np.minimum(d2, DEAREST_D2) + 0.5 * np.linalg.slogdet(sigma)[1] - same)

    gain = cost(0, 1) + cost(2, 3) - cost(0, 3) - cost(2, 1)
    enough = (observed.sum(1).reshape(-1, 4) >= s.least_boxes).all(1)
    return np.where(enough, gain, -np.inf)
