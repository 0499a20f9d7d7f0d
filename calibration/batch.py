"""Many cameras at once: the same equations as calibration.camera over arrays of parameters.

P: (F, 9) in the order of camera.PARAMETERS; index: (N,) frame of each point.
"""

from __future__ import annotations

import numpy as np

from calibration.camera import crown_height_yd


def rotations(p: np.ndarray) -> np.ndarray:
    """(F, 3, 3), rows camera right, down, forward."""
    a, t, r = np.radians(p[:, 0]), np.radians(p[:, 1]), np.radians(p[:, 2])
    ca, sa, ct, st, cr, sr = np.cos(a), np.sin(a), np.cos(t), np.sin(t), np.cos(r), np.sin(r)
    zero = np.zeros_like(a)
    forward = np.stack([sa * ct, ca * ct, -st], 1)
    right = np.stack([ca, -sa, zero], 1)
    down = np.stack([-sa * st, -ca * st, -ct], 1)
    return np.stack(
        [cr[:, None] * right + sr[:, None] * down, cr[:, None] * down - sr[:, None] * right, forward], 1
    )


def rays(px: np.ndarray, p: np.ndarray, index: np.ndarray, principal: tuple[float, float]) -> np.ndarray:
    """Viewing directions in camera axes (N, 3), undistorted by Newton on the radius (4 steps)."""
    f, k1 = np.exp(p[index, 3]), p[index, 4]
    x, y = (px[:, 0] - principal[0]) / f, (px[:, 1] - principal[1]) / f
    rd = np.hypot(x, y)
    r = rd.copy()
    for _ in range(4):
        r = r - (r * (1 + k1 * r * r) - rd) / np.maximum(1 + 3 * k1 * r * r, 0.1)
    scale = np.where(rd > 1e-9, r / np.maximum(rd, 1e-9), 1.0)
    return np.column_stack([x * scale, y * scale, np.ones_like(x)])


def ground(
    px: np.ndarray,
    p: np.ndarray,
    index: np.ndarray,
    principal: tuple[float, float],
    width_yd: float,
    rotation: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Pixels -> (xy_field_yd (N, 2), valid (N,)); invalid values are finite but meaningless."""
    rot = rotations(p) if rotation is None else rotation
    d = np.einsum("ni,nij->nj", rays(px, p, index, principal), rot[index])
    ok = d[:, 2] < -2e-3
    dz = np.where(ok, d[:, 2], -1.0)
    c = p[index, 5:8]
    s = -c[:, 2] / dz
    crown = p[index, 8]
    if np.any(crown):
        for _ in range(5):
            z = crown_height_yd(c[:, 1] + s * d[:, 1], crown, width_yd)
            s = (z - c[:, 2]) / dz
    xy = c[:, :2] + s[:, None] * d[:, :2]
    return xy, ok & (s > 0) & (s < 1e4)


def image(
    xy: np.ndarray,
    p: np.ndarray,
    index: np.ndarray,
    principal: tuple[float, float],
    width_yd: float,
    rotation: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Ground points (N, 2) -> (px (N, 2), valid (N,)); invalid values are finite but meaningless."""
    rot = rotations(p) if rotation is None else rotation
    z = crown_height_yd(xy[:, 1], p[index, 8], width_yd)
    q = np.einsum("nij,nj->ni", rot[index], np.column_stack([xy, z]) - p[index, 5:8])
    ok = q[:, 2] > 0.1
    depth = np.where(ok, q[:, 2], 1.0)
    n = q[:, :2] / depth[:, None]
    r2 = (n * n).sum(1)
    k1 = p[index, 4]
    ok &= (1 + 3 * k1 * r2 > 0.05) & (r2 < 25)
    return np.array(principal) + np.exp(p[index, 3])[:, None] * n * (1 + k1 * np.minimum(r2, 25))[:, None], ok
