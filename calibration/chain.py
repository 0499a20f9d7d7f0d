"""From background motion to the camera's turn and zoom.

A camera with a fixed centre maps neighbouring frames by rotation and zoom alone: a background point
seen at pixel a under (pan, tilt, f) must appear at b under the next pose. Four unknowns per step
(a hand-held camera rolls a little), Gauss-Newton with a saturating weight, all steps of the clip at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import batch
from calibration.flow import FlowLink

STEPS = np.array([1e-3, 1e-3, 1e-5, 1e-3])
POSE = [0, 1, 3, 2]  # pan, tilt, log focal, roll among camera.PARAMETERS
GATE_PX = 4.0
MOST_POINTS = 60


@dataclass(frozen=True)
class Chain:
    """Poses of a clip relative to each other.

    sums: (T, 4) running sums of (pan_deg, tilt_deg, log focal, roll_deg) within a block; block: (T,)
    int, a new
    number after every break (cut, or motion that could not be followed); rms_px: (T,) of each step.
    """

    sums: np.ndarray
    block: np.ndarray
    rms_px: np.ndarray

    def carry(self, a: int, b: int, pose: np.ndarray) -> np.ndarray | None:
        """Pose (4,) at frame b from the pose at frame a; None across a break."""
        return pose + self.sums[b] - self.sums[a] if self.block[a] == self.block[b] else None


def _moved(p: np.ndarray, delta: np.ndarray, slope: float) -> np.ndarray:
    """Parameters (..., 9) after a change (..., 4) of pan, tilt, log focal, roll; k1 follows log focal
    by ``slope``."""
    q = p.copy()
    q[..., 0] += delta[..., 0]
    q[..., 1] += delta[..., 1]
    q[..., 3] += delta[..., 2]
    q[..., 2] += delta[..., 3]
    q[..., 4] += slope * delta[..., 2]
    return q


def _pixels(rays: np.ndarray, p: np.ndarray, index: np.ndarray, principal: tuple[float, float]) -> np.ndarray:
    """Directions in field axes (N, 3) -> pixels (N, 2) for parameters p[index]."""
    q = np.einsum("nij,nj->ni", batch.rotations(p)[index], rays)
    n = q[:, :2] / np.maximum(q[:, 2:3], 1e-6)
    r2 = (n * n).sum(1)
    return np.array(principal) + (np.exp(p[index, 3]) * (1 + p[index, 4] * r2))[:, None] * n


def steps(
    links: list[FlowLink | None], base: np.ndarray, principal: tuple[float, float], slope: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Changes (T, 4) from each frame's predecessor, whose parameters are base[i - 1] (T, 9), and their
    rms (T,) px.

    NaN where there is no link.
    """
    t = len(links)
    delta, rms = np.full((t, 4), np.nan), np.full(t, np.nan)
    at = [i for i, link in enumerate(links) if link is not None and i > 0]
    if not at:
        return delta, rms
    before, after, index = [], [], []
    for k, i in enumerate(at):
        link = links[i]
        assert link is not None
        every = -(-len(link.before_px) // MOST_POINTS)
        before.append(link.before_px[::every])
        after.append(link.after_px[::every])
        index.append(np.full(len(before[-1]), k))
    a, b, j = np.concatenate(before), np.concatenate(after), np.concatenate(index)
    p = base[[i - 1 for i in at]]
    rays = np.einsum("ni,nij->nj", batch.rays(a, p, j, principal), batch.rotations(p)[j])
    d = np.zeros((len(at), 4))
    starts = np.searchsorted(j, np.arange(len(at)))
    size = np.zeros(len(j))
    for _ in range(5):
        r = _pixels(rays, _moved(p, d, slope), j, principal) - b
        size = np.hypot(*r.T)
        middle = np.array([np.median(part) for part in np.split(size, starts[1:])])
        w = 1 / (1 + (size / np.maximum(0.3, 1.5 * middle)[j]) ** 2) ** 2
        jac = np.empty((len(j), 2, 4))
        for k in range(4):
            e = d.copy()
            e[:, k] += STEPS[k]
            jac[:, :, k] = (_pixels(rays, _moved(p, e, slope), j, principal) - b - r) / STEPS[k]
        normal = np.add.reduceat(np.einsum("nck,ncl,n->nkl", jac, jac, w), starts, 0) + np.diag(
            [1e-6, 1e-6, 1e-2, 1e-2]
        )
        vector = np.add.reduceat(np.einsum("nck,nc,n->nk", jac, r, w), starts, 0)
        move = -np.linalg.solve(normal, vector[..., None])[..., 0]
        d += move
        if np.abs(move * [1, 1, 50, 0.5]).max() < 1e-4:
            break
    delta[at] = d
    rms[at] = np.array([np.median(part) for part in np.split(size, starts[1:])])
    return delta, rms


def build_chain(
    links: list[FlowLink | None],
    start: int,
    p: np.ndarray,
    principal: tuple[float, float],
    slope: float = 0.0,
    rounds: int = 2,
    poses: np.ndarray | None = None,
) -> Chain:
    """The clip's chain given one frame's parameters p (9,) (or, better, poses (T, 4) of all, NaN where
    unknown).

    Steps depend little on where the camera looks, so two rounds from a constant first guess suffice.
    """
    t = len(links)
    base = np.tile(p, (t, 1))
    if poses is not None:
        known = np.isfinite(poses[:, 0])
        base[np.ix_(known, POSE)] = poses[known]
        rounds = 1
    for _ in range(rounds):
        delta, rms = steps(links, base, principal, slope)
        broken = (
            ~np.isfinite(delta[:, 0])
            | (rms > GATE_PX)
            | (np.abs(delta[:, 0]) > 12)
            | (np.abs(delta[:, 2]) > 0.35)
        )
        broken[0] = True
        block = np.cumsum(broken)
        sums = np.cumsum(np.where(broken[:, None], 0.0, delta), 0)
        mine = block == block[start]
        if poses is None:
            base[np.ix_(mine, POSE)] = p[POSE] + sums[mine] - sums[start]
    return Chain(sums, block, rms)
