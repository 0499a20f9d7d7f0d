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

from calibration import batch
from calibration.evidence import FrameMarks
from calibration.numerals import whole
from calibration.spread import Observations, score_variance
from calibration.standards import FieldStandard

POSE = [0, 1, 3, 2]  # pan, tilt, log focal, roll among camera.PARAMETERS
ROLL_SD_DEG = 0.4
SHARED = ("roll_deg", "k1", "k1_slope", "x_yd", "y_yd", "z_yd", "crown_yd", "number_yd")
LINE, BOUNDARY, ROW, SIDE, NUMERAL, TICK, CLICK = range(7)
SD_PX = {LINE: 1.3, BOUNDARY: 1.5, ROW: 1.4, SIDE: 1.6, NUMERAL: 6.0, TICK: 3.0, CLICK: 2.0}
ALONG = 2.5
GRAZING_PX = 4.0
"""Pixels (of a picture 1280 wide) a yard across a mark below which it loses its place: a side line
thinner than a pixel merges with the edges beside it. Measured on film: 0.3 px rms above 4 px a yard, 1.7 and
the same for a whole clip below 2."""
NUMBER_SURE_YD = 0.4  # sd of the numbers' rows below which they count as known rows
LINE_SHARE = 0.1  # points of one line err together (paint, sharpening, the net): each counts this much


@dataclass(frozen=True)
class SharedPrior:
    """Gaussian belief about the shared unknowns: mean (8,), information (8, 8)."""

    mean: np.ndarray
    information: np.ndarray

    @property
    def number_yd(self) -> float | None:
        """Where the numbers' rows are believed to lie, None when that is too vague to fix a scale."""
        sure = self.information[7, 7] > 1 / NUMBER_SURE_YD**2
        return float(self.mean[7]) if sure else None


