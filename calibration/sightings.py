"""The marks of one or many frames against the field: which place each is taken for, how far it misses.

Every mark is one row of flat arrays. Residuals are in pixels of a picture 1280 wide over the mark's sd,
taken across the painted line, so that the solver (calibration.bundle) and the stated error
(calibration.spread) need to know nothing of kinds of marks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import batch
from calibration.evidence import FrameMarks
from calibration.numerals import whole
from calibration.prior import SHARED
from calibration.spread import Observations
from calibration.standards import FieldStandard

LINE, BOUNDARY, ROW, SIDE, NUMERAL, TICK, CLICK = range(7)
SD_PX = {LINE: 1.3, BOUNDARY: 1.5, ROW: 1.4, SIDE: 1.6, NUMERAL: 6.0, TICK: 3.0, CLICK: 2.0}
ALONG = 2.5
GRAZING_PX = 4.0
"""Pixels (of a picture 1280 wide) a yard across a mark below which it loses its place: a side line
thinner than a pixel merges with the edges beside it. Measured on film: 0.3 px rms above 4 px a yard, 1.7 and
the same for a whole clip below 2."""
LINE_SHARE = 0.1  # points of one line err together (paint, sharpening, the net): each counts this much


@dataclass(frozen=True)
class Look:
    """The marks under one set of cameras: target (N, 2), usable (N,) and code of `Sightings.associate`,
    gradient (N, 2), residuals r (N, 2), weight (N,), design (N, 2, 12)."""

    target: np.ndarray
    ok: np.ndarray
    code: np.ndarray
    gradient: np.ndarray
    r: np.ndarray
    weight: np.ndarray
    design: np.ndarray


@dataclass
class Sightings:
    """Marks of F frames of one size; ``use``: the kinds that count (clicks always do)."""

    marks: list[FrameMarks]
    standard: FieldStandard
    hash_from_sideline_yd: float | None = None
    use: frozenset[int] = frozenset((LINE, BOUNDARY, ROW, SIDE, NUMERAL))

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

    def look(self, p: np.ndarray, poses: np.ndarray, shared: np.ndarray, origin: float, width: float) -> Look:
        """Everything the solver needs at the cameras p (F, 9) that poses and shared make; width: the
        kernel's."""
        target, ok, code = self.associate(p, shared[7])
        gradient = self.gradients(p)
        r = self.residuals(p, target, ok, code, gradient)
        jac = self.jacobian(p, r, target, ok, code, gradient)
        design = self.design(jac, poses, shared, origin, self.by_number(target, ok, gradient))
        return Look(target, ok, code, gradient, r, self.weights(r, ok, width), design)

    def _grazing(self, gradient: np.ndarray) -> np.ndarray:
        """By how much less marks are trusted where so few pixels see a yard (1 = as much as any)."""
        return np.asarray(1 + (GRAZING_PX / np.maximum(gradient / self.unit, 0.2)) ** 3)

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
        out /= self._grazing(gradient)
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

    def jacobian(self, p: np.ndarray, r: np.ndarray, *args: np.ndarray) -> np.ndarray:
        steps = np.array([1e-4, 1e-4, 1e-4, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3, 1e-3])
        jac = np.empty((*r.shape, 9))
        for k in range(9):
            q = p.copy()
            q[:, k] += steps[k]
            jac[..., k] = (self.residuals(q, *args) - r) / steps[k]
        return np.nan_to_num(jac)

    def weights(self, r: np.ndarray, ok: np.ndarray, width: float) -> np.ndarray:
        size = (r * r).sum(1)
        share = np.where(np.isin(self.kind, (LINE, BOUNDARY, TICK)), LINE_SHARE, 1.0)
        return np.where(ok, share * np.clip(self.score, 0.2, 1) / (1 + size / width**2) ** 2, 0.0)

    def first_number_yd(self, p: np.ndarray, believed: float) -> float:
        """Where the numbers' rows seem to lie, as believed where too few are seen."""
        on = self.kind == NUMERAL
        if on.sum() < 3:
            return believed
        w = self.standard.width_yd
        xy, ok = batch.ground(self.px[on], p, self.frame[on], self.principal, w)
        y = np.minimum(xy[:, 1], w - xy[:, 1])
        y = y[ok & (y > 3) & (y < 20)]
        return float(np.median(y)) if len(y) >= 3 else believed

    def by_number(self, target: np.ndarray, ok: np.ndarray, gradient: np.ndarray) -> np.ndarray:
        """(N,) change of the residuals across the row for a yard more between the numbers and their side."""
        side = np.where(target[:, 1] < self.standard.width_yd / 2, -1.0, 1.0)
        value = side * gradient[:, 1] / self._grazing(gradient[:, 1]) / (self.sd * self.unit)
        return np.where(ok & (self.kind == NUMERAL), value, 0.0)

    def design(
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

    def by_shift(self, look: Look, p: np.ndarray) -> np.ndarray:
        """(N, 2, 2) change of the residuals when all marks lie a pixel (of 1280) to the right, lower."""
        out, px = np.empty((*look.r.shape, 2)), self.px
        for k in (0, 1):
            self.px = px + np.eye(2)[k] * 0.1 * self.unit
            moved = self.residuals(p, look.target, look.ok, look.code, look.gradient)
            out[..., k] = (moved - look.r) / 0.1
        self.px = px
        return np.nan_to_num(out)

    def strays(self, look: Look, by_shift: np.ndarray) -> Observations:
        """The residuals as single numbers, each with the painted mark it belongs to."""
        weight, target = look.weight, look.target
        line = np.isin(self.kind, (LINE, BOUNDARY, TICK))
        parts = []
        for column in (0, 1):
            on = (weight > 0) & (look.code != 2 - column)
            x, y = np.round(target[on, 0] / 5), np.round(target[on, 1] * 3)
            long = line[on]
            place = np.where(long & (column == 1), 0.0, x), np.where(long & (column == 0), 0.0, y)
            kind = self.kind[on] * 2 + column
            key = (kind * 1000 + place[0] + 500) * 1000 + place[1] + 500
            along = np.where(long, target[on, 1 - column], 0.0)
            clear = 1 / self._grazing(look.gradient[on, column])
            # lines lie as one, rows and edges as a near and a far one
            half = np.where(self.kind[on] == LINE, 0, 1 + (target[on, 1] > self.standard.width_yd / 2))
            alike = np.where(self.kind[on] == BOUNDARY, SIDE, self.kind[on]) * 3 + half
            parts.append(
                (look.r[on, column], weight[on], look.design[on, column], self.frame[on], kind, key)
                + (along, clear, alike, by_shift[on, column], self.sd[on])
            )
        return Observations(*(np.concatenate(p) for p in zip(*parts, strict=True)))
