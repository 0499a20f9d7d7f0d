"""Robust least squares of one or many frames that share a camera's place, roll, lens and the crown.

Unknowns: per frame pan, tilt, log focal length and roll (held near the shared one: a hand-held or
unlevel tripod rolls a little); shared roll, k1 (a constant and a slope with log focal length), centre
(3), crown, distance of the numbers' rows from their side lines (grounds differ). Each mark is compared
with the nearest place of the field where such a mark may stand (Gauss-Newton over re-associated marks,
weights of Geman-McClure's kind: w = 1 / (1 + r^2 / c^2)^2, c shrinking from round to round). Whole-yard
identity plays no part: lines repeat every five yards.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calibration.evidence import FrameMarks
from calibration.prior import SHARED, SharedPrior
from calibration.sightings import BOUNDARY, LINE, NUMERAL, ROW, SIDE, TICK, Sightings
from calibration.spread import score_variance
from calibration.standards import FieldStandard

POSE = [0, 1, 3, 2]  # pan, tilt, log focal, roll among camera.PARAMETERS
ROLL_SD_DEG = 0.4


@dataclass
class BundleResult:
    """parameters (F, 9); covariance (F, 9, 9); shared (8,) and its covariance (8, 8);
    sd_px: robust residual scale per frame in 1280-wide pixels; explained: share of marks explained per frame;
    count: effective number of marks per frame."""

    parameters: np.ndarray
    covariance: np.ndarray
    shared: np.ndarray
    shared_covariance: np.ndarray
    focal_origin: float
    sd_px: np.ndarray
    explained: np.ndarray
    rows_explained: np.ndarray


@dataclass
class Bundle:
    """One problem: marks of F frames. width/height of the picture; links[j] = (4,) change of pan, tilt,
    log focal, roll from frame j to j + 1 with sd (4,), or None. strays: state the error by how the residuals
    stray (calibration.spread) instead of by SD_PX."""

    marks: list[FrameMarks]
    standard: FieldStandard
    prior: SharedPrior
    hash_from_sideline_yd: float | None = None
    links: list[tuple[np.ndarray, np.ndarray] | None] = field(default_factory=list)
    use: frozenset[int] = frozenset((LINE, BOUNDARY, ROW, SIDE, NUMERAL))
    strays: bool = False

    def __post_init__(self) -> None:
        self.seen = Sightings(self.marks, self.standard, self.hash_from_sideline_yd, self.use)

    # -- parameters ---------------------------------------------------------------------------
    def expand(self, poses: np.ndarray, shared: np.ndarray, origin: float) -> np.ndarray:
        """(F, 9) from poses (F, 4) and shared (8,)."""
        p = np.empty((len(poses), 9))
        p[:, POSE] = poses
        p[:, 4] = shared[1] + shared[2] * (poses[:, 2] - origin)
        p[:, 5:8] = shared[3:6]
        p[:, 8] = shared[6]
        return p

    # -- solving ------------------------------------------------------------------------------
    def solve(
        self,
        poses: np.ndarray,
        shared: np.ndarray,
        rounds: tuple[float, ...] = (8, 8, 5, 5, 3, 3, 2.5, 2.5),
        free: tuple[bool, ...] = (True,) * len(SHARED),
    ) -> BundleResult:
        """Refine poses (F, 4: pan, tilt, log focal, roll) and shared (8,). rounds: kernel widths, one
        per step."""
        poses, shared = np.array(poses, float), np.array(shared, float)
        origin = float(np.median(poses[:, 2]))
        if self.prior.number_yd is None:
            shared[7] = self.seen.first_number_yd(self.expand(poses, shared, origin), shared[7])
        mask = np.array(free)
        damping = 1e-6
        for width in rounds:
            p = self.expand(poses, shared, origin)
            at = self.seen.look(p, poses, shared, origin, width)
            a, b = self._normal(at.design, at.r, at.weight, poses, shared)
            keep = np.concatenate([np.ones(4 * len(poses), bool), mask])
            a, b = a[np.ix_(keep, keep)], b[keep]
            a[np.diag_indices_from(a)] *= 1 + damping
            try:
                step = np.zeros(len(keep))
                step[keep] = -np.linalg.solve(a, b)
            except np.linalg.LinAlgError:
                break
            step = self._limit(step, len(poses))
            poses = poses + step[: 4 * len(poses)].reshape(-1, 4)
            shared = shared + step[4 * len(poses) :]
            shared[6] = np.clip(shared[6], -0.05, 0.5)
        return self._finish(poses, shared, origin, rounds[-1])

    @staticmethod
    def _limit(step: np.ndarray, frames: int) -> np.ndarray:
        """Keep one step inside the region where re-association makes sense."""
        poses, shared = step[: 4 * frames].reshape(-1, 4), step[4 * frames :]
        top = max(
            np.abs(poses[:, 0]).max() / 4.0,
            np.abs(poses[:, 1]).max() / 4.0,
            np.abs(poses[:, 2]).max() / 0.25,
            np.abs(shared[3:6]).max() / 12.0,
            1.0,
        )
        return step / top

    def _normal(
        self,
        design: np.ndarray,
        r: np.ndarray,
        weight: np.ndarray,
        poses: np.ndarray,
        shared: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:
        f = len(poses)
        n = 4 * f + len(SHARED)
        a, b = np.zeros((n, n)), np.zeros(n)
        for j in range(f):
            at = self.seen.frame == j
            c, rr, ww = design[at].reshape(-1, design.shape[2]), r[at].reshape(-1), np.repeat(weight[at], 2)
            block = (c * ww[:, None]).T @ c
            vector = c.T @ (ww * rr)
            index = np.concatenate([np.arange(4 * j, 4 * j + 4), np.arange(4 * f, n)])
            a[np.ix_(index, index)] += block
            b[index] += vector
        a[4 * f :, 4 * f :] += self.prior.information
        b[4 * f :] += self.prior.information @ (shared - self.prior.mean)
        self._soften(a, b, poses, shared)
        return a, b

    def _soften(
        self,
        a: np.ndarray,
        b: np.ndarray,
        poses: np.ndarray,
        shared: np.ndarray,
        stray: tuple[np.ndarray, float] | None = None,
    ) -> None:
        """Add the links between frames and the rolls' nearness to the shared one to the normal equations.

        stray: variances of the links' four numbers and of the rolls over the assumed ones; with it, add to
        the variance of the right side instead."""
        f = len(poses)
        rolls = np.arange(f) * 4 + 3
        w = (1.0 if stray is None else stray[1]) / ROLL_SD_DEG**2
        a[rolls, rolls] += w
        a[4 * f, 4 * f] += f * w
        a[rolls, 4 * f] -= w
        a[4 * f, rolls] -= w
        b[rolls] += w * (poses[:, 3] - shared[0])
        b[4 * f] -= w * (poses[:, 3] - shared[0]).sum()
        for j, link in enumerate(self.links):
            if link is None:
                continue
            delta, sd = link
            i, k = np.arange(4 * j, 4 * j + 4), np.arange(4 * j + 4, 4 * j + 8)
            e = (poses[j + 1] - poses[j] - delta) / sd
            w = 1 / (1 + e**2 / 16) ** 2 / sd**2
            if stray is not None:
                w = w * stray[0] * (w * sd**2)
            a[i, i] += w
            a[k, k] += w
            a[i, k] -= w
            a[k, i] -= w
            b[i] -= w * e * sd
            b[k] += w * e * sd

    def _soft_stray(self, poses: np.ndarray, shared: np.ndarray) -> tuple[np.ndarray, float]:
        """Variances over the assumed: of the links' four numbers, of the rolls; 1 when there are too few."""
        found = [(j, link) for j, link in enumerate(self.links) if link is not None]
        e = [(poses[j + 1] - poses[j] - delta) / sd for j, (delta, sd) in found]
        links = np.ones(4)
        if len(e) >= 4:
            size = np.array(e) ** 2
            w = 1 / (1 + size / 16) ** 2
            links = np.minimum((w * size).sum(0) / w.sum(0), 1.0)
        off = (poses[:, 3] - shared[0]) / ROLL_SD_DEG
        return links, min(float((off**2).mean()), 1.0) if len(off) >= 4 else 1.0

    def _finish(self, poses: np.ndarray, shared: np.ndarray, origin: float, width: float) -> BundleResult:
        seen = self.seen
        p = self.expand(poses, shared, origin)
        look = seen.look(p, poses, shared, origin, width)
        a, _ = self._normal(look.design, look.r, look.weight, poses, shared)
        f = len(poses)
        covariance = np.linalg.pinv(a, hermitian=True)
        if self.strays:
            variance = score_variance(seen.strays(look, seen.by_shift(look, p)), f)
            variance[4 * f :, 4 * f :] += self.prior.information
            self._soften(variance, np.zeros(len(a)), poses, shared, self._soft_stray(poses, shared))
            covariance = covariance @ variance @ covariance
        size, ok = np.hypot(*look.r.T), look.ok
        sd, explained, rows = np.zeros(f), np.zeros(f), np.zeros(f)
        factor = seen.sd
        for j in range(f):
            at = (seen.frame == j) & ~np.isin(seen.kind, (NUMERAL, TICK))
            cross = at & np.isin(seen.kind, (ROW, SIDE))
            good = at & ok & (size < 3.0)
            sd[j] = float(np.median((size * factor)[at & ok])) * 1.48 if (at & ok).any() else np.nan
            explained[j] = good.sum() / max(at.sum(), 1)
            rows[j] = (cross & good).sum() / max(cross.sum(), 1)
        return BundleResult(
            p,
            self._frame_covariances(covariance, poses, shared, origin),
            shared,
            covariance[4 * f :, 4 * f :],
            origin,
            sd,
            explained,
            rows,
        )

    @staticmethod
    def _frame_covariances(
        cov: np.ndarray, poses: np.ndarray, shared: np.ndarray, origin: float
    ) -> np.ndarray:
        """(F, 9, 9) over PARAMETERS from the joint covariance of poses and shared unknowns."""
        f = len(poses)
        out = np.zeros((f, 9, 9))
        for j in range(f):
            index = np.concatenate([np.arange(4 * j, 4 * j + 4), np.arange(4 * f, 4 * f + len(SHARED))])
            t = np.zeros((9, 4 + len(SHARED)))
            t[0, 0] = t[1, 1] = t[3, 2] = t[2, 3] = 1  # pan, tilt, log focal, roll
            t[4, 2], t[4, 5], t[4, 6] = shared[2], 1, poses[j, 2] - origin
            t[5, 7] = t[6, 8] = t[7, 9] = t[8, 10] = 1
            out[j] = t @ cov[np.ix_(index, index)] @ t.T
        return out
