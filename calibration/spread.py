"""How wrong a fit is, from how its own residuals stray: marks err alone, and together.

Points of one line in one frame err together (ridge filter, blur), and so does one painted mark over a whole
clip (crooked paint, a worn edge, a crown of another shape). Counting them as independent states too small an
error on poor film and assuming a fixed size too large a one on good film. Here the residuals are split into
three parts by moments, each kind of mark for itself: of a single point, of a mark in one frame, of a mark in
all frames. With H the normal matrix of the fit the covariance is the sandwich H^-1 M H^-1 (Huber 1967, White
1980; errors in groups: Liang and Zeger 1986), M the variance of the normal equations' right side under these
parts. Groups are too few for the purely empirical M (two hash rows), so their variances are pooled by kind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MOST_CORRECTION = 3.0  # of the residuals' loss to the fitted unknowns
BIAS_PX = (0.5, 1.5)
"""Marks that look alike are found off alike (blur, blocks, sharpening, thin lines beside broad ones), which
no residual shows: to the right and downwards, in pixels of 1280, times the square of the residuals' rms in
such pixels. Against true cameras the yard lines of five films lie 0.1 px low or high at an rms of 0.3, rows
and side lines 0.2 to 0.35 at 0.65; along x a third of it."""
CLEAR = 0.5  # marks that the view's grazing discounts below this tell nothing of the spread


@dataclass(frozen=True)
class Observations:
    """N scalar residuals. r: over the assumed sd; weight (N,); design (N, 4 + S): derivatives by the frame's
    pose and the S shared unknowns; frame (N,); kind (N,): marks whose spread is pooled; mark (N,): which
    painted mark; along (N,): yards along it (0 where it is a point); clear (N,): 1 - the grazing discount;
    look (N,): marks that look alike; by_shift (N, 2): change of r a pixel (of 1280) to the right, downwards;
    sd_px (N,): the assumed sd in such pixels."""

    r: np.ndarray
    weight: np.ndarray
    design: np.ndarray
    frame: np.ndarray
    kind: np.ndarray
    mark: np.ndarray
    along: np.ndarray
    clear: np.ndarray
    look: np.ndarray
    by_shift: np.ndarray
    sd_px: np.ndarray


@dataclass(frozen=True)
class Parts:
    """Variances of one kind of mark: of a point, of a mark in one frame, of a mark in the clip."""

    point: float
    frame: float
    clip: float


def _sums(values: np.ndarray, group: np.ndarray, n: int) -> np.ndarray:
    """(n, ...) sums of values (N, ...) by group."""
    out = np.zeros((n, *values.shape[1:]))
    np.add.at(out, group, values)
    return out


def _basis(o: Observations, group: np.ndarray, n: int) -> np.ndarray:
    """(N, 2): 1 and the place along the mark, standardised within its group (0 for points)."""
    w = np.maximum(_sums(o.weight, group, n), 1e-12)
    t = o.along - (_sums(o.weight * o.along, group, n) / w)[group]
    sd = np.sqrt(_sums(o.weight * t * t, group, n) / w)
    return np.column_stack([np.ones(len(t)), t / np.where(sd > 1e-6, sd, np.inf)[group]])


def parts_of(
    o: Observations, group: np.ndarray, basis: np.ndarray, lost: tuple[float, float]
) -> dict[int, Parts]:
    """Variance parts of every kind. lost: unknowns fitted per frame in all, and per clip."""
    n = int(group.max()) + 1
    w = np.maximum(_sums(o.weight, group, n), 1e-12)
    slope = np.abs(_sums(o.weight * basis[:, 1], group, n)) + _sums(basis[:, 1] ** 2, group, n) > 1e-9
    coef = _sums((o.weight * o.r)[:, None] * basis, group, n) / w[:, None]
    rest = o.r - (coef[group] * basis).sum(1)
    count = np.bincount(group, minlength=n)
    first = np.unique(group, return_index=True)[1]
    kind, mark = o.kind[first], o.mark[first]
    clear = _sums(o.weight * o.clear, group, n) / w
    seen = float(n + slope.sum())
    marks = np.unique(mark)
    loss_frame = min(seen / max(seen - lost[0], 1.0), MOST_CORRECTION)
    many = float(len(marks) + sum(slope[mark == m].any() for m in marks))
    loss_clip = min(many / max(many - lost[1], 1.0), MOST_CORRECTION)
    out = {}
    for k in np.unique(kind):
        mine = (kind == k) & (clear > CLEAR)
        if mine.sum() < 4:
            mine = kind == k
        at = mine[group]
        free = max(float((count[mine] - 1 - slope[mine]).sum()), 0.0)
        share = free / max(float(count[mine].sum()), 1.0)
        point = float(np.average(rest[at] ** 2, weights=o.weight[at])) / share if share > 0.2 else 0.0
        out[int(k)] = _split(
            coef[mine], slope[mine], mark[mine], count[mine], w[mine], point, loss_frame, loss_clip
        )
    return out


def _split(
    coef: np.ndarray, slope: np.ndarray, mark: np.ndarray, count: np.ndarray, weight: np.ndarray,
    point: float, loss_frame: float, loss_clip: float,
) -> Parts:  # fmt: skip
    """Parts of one kind from the coefficients (G, 2) of its groups: a mean and a slope."""
    within, within_w, between, between_w, noise = 0.0, 0.0, 0.0, 0.0, 0.0
    for m in np.unique(mark):
        at = mark == m
        n = int(at.sum())
        columns = 2 if slope[at].all() else 1
        c = coef[at][:, :columns]
        total = float(weight[at].sum())
        mean = np.average(c, axis=0, weights=weight[at])
        within += float((weight[at][:, None] * (c - mean) ** 2).sum())
        within_w += total * columns * (n - 1) / n
        between += total * float((mean**2).sum())
        between_w += total * columns
        noise += total * columns / n
    frame = within / within_w if within_w else between / max(between_w, 1e-12)
    clip = between / max(between_w, 1e-12) - frame * noise / max(between_w, 1e-12)
    alone = max(frame - point * float(np.average(1.0 / count, weights=weight)), 0.0)
    if point == 0.0:  # marks that are points: what strays from frame to frame is the point's own
        return Parts(frame * loss_frame, 0.0, max(clip, 0.0) * loss_clip)
    return Parts(point, alone * loss_frame, max(clip, 0.0) * loss_clip)


def score_variance(o: Observations, frames: int) -> np.ndarray:
    """(4 F + S, 4 F + S): M, the variance of the weighted normal equations' right side."""
    n = 4 * frames + o.design.shape[1] - 4
    out = np.zeros((n, n))
    if not len(o.r):
        return out
    _, group = np.unique(np.column_stack([o.frame, o.mark]), axis=0, return_inverse=True)
    group = group.ravel()
    groups = int(group.max()) + 1
    basis = _basis(o, group, groups)
    parts = parts_of(o, group, basis, (4.0 * frames, float(o.design.shape[1])))
    point, together, always = (
        np.array([getattr(parts[int(k)], name) for k in o.kind]) for name in ("point", "frame", "clip")
    )
    weighted = o.weight[:, None] * o.design
    shared = np.arange(4 * frames, n)
    first = np.unique(group, return_index=True)[1]
    sums = np.stack([_sums(weighted * basis[:, k : k + 1], group, groups) for k in (0, 1)], 1)
    for j in range(frames):
        index = np.concatenate([np.arange(4 * j, 4 * j + 4), shared])
        at = o.frame == j
        a = weighted[at] * np.sqrt(point[at])[:, None]
        g = o.frame[first] == j
        b = (sums[g] * np.sqrt(together[first][g])[:, None, None]).reshape(-1, o.design.shape[1])
        out[np.ix_(index, index)] += a.T @ a + b.T @ b
    for m in np.unique(o.mark):
        whole = np.zeros((2, n))
        seen = np.nonzero(o.mark[first] == m)[0]
        for g in seen:
            j = o.frame[first][g]
            whole[:, 4 * j : 4 * j + 4] += sums[g][:, :4]
            whole[:, shared] += sums[g][:, 4:]
        out += always[first][seen[0]] * whole.T @ whole
    scale = float(np.average((o.r * o.sd_px) ** 2, weights=o.weight * o.clear))
    for k in np.unique(o.look):
        alike = o.look == k
        for axis, share in enumerate(BIAS_PX):
            whole = np.zeros(n)
            part = weighted[alike] * o.by_shift[alike, axis, None]
            whole[shared] = part[:, 4:].sum(0)
            np.add.at(whole, (4 * o.frame[alike, None] + np.arange(4)).ravel(), part[:, :4].ravel())
            out += (share * scale) ** 2 * np.outer(whole, whole)
    return out
