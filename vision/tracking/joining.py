"""Pieces become men: one minimum-cost flow over the whole clip, with so many a side and no more.

Three kinds of flow (side A, side B, officials) run through the same pieces; a piece carries at most one
unit. A unit enters at a piece, passes along links to later pieces and leaves; entering and leaving
inside the picture in the middle of the clip cost more than at the picture's edge or at the clip's ends, and
entering there most: who comes out of nowhere is seldom a man whom the rules put on the field.
Every cost is minus a log likelihood (ratio to "this piece is nobody"). Two programmes (SciPy's HiGHS):
the first lets a piece be shared among the kinds and so finds nearly every kind; with kinds given there are
three separate network flows, whose answers are whole numbers, and branching is left for few pieces.
After Zhang, Li and Nevatia, CVPR 2008 (network flow for data association), with side and number of men added.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix
from scipy.special import expit

from vision.records import Detections
from vision.tracking.bystanders import BystanderSettings, signs_of
from vision.tracking.crew import CrewSettings, crew_log_odds, crew_signs
from vision.tracking.evidence import Evidence
from vision.tracking.links import BY_MOTION, WAYS, Candidates, agreed, cheapest, next_of_one, same_kit
from vision.tracking.motion import MotionModel, smooth
from vision.tracking.numbers import CLEAR, one_number, read_of_pieces
from vision.tracking.overlap import OverlapSettings, without_overlap

KIT_BOXES, KIT_LIMIT = 30, 20.0
"""So many boxes at a piece's ends tell its kit for a link; the most that they say in sum."""
NUMBER_LIMIT = 5.0
"""The most that jersey numbers say for or against a link."""
KINDS = ("A", "B", "official", "other")


@dataclass(frozen=True)
class JoinSettings:
    """Costs in natural log units. worth_per_box: what a sure box adds to a piece's worth. man_exists: a place
    on a side that is not full is filled sooner than left (the rules put so many men there). agreed: between a
    link that all ways of weighing take and one that none takes (see `links`; 0: only by motion). standing:
    how men move in pieces slower than slow_yd_per_s (mean)."""

    worth_per_box: float = 0.35
    no_man_confidence: float = 0.15
    man_exists: float = 3.0
    other_exists: float = 3.0
    enter_start: float = 1.0
    enter_edge: float = 3.0
    enter_inside: float = 8.0
    leave_inside: float = 5.0
    longest_gap_s: float = 3.0
    longest_gap_edge_s: float = 7.0
    miss_per_s: float = 0.4
    start_density: float = 9.0
    dearest_link: float = 14.0
    fastest_yd_per_s: float = 9.0
    links_a_piece: int = 8
    agreed: float = 10.0
    side_weight: float = 0.35
    side_limit: float = 8.0
    least_boxes: int = 3
    officials: int = 8
    others: int = 40
    bystanders: BystanderSettings = BystanderSettings()
    crew: CrewSettings = CrewSettings()
    overlap: OverlapSettings = OverlapSettings()
    slow_yd_per_s: float = 1.0
    model: MotionModel = MotionModel(q=9.0, tau_s=1.2)
    standing: MotionModel = MotionModel(q=1.5, tau_s=1.2)


@dataclass(frozen=True)
class Chain:
    """One man: rows of detections in time order, kind 'A', 'B' or 'official', and his pieces."""

    rows: np.ndarray
    kind: str
    pieces: tuple[int, ...]
    log_odds: float


@dataclass(frozen=True)
class _Pieces:
    """What the flow needs to know of each piece, as arrays over pieces."""

    first: np.ndarray
    last: np.ndarray
    x: np.ndarray
    p: np.ndarray
    worth: np.ndarray
    kind_cost: np.ndarray
    side: np.ndarray
    edge_first: np.ndarray
    edge_last: np.ndarray
    tall: np.ndarray
    kit_ends: np.ndarray
    followed: np.ndarray
    believed: np.ndarray
    read: np.ndarray


