"""A camera from points that a person named on one frame, with the checks that catch his slips."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.optimize import least_squares

from calibration.camera import Camera
from calibration.prior import CameraPrior, SharedPrior, weak_prior
from calibration.quads import camera_from_quad
from calibration.standards import FieldStandard

SD_PX = 2.5  # a person's click, in pixels of a picture 1280 wide
GATE_PX = 12.0


@dataclass(frozen=True)
class ClickFit:
    """camera: None when refused. residual_px (N,); left_out_yd (N,): how far each point lies from where the
    others put it (NaN when too few are left). reason: why refused, or "" """

    camera: Camera | None
    residual_px: np.ndarray
    left_out_yd: np.ndarray
    reason: str = ""

    @property
    def accepted(self) -> bool:
        return self.camera is not None and not self.reason


def _degenerate(xy: np.ndarray, need: int) -> str:
    """Why the named points cannot fix a camera, "" when they can."""
    if len(np.unique(np.round(xy, 3), axis=0)) < need:
        return f"{need} different points are needed, found {len(np.unique(np.round(xy, 3), axis=0))}"
    spread = np.linalg.svd(xy - xy.mean(0), compute_uv=False)
    if need >= 4 and spread[1] < 2.0:
        return "all points lie on one line: name points on at least two yard lines and two rows"
    if need >= 4:
        best = 0
        for i, j in combinations(range(len(xy)), 2):
            d = xy[j] - xy[i]
            off = np.abs((xy[:, 0] - xy[i, 0]) * d[1] - (xy[:, 1] - xy[i, 1]) * d[0]) / max(
                np.hypot(*d), 1e-9
            )
            best = max(best, int((off < 0.5).sum()))
        if best > len(xy) - 2:
            return "all points but one lie on one line: name a second point off that line"
    return ""


def _fit(
    px: np.ndarray, xy: np.ndarray, first: np.ndarray, base: Camera, belief: SharedPrior
) -> tuple[np.ndarray, np.ndarray]:
    """(parameters (9,), covariance (9, 9)) by robust least squares with the prior as extra residuals."""
    root = np.linalg.cholesky(np.linalg.inv(np.linalg.inv(belief.information)[:7, :7])).T
    sd = SD_PX * base.width_px / 1280

    def residuals(p: np.ndarray) -> np.ndarray:
        try:
            img, ok = base.with_parameters(p).to_image(xy)
        except ValueError:
            return np.full(2 * len(xy) + 7, 1e3)
        img = np.where(ok[:, None], img, px + 500.0)
        shared = np.array([p[2], p[4], 0.0, p[5], p[6], p[7], p[8]])
        return np.concatenate([((img - px) / sd).ravel(), root @ (shared - belief.mean[:7])])

    scale = np.array([1.0, 1, 1, 0.1, 0.02, 5, 5, 3, 0.1])
    fit = least_squares(residuals, first, x_scale=scale, loss="soft_l1", f_scale=3.0, max_nfev=200)
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac + 1e-9 * np.eye(9), hermitian=True)
    return fit.x, covariance


def _starts(
    px: np.ndarray, xy: np.ndarray, base: Camera, belief: SharedPrior, endzone: bool
) -> list[np.ndarray]:
    out = []
    if len(px) >= 4:
        for quad in list(combinations(range(len(px)), 4))[:20]:
            q = list(quad)
            if _degenerate(xy[q], 4):
                continue
            p = camera_from_quad(px[q], xy[q], base.width_px, base.height_px)
            if p is not None:
                p[8] = max(belief.mean[6], 0)
                out.append(p)
    c = belief.mean[3:6]
    d = np.array([*xy.mean(0), 0.0]) - c
    pan, tilt = np.degrees(np.arctan2(d[0], d[1])), np.degrees(np.arctan2(-d[2], np.hypot(d[0], d[1])))
    for factor in (0.8, 1.4, 2.4, 4.0):
        out.append(
            np.array(
                [
                    pan,
                    tilt,
                    belief.mean[0],
                    np.log(base.width_px * factor),
                    belief.mean[1],
                    *c,
                    belief.mean[6],
                ]
            )
        )
    return out


def _best(
    px: np.ndarray, xy: np.ndarray, base: Camera, belief: SharedPrior, endzone: bool
) -> tuple[np.ndarray, np.ndarray, float]:
    found = []
    for first in _starts(px, xy, base, belief, endzone)[:10]:
        p, covariance = _fit(px, xy, first, base, belief)
        img, ok = base.with_parameters(p).to_image(xy)
        cost = float(np.sqrt(np.mean(np.where(ok[:, None], img - px, 1e3) ** 2)))
        found.append((cost, p, covariance))
        if cost < 1.0 * base.width_px / 1280:
            break
    cost, p, covariance = min(found, key=lambda t: t[0])
    return p, covariance, cost


def solve_clicks(
    points_px: np.ndarray,
    points_yd: np.ndarray,
    width_px: int,
    height_px: int,
    standard: FieldStandard,
    prior: CameraPrior | None = None,
    view: str = "sideline",
) -> ClickFit:
    """Camera from N named points: px (N, 2), field yards (N, 2). N >= 4 on a first play; with the
    game's camera
    (``prior``, placed) N >= 2.

    Refused with a reason: too few or degenerate points, a residual above the gate, two labels that
    fit far better swapped, a direction that fits far better mirrored.
    """
    px, xy = np.asarray(points_px, float).reshape(-1, 2), np.asarray(points_yd, float).reshape(-1, 2)
    nothing = np.full(len(px), np.nan)
    known = prior is not None and prior.placed
    reason = _degenerate(xy, 2 if known else 4)
    if reason:
        return ClickFit(None, nothing, nothing, reason)
    endzone = view == "endzone"
    base = Camera(
        width_px,
        height_px,
        np.array([0.0, -30.0, 15.0]),
        0,
        15,
        0,
        width_px,
        field_width_yd=standard.width_yd,
    )
    if known and prior is not None:
        sd = np.array([0.1, 0.004, 0.01, 0.3, 0.5, 0.25, 0.02, 0.05])
        belief = SharedPrior(prior.shared, np.linalg.inv(prior.covariance + np.diag(sd**2)))
    else:
        belief = weak_prior(standard, endzone)
    p, covariance, cost = _best(px, xy, base, belief, endzone)
    if endzone and not known:  # behind the other end?
        there = weak_prior(standard, endzone)
        there.mean[3] = standard.length_yd - there.mean[3]
        other = _best(px, xy, base, there, endzone)
        if other[2] < cost:
            belief, (p, covariance, cost) = there, other
    camera = base.with_parameters(p, covariance)
    img, ok = camera.to_image(xy)
    residual = np.where(ok, np.hypot(*(img - px).T), np.inf)
    gate = GATE_PX * width_px / 1280
    reason = ""
    if residual.max() > gate or cost > 0.6 * gate:
        reason = f"the points miss by up to {residual.max():.0f} px: one of them is misnamed"
        reason += _swapped(px, xy, base, belief, endzone, cost) or _mirrored(
            px, xy, base, belief, endzone, cost, standard
        )
    left_out = _leave_one_out(px, xy, base, belief, endzone, camera, 3 if known else 5)
    return ClickFit(None if reason else camera, residual, left_out, reason)


def _swapped(
    px: np.ndarray, xy: np.ndarray, base: Camera, belief: SharedPrior, endzone: bool, cost: float
) -> str:
    for i, j in combinations(range(len(xy)), 2):
        other = xy.copy()
        other[[i, j]] = xy[[j, i]]
        if _best(px, other, base, belief, endzone)[2] < 0.25 * cost:
            return f" (points {i + 1} and {j + 1} fit when swapped)"
    return ""


def _mirrored(
    px: np.ndarray,
    xy: np.ndarray,
    base: Camera,
    belief: SharedPrior,
    endzone: bool,
    cost: float,
    standard: FieldStandard,
) -> str:
    other = xy.copy()
    other[:, 0] = standard.length_yd - xy[:, 0]
    fits = _best(px, other, base, belief, endzone)[2] < 0.25 * cost
    return " (they fit when left and right are exchanged: wrong end, or mirrored film)" if fits else ""


def _leave_one_out(
    px: np.ndarray,
    xy: np.ndarray,
    base: Camera,
    belief: SharedPrior,
    endzone: bool,
    camera: Camera,
    least: int,
) -> np.ndarray:
    out = np.full(len(px), np.nan)
    if len(px) < least:
        return out
    for i in range(len(px)):
        keep = np.arange(len(px)) != i
        if _degenerate(xy[keep], min(4, least - 1)):
            continue
        p, _ = _fit(px[keep], xy[keep], camera.parameters, base, belief)
        back, ok, _ = base.with_parameters(p).to_field(px[i : i + 1])
        out[i] = float(np.hypot(*(back[0] - xy[i]))) if ok[0] else np.inf
    return out
