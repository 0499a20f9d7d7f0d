"""From background motion to the camera's turn and zoom.

A camera with a fixed centre maps neighbouring frames by rotation and zoom alone: a background point
seen at pixel a under (pan, tilt, f) must appear at b under the next pose. Three unknowns per step,
Gauss-Newton with a saturating weight; place, roll and lens are given.
"""

from __future__ import annotations

import numpy as np

from calibration import batch
from calibration.flow import FlowLink

STEPS = np.array([1e-3, 1e-3, 1e-5])


def _pixels(directions: np.ndarray, p: np.ndarray, principal: tuple[float, float]) -> np.ndarray:
    """Directions in field axes (N, 3) -> pixels (N, 2) for parameters (9,)."""
    q = directions @ batch.rotations(p[None])[0].T
    n = q[:, :2] / np.maximum(q[:, 2:3], 1e-6)
    r2 = (n * n).sum(1, keepdims=True)
    return np.array(principal) + np.exp(p[3]) * n * (1 + p[4] * r2)


def step(p: np.ndarray, before_px: np.ndarray, after_px: np.ndarray, principal: tuple[float, float], slope: float = 0.0
         ) -> tuple[np.ndarray, float]:  # fmt: skip
    """Change (pan_deg, tilt_deg, log focal) from the frame with parameters p (9,) to the next, and its rms in px.

    slope: change of k1 with log focal length.
    """
    zero = np.zeros(len(before_px), int)
    rays = batch.rays(before_px, p[None], zero, principal) @ batch.rotations(p[None])[0]
    delta = np.zeros(3)
    size = np.zeros(len(before_px))
    for _ in range(5):
        q = _moved(p, delta, slope)
        r = _pixels(rays, q, principal) - after_px
        size = np.hypot(*r.T)
        scale = max(0.3, 1.5 * float(np.median(size)))
        w = np.repeat(1 / (1 + (size / scale) ** 2) ** 2, 2)
        jac = np.empty((r.size, 3))
        for k in range(3):
            d = delta.copy()
            d[k] += STEPS[k]
            jac[:, k] = ((_pixels(rays, _moved(p, d, slope), principal) - after_px) - r).ravel() / STEPS[k]
        a = (jac * w[:, None]).T @ jac + np.diag([1e-6, 1e-6, 1e-2])
        move = -np.linalg.solve(a, jac.T @ (w * r.ravel()))
        delta = delta + move
        if np.abs(move * [1, 1, 50]).max() < 1e-4:
            break
    return delta, float(np.sqrt(np.median(size**2)))


def _moved(p: np.ndarray, delta: np.ndarray, slope: float) -> np.ndarray:
    q = p.copy()
    q[0] += delta[0]
    q[1] += delta[1]
    q[3] += delta[2]
    q[4] += slope * delta[2]
    return q


def reversed_link(link: FlowLink) -> FlowLink:
    """The same motion backward in time."""
    return FlowLink(link.after_px, link.before_px, link.share)


def chain_deltas(
    links: list[FlowLink | None], start: int, p: np.ndarray, principal: tuple[float, float], slope: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Poses (T, 3) of the whole run of linked frames around ``start``, whose parameters are p (9,).

    Returns (poses (pan, tilt, log focal), NaN beyond a break; rms_px (T,) of each frame's own step).
    """
    n = len(links)
    poses, rms = np.full((n, 3), np.nan), np.full(n, np.nan)
    poses[start], rms[start] = p[[0, 1, 3]], 0.0
    for direction in (1, -1):
        q = p.copy()
        i = start
        while 0 <= i + direction < n:
            link = links[i + 1] if direction == 1 else links[i]
            if link is None:
                break
            if direction == -1:
                link = reversed_link(link)
            delta, error = step(q, link.before_px, link.after_px, principal, slope)
            if error > 4.0 or abs(delta[0]) > 12 or abs(delta[2]) > 0.35:
                break
            q = _moved(q, delta, slope)
            i += direction
            poses[i], rms[i] = q[[0, 1, 3]], error
    return poses, rms


def segments(links: list[FlowLink | None]) -> list[range]:
    """Runs of frames that hang together: a missing link starts a new run."""
    starts = [i for i, link in enumerate(links) if link is None or i == 0]
    return [range(a, b) for a, b in zip(starts, [*starts[1:], len(links)], strict=True) if b > a]