def join_pieces(
    pieces: list[np.ndarray], e: Evidence, men_a_side: int, width_yd: float,
    settings: JoinSettings | None = None, followed: np.ndarray | None = None,
) -> list[Chain]:  # fmt: skip
    """Chains of pieces (rows of the boxes of `e`), at most `men_a_side` of A and of B over the whole clip.

    followed (N,): whom the pass forward followed from box to box (see `trace_pieces`).
    """
    s = settings or JoinSettings()
    pieces = without_overlap([q for q in pieces if len(q) >= s.least_boxes], e, s.overlap)
    if not pieces:
        return []
    table = _describe(pieces, e, width_yd, followed, s)
    enter, leave = _ends(table, e.detections, s)
    pairs, answers = _candidates(table, e.detections, s), []
    for way in WAYS if s.agreed else (BY_MOTION,):
        links, link_cost = cheapest(pairs, way, 7.0 - s.start_density, s.dearest_link, s.links_a_piece)
        answers.append(_solve(table, links, link_cost, enter, leave, men_a_side, s))
        if way is BY_MOTION:
            by_motion = links, link_cost
    used, nexts = answers[0]
    if s.agreed:
        links, link_cost = agreed(*by_motion, [follows for _, follows in answers], s.dearest_link, s.agreed)
        used, nexts = _solve(table, links, link_cost, enter, leave, men_a_side, s)
    return _chains(pieces, table, used, nexts)


def _describe(
    pieces: list[np.ndarray], e: Evidence, width_yd: float, followed: np.ndarray | None, s: JoinSettings
) -> _Pieces:
    d, places, side = e.detections, e.places, e.side
    n, frames = len(pieces), d.n_frames
    z, r = np.zeros((n, frames, 2)), np.tile(np.eye(2), (n, frames, 1, 1))
    observed = np.zeros((n, frames), bool)
    worth, crew = np.zeros(n), np.zeros(n)
    side_sum, tall, kit_ends = np.zeros(n), np.zeros(n), np.zeros((n, 2))
    for k, rows in enumerate(pieces):
        f = d.frame[rows]
        z[k, f], r[k, f], observed[k, f] = places.xy_field_yd[rows], places.covariance[rows], True
        trust = np.where(places.duplicate[rows], 0.1, 1.0) * (1 - 0.5 * places.covered[rows])
        sure = np.clip((d.confidence[rows] - s.no_man_confidence) / 0.4, 0.0, 1)
        on_field = np.where(places.inside[rows], 1.0, -1.0)
        worth[k] = s.worth_per_box * float((trust * np.minimum(sure, on_field)).sum())
        side_sum[k] = np.clip(s.side_weight * side[rows].sum(), -s.side_limit, s.side_limit)
        crew[k] = np.clip(0.25 * e.official[rows].sum(), -s.crew.unsaid_limit, s.crew.said_limit)
        tall[k] = np.median(places.tall_yd[rows])
        for end, part in enumerate((rows[:KIT_BOXES], rows[-KIT_BOXES:])):
            kit_ends[k, end] = s.side_weight * np.clip(side[part].sum(), -KIT_LIMIT, KIT_LIMIT)
    x, p = _smoothed(z, r, observed, d.pts_s, s)
    crew += crew_log_odds(crew_signs(pieces, x, d, places.inside, e.offset, e.views), s.crew)
    beside = signs_of(pieces, x, d, places, width_yd, s.bystanders)
    kind_cost = _kind_cost(side_sum, crew, beside)
    believed = np.column_stack([np.ones((n, 2)), expit(crew), expit(beside)])
    first = np.array([d.frame[q[0]] for q in pieces])
    last = np.array([d.frame[q[-1]] for q in pieces])
    edge_first = np.array([places.edge[q[:3]].max() for q in pieces])
    edge_last = np.array([places.edge[q[-3:]].max() for q in pieces])
    return _Pieces(
        first, last, x, p, worth, kind_cost, side_sum, edge_first, edge_last, tall, kit_ends,
        np.full(n, -1) if followed is None else followed[[q[0] for q in pieces]], believed,
        read_of_pieces(pieces, e.looks, places.covered <= CLEAR),
    )  # fmt: skip