def weak_prior(standard: FieldStandard, endzone: bool, hash_known: bool = True) -> SharedPrior:
    """What is known of any wide camera before looking (film facts; sd generous)."""
    number = standard.number_rows_yd[0]
    if endzone:
        mean = np.array([0.0, -0.005, 0.0, -40.0, standard.width_yd / 2, 14.0, 0.12, number])
        sd = np.array([1.5, 0.025, 0.02, 60.0, 8.0, 9.0, 0.10, standard.number_sd_yd])
    else:
        mean = np.array([0.0, -0.005, 0.0, standard.centre_x_yd, -42.0, 18.0, 0.12, number])
        sd = np.array([1.5, 0.025, 0.02, 60.0, 35.0, 12.0, 0.10, standard.number_sd_yd])
    return SharedPrior(mean, np.diag(1 / sd**2))


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
        first = self.marks[0]
        self.size_px = (first.width_px, first.height_px)
        self.principal = ((first.width_px - 1) / 2, (first.height_px - 1) / 2)
        self.unit = first.unit_px
        px, kind, frame, score, fixed = [], [], [], [], []
        for j, m in enumerate(self.marks):
            for code, a in (
                (LINE, m.line_px),
                (BOUNDARY, m.boundary_px),
                (ROW, m.row_px),
                (SIDE, m.side_px),
                (NUMERAL, m.numeral_px),
                (TICK, m.tick_px),
                (CLICK, m.click_px),
            ):
                if (code not in self.use and code != CLICK) or not len(a):
                    continue
                px.append(a[:, :2])
                kind.append(np.full(len(a), code))
                frame.append(np.full(len(a), j))
                score.append(a[:, -1] if code != CLICK else np.ones(len(a)))
                fixed.append(a[:, 2:4] if code == CLICK else np.full((len(a), 2), np.nan))
        empty = np.zeros((0, 2))
        self.px = np.concatenate(px) if px else empty
        self.kind = np.concatenate(kind) if px else np.zeros(0, int)
        self.frame = np.concatenate(frame) if px else np.zeros(0, int)
        self.score = np.concatenate(score) if px else np.zeros(0)
        self.fixed = np.concatenate(fixed) if px else empty
        self.sd = np.array([SD_PX[c] for c in range(7)])[self.kind]
        h = self.hash_from_sideline_yd or self.standard.hash_from_sideline_yd
        w = self.standard.width_yd
        self.rows = np.array([h, w - h])
        self.sides = np.array([0.0, w])

    # -- parameters ---------------------------------------------------------------------------
    def expand(self, poses: np.ndarray, shared: np.ndarray, origin: float) -> np.ndarray:
        """(F, 9) from poses (F, 4) and shared (8,)."""
        p = np.empty((len(poses), 9))
        p[:, POSE] = poses
        p[:, 4] = shared[1] + shared[2] * (poses[:, 2] - origin)
        p[:, 5:8] = shared[3:6]
        p[:, 8] = shared[6]
        return p

    # -- association --------------------------------------------------------------------------
    def associate(self, p: np.ndarray, number_yd: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """For each mark: target field point (N, 2), usable (N,), and free direction code.

        code 0: both coordinates count; 1: only x counts; 2: only y counts.
        """
        w = self.standard.width_yd
        xy, ok = batch.ground(self.px, p, self.frame, self.principal, w)
        target = xy.copy()
        five = np.round(xy[:, 0] / 5) * 5
        near = lambda rows: rows[np.abs(xy[:, 1:2] - rows).argmin(1)]  # noqa: E731
        code = np.zeros(len(xy), int)
        k = self.kind
        target[:, 0] = np.where(np.isin(k, (LINE, ROW, SIDE, NUMERAL)), five, xy[:, 0])
        code[k == LINE] = 1
        inside = (xy[:, 1] > -1.5) & (xy[:, 1] < w + 1.5)
        ok &= np.where(k == LINE, inside, True)
        target[:, 1] = np.where(k == ROW, near(self.rows), target[:, 1])
        target[:, 1] = np.where(k == SIDE, near(self.sides), target[:, 1])
        target[:, 1] = np.where(k == NUMERAL, near(np.array([number_yd, w - number_yd])), target[:, 1])
        is_boundary = k == BOUNDARY
        side = near(self.sides)
        across = (
            is_boundary & (np.abs(five - xy[:, 0]) < 1.0) & (np.abs(side - xy[:, 1]) > 2.5)
        )  # an end line
        target[is_boundary & ~across, 1] = side[is_boundary & ~across]
        target[across, 0] = five[across]
        code[is_boundary] = 2
        code[across] = 1
        tick = k == TICK
        row = near(self.rows)
        off = np.clip(xy[:, 1] - row, -0.7, 0.7)
        target[tick, 1] = (row + off)[tick]
        code[tick] = 2
        number = np.nonzero(k == NUMERAL)[0]
        ok[number] &= whole(self.px[number], p, self.frame[number], self.size_px, w)
        click = k == CLICK
        target[click] = self.fixed[click]
        ok |= click
        return target, ok, code

    def residuals(
        self, p: np.ndarray, target: np.ndarray, ok: np.ndarray, code: np.ndarray, gradient: np.ndarray
    ) -> np.ndarray:
        """(N, 2) residuals in 1280-wide pixels over their sd, across the line and across the row.

        A crossing is sharp across its row and says little along it (the line's ridge says that
        better), so its first column has ALONG times the sd. Where the view grazes the ground, marks are
        trusted less. Clicks are compared in the picture.
        """
        w = self.standard.width_yd
        rot = batch.rotations(p)
        xy, _ = batch.ground(self.px, p, self.frame, self.principal, w, rot)
        out = (xy - target) * gradient
        out[code == 1, 1] = 0.0
        out[code == 2, 0] = 0.0
        out[code == 0, 0] /= ALONG
        out /= 1 + (GRAZING_PX / np.maximum(gradient / self.unit, 0.2)) ** 3
        click = self.kind == CLICK
        if click.any():
            img, good = batch.image(target[click], p, self.frame[click], self.principal, w, rot)
            out[click] = np.where(good[:, None], self.px[click] - img, 0.0)
        out = out / (self.sd * self.unit)[:, None]
        return np.where(ok[:, None], out, 0.0)

    def gradients(self, p: np.ndarray) -> np.ndarray:
        """(N, 2) pixels per yard across lines of constant x and of constant y: 1 / |d coordinate / d
        pixel|."""
        w = self.standard.width_yd
        rot = batch.rotations(p)
        base, _ = batch.ground(self.px, p, self.frame, self.principal, w, rot)
        d = [
            batch.ground(self.px + step, p, self.frame, self.principal, w, rot)[0] - base
            for step in ((0.5, 0), (0, 0.5))
        ]
        return 0.5 / np.maximum(np.hypot(*d), 1e-4)

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
        shared[7] = self._first_number_yd(self.expand(poses, shared, origin), shared[7])
        mask = np.array(free)
        damping = 1e-6
        for width in rounds:
            p = self.expand(poses, shared, origin)
            target, ok, code = self.associate(p, shared[7])
            grad = self.gradients(p)
            r = self.residuals(p, target, ok, code, grad)
            jac = self._jacobian(p, r, target, ok, code, grad)
            weight = self._weights(r, ok, width)
            design = self._design(jac, poses, shared, origin, self._by_number(target, ok, grad))
            a, b = self._normal(design, r, weight, poses, shared)
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

    def _jacobian(self, p: np.ndarray, r: np.ndarray, *args: np.ndarray) -> np.ndarray:
        steps = np.array([1e-4, 1e-4, 1e-4, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3, 1e-3])
        jac = np.empty((*r.shape, 9))
        for k in range(9):
            q = p.copy()
            q[:, k] += steps[k]
            jac[..., k] = (self.residuals(q, *args) - r) / steps[k]
        return np.nan_to_num(jac)

    def _weights(self, r: np.ndarray, ok: np.ndarray, width: float) -> np.ndarray:
        size = (r * r).sum(1)
        share = np.where(np.isin(self.kind, (LINE, BOUNDARY, TICK)), LINE_SHARE, 1.0)
        return np.where(ok, share * np.clip(self.score, 0.2, 1) / (1 + size / width**2) ** 2, 0.0)

    def _first_number_yd(self, p: np.ndarray, believed: float) -> float:
        """Where the numbers' rows seem to lie, while the belief about them is vague; else as believed."""
        on = self.kind == NUMERAL
        if self.prior.number_yd is not None or on.sum() < 3:
            return believed
        w = self.standard.width_yd
        xy, ok = batch.ground(self.px[on], p, self.frame[on], self.principal, w)
        y = np.minimum(xy[:, 1], w - xy[:, 1])
        y = y[ok & (y > 3) & (y < 20)]
        return float(np.median(y)) if len(y) >= 3 else believed

    def _by_number(self, target: np.ndarray, ok: np.ndarray, gradient: np.ndarray) -> np.ndarray:
        """(N,) change of the residuals across the row for a yard more between the numbers and their side."""
        graze = 1 + (GRAZING_PX / np.maximum(gradient[:, 1] / self.unit, 0.2)) ** 3
        side = np.where(target[:, 1] < self.standard.width_yd / 2, -1.0, 1.0)
        value = side * gradient[:, 1] / graze / (self.sd * self.unit)
        return np.where(ok & (self.kind == NUMERAL), value, 0.0)

    def _design(
        self, jac: np.ndarray, poses: np.ndarray, shared: np.ndarray, origin: float, by_number: np.ndarray
    ) -> np.ndarray:
        """(N, 2, 12) derivatives by the mark's own frame's pose (pan, tilt, log focal incl. the lens's slope,
        roll), then by the shared eight."""
        c = np.zeros((*jac.shape[:2], 4 + len(SHARED)))
        c[..., 0:2] = jac[..., 0:2]
        c[..., 2] = jac[..., 3] + jac[..., 4] * shared[2]
        c[..., 3] = jac[..., 2]
        c[..., 5] = jac[..., 4]
        c[..., 6] = jac[..., 4] * (poses[self.frame, 2] - origin)[:, None]
        c[..., 7:11] = jac[..., 5:9]
        c[:, 1, 11] = by_number
        return c

    def _by_shift(self, r: np.ndarray, p: np.ndarray, *args: np.ndarray) -> np.ndarray:
        """(N, 2, 2) change of the residuals when all marks lie a pixel (of 1280) to the right, lower."""
        out, px = np.empty((*r.shape, 2)), self.px
        for k in (0, 1):
            self.px = px + np.eye(2)[k] * 0.1 * self.unit
            out[..., k] = (self.residuals(p, *args) - r) / 0.1
        self.px = px
        return np.nan_to_num(out)

    def _strays(
        self,
        r: np.ndarray,
        weight: np.ndarray,
        design: np.ndarray,
        target: np.ndarray,
        code: np.ndarray,
        grad: np.ndarray,
        by_shift: np.ndarray,
    ) -> Observations:
        """The residuals as single numbers, each with the painted mark it belongs to."""
        line = np.isin(self.kind, (LINE, BOUNDARY, TICK))
        parts = []
        for column in (0, 1):
            on = (weight > 0) & (code != 2 - column)
            x, y = np.round(target[on, 0] / 5), np.round(target[on, 1] * 3)
            long = line[on]
            place = np.where(long & (column == 1), 0.0, x), np.where(long & (column == 0), 0.0, y)
            kind = self.kind[on] * 2 + column
            key = (kind * 1000 + place[0] + 500) * 1000 + place[1] + 500
            along = np.where(long, target[on, 1 - column], 0.0)
            clear = 1 / (1 + (GRAZING_PX / np.maximum(grad[on, column] / self.unit, 0.2)) ** 3)
            # lines lie as one, rows and edges as a near and a far one
            half = np.where(self.kind[on] == LINE, 0, 1 + (target[on, 1] > self.standard.width_yd / 2))
            look = np.where(self.kind[on] == BOUNDARY, SIDE, self.kind[on]) * 3 + half
            parts.append(
                (r[on, column], weight[on], design[on, column], self.frame[on], kind, key, along, clear)
                + (look, by_shift[on, column], self.sd[on])
            )
        return Observations(*(np.concatenate(p) for p in zip(*parts, strict=True)))

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
            at = self.frame == j
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
        p = self.expand(poses, shared, origin)
        target, ok, code = self.associate(p, shared[7])
        grad = self.gradients(p)
        r = self.residuals(p, target, ok, code, grad)
        jac = self._jacobian(p, r, target, ok, code, grad)
        weight = self._weights(r, ok, width)
        design = self._design(jac, poses, shared, origin, self._by_number(target, ok, grad))
        a, _ = self._normal(design, r, weight, poses, shared)
        f = len(poses)
        covariance = np.linalg.pinv(a, hermitian=True)
        if self.strays:
            by_shift = self._by_shift(r, p, target, ok, code, grad)
            seen = self._strays(r, weight, design, target, code, grad, by_shift)
            variance = score_variance(seen, f)
            variance[4 * f :, 4 * f :] += self.prior.information
            self._soften(variance, np.zeros(len(a)), poses, shared, self._soft_stray(poses, shared))
            covariance = covariance @ variance @ covariance
        size = np.hypot(*r.T)
        sd, explained, rows = np.zeros(f), np.zeros(f), np.zeros(f)
        factor = self.sd
        for j in range(f):
            at = (self.frame == j) & (self.kind != NUMERAL) & (self.kind != TICK)
            cross = at & np.isin(self.kind, (ROW, SIDE))
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