def _kind_cost(side: np.ndarray, crew: np.ndarray, beside: np.ndarray) -> np.ndarray:
    """(P,4) minus log chances of the kinds from log odds: A against B, official and other against player."""
    total = np.logaddexp(np.logaddexp(0, crew), beside)
    columns = [total + np.logaddexp(0, -side), total + np.logaddexp(0, side), total - crew, total - beside]
    return np.column_stack(columns) + np.array([0.0, 0.0, 0.7, 0.0])


def _smoothed(
    z: np.ndarray, r: np.ndarray, observed: np.ndarray, t_s: np.ndarray, s: JoinSettings
) -> tuple[np.ndarray, np.ndarray]:
    """States of all pieces; those of men who stand move by the calmer model, so neighbours in the line
    are told apart by where they stand."""
    x, p = smooth(z, r, observed, t_s, s.model)
    speed = np.where(observed, np.linalg.norm(x[..., 2:], axis=-1), 0.0).sum(1) / observed.sum(1)
    slow = speed < s.slow_yd_per_s
    if slow.any():
        x[slow], p[slow] = smooth(z[slow], r[slow], observed[slow], t_s, s.standing)
    return x, p


def _candidates(t: _Pieces, d: Detections, s: JoinSettings) -> Candidates:
    """Pairs of pieces of which the second may follow the first."""
    gap = d.pts_s[t.first][None] - d.pts_s[t.last][:, None]
    through_edge = (t.edge_last[:, None] > 0) & (t.edge_first[None] > 0)
    longest = np.where(through_edge, s.longest_gap_edge_s, s.longest_gap_s)
    i, j = np.nonzero((t.last[:, None] < t.first[None]) & (gap <= longest))
    middle = t.first[j]
    nu = t.x[i, middle] - t.x[j, middle]
    sigma = t.p[i, middle] + t.p[j, middle] + np.diag([0.05, 0.05, 0.5, 0.5])
    place = _squared(nu[:, :2], sigma[:, :2, :2])
    return Candidates(
        i, j, place, _squared(nu, sigma) - place, np.linalg.slogdet(sigma)[1],
        height=np.minimum((np.log(t.tall[i] / t.tall[j]) / 0.25) ** 2, 4.0) / 2,
        missing=np.where(through_edge[i, j], 0.2, 1.0) * s.miss_per_s * gap[i, j],
        kit=same_kit(t.kit_ends[i, 1], t.kit_ends[j, 0]), followed=next_of_one(t.followed, t.first)[i] == j,
        number=np.clip(one_number(t.read[i], t.read[j]), -NUMBER_LIMIT, NUMBER_LIMIT),
        reach=np.linalg.norm(nu[:, :2], axis=1) < 1.5 + 0.7 * s.fastest_yd_per_s * gap[i, j],
    )  # fmt: skip


def _squared(nu: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """(L,) squared Mahalanobis distances."""
    return np.asarray(np.einsum("ni,ni->n", nu, np.linalg.solve(sigma, nu[..., None])[..., 0]))


def _ends(t: _Pieces, d: Detections, s: JoinSettings) -> tuple[np.ndarray, np.ndarray]:
    start, end = d.pts_s[0], d.pts_s[-1]

    def cost(time: np.ndarray, limit: float, edge: np.ndarray, amid: float) -> np.ndarray:
        inside = s.enter_edge + (amid - s.enter_edge) * (1 - np.clip(2 * edge, 0, 1))
        near = np.clip(np.abs(time - limit) / 0.5, 0, 1)
        return np.asarray(s.enter_start + (inside - s.enter_start) * near)

    enter = cost(d.pts_s[t.first], start, t.edge_first, s.enter_inside)
    return enter, cost(d.pts_s[t.last], end, t.edge_last, s.leave_inside)


def _solve(
    t: _Pieces, links: np.ndarray, link_cost: np.ndarray, enter: np.ndarray, leave: np.ndarray,
    men_a_side: int, s: JoinSettings,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """kind of each piece (-1 unused) and the piece that follows it (-1 none)."""
    n, m, kinds = len(t.first), len(links), len(KINDS)
    size = 3 * n + m  # use, enter, leave, links of one kind
    cost = np.concatenate([_flow_cost(t, c, link_cost, enter, leave, s) for c in range(kinds)])
    rows, cols, values = [], [], []

    def put(row: np.ndarray, col: np.ndarray, value: float) -> None:
        rows.append(np.broadcast_to(row, col.shape).ravel())
        cols.append(col.ravel())
        values.append(np.full(col.size, value))

    piece = np.arange(n)
    for c in range(kinds):
        o, base = c * size, c * 2 * n
        put(base + piece, o + piece, 1.0)
        put(base + piece, o + n + piece, -1.0)
        put(base + n + piece, o + piece, 1.0)
        put(base + n + piece, o + 2 * n + piece, -1.0)
        if m:
            put(base + links[:, 1], o + 3 * n + np.arange(m), -1.0)
            put(base + n + links[:, 0], o + 3 * n + np.arange(m), -1.0)
        put(kinds * 2 * n + piece, o + piece, 1.0)
        put(np.array(kinds * 2 * n + n + c), o + n + piece, 1.0)
    total = kinds * 2 * n + n + kinds
    matrix = coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), (total, kinds * size)
    ).tocsr()
    low = np.r_[np.zeros(kinds * 2 * n), np.full(n + kinds, -np.inf)]
    high = np.r_[np.zeros(kinds * 2 * n), np.ones(n), men_a_side, men_a_side, s.officials, s.others]
    rules = LinearConstraint(matrix, low, high)
    share = _programme(cost, rules, np.ones(kinds * size)).reshape(kinds, size)[:, :n]
    wanted = np.argmax(share - 1e-6 * (t.kind_cost.T - t.kind_cost.min()), axis=0)
    split = (share > 0.01) & (share < 0.99)
    open_, whole = np.ones((kinds, size)), np.zeros((kinds, size))
    open_[:, :n] = (wanted == np.arange(kinds)[:, None]) | split
    whole[:, :n] = split
    answer = _programme(cost, rules, open_.ravel(), whole.ravel())
    if not np.allclose(answer, np.round(answer), atol=1e-3):  # no whole answer in time: round the kinds
        open_[:, :n] = wanted == np.arange(kinds)[:, None]
        answer = _programme(cost, rules, open_.ravel())
    x = answer.reshape(kinds, size) > 0.5
    used, nexts = np.full(n, -1), np.full(n, -1)
    for c in range(kinds):
        used[x[c, :n]] = c
        chosen = links[x[c, 3 * n :]]
        nexts[chosen[:, 0]] = chosen[:, 1]
    return used, nexts


def _flow_cost(
    t: _Pieces, kind: int, link_cost: np.ndarray, enter: np.ndarray, leave: np.ndarray, s: JoinSettings
) -> np.ndarray:
    """Costs of one kind's variables: use, enter, leave, links. A player's entry is welcome."""
    welcome = {"official": 0.0, "other": -s.other_exists}.get(KINDS[kind], s.man_exists)
    worth = t.worth * t.believed[:, kind]
    return np.concatenate([t.kind_cost[:, kind] - worth, enter - welcome, leave, link_cost])


def _programme(
    cost: np.ndarray, rules: LinearConstraint, largest: np.ndarray, whole: np.ndarray | None = None
) -> np.ndarray:
    """The programme's answer, `whole` variables as whole numbers; NaN where there is none."""
    limit = {"node_limit": 200, "mip_rel_gap": 1e-3}
    answer = milp(cost, constraints=rules, bounds=Bounds(0, largest), integrality=whole, options=limit)
    return np.full(len(cost), np.nan) if answer.x is None else np.asarray(answer.x)


def _chains(pieces: list[np.ndarray], t: _Pieces, used: np.ndarray, nexts: np.ndarray) -> list[Chain]:
    followed = set(nexts[nexts >= 0].tolist())
    chains = []
    for k in np.flatnonzero(used >= 0):
        if int(k) in followed:
            continue
        members = [int(k)]
        while nexts[members[-1]] >= 0:
            members.append(int(nexts[members[-1]]))
        rows = np.concatenate([pieces[m] for m in members])
        chains.append(Chain(rows, KINDS[used[k]], tuple(members), float(t.side[members].sum())))
    return chains
