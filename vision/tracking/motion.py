"""How men move between two frames, and filters over many men at once.

State [x, y, vx, vy] in field yards. Velocity is an Ornstein-Uhlenbeck process (it wanders and, left
alone, dies away with time constant tau): for each axis

    e = exp(-dt/tau),  F = [[1, tau (1 - e)], [0, e]]
    Q11 = q tau^2 (dt - 2 tau (1 - e) + tau/2 (1 - e^2)),  Q12 = q tau^2 / 2 (1 - e)^2
    Q22 = q tau / 2 (1 - e^2)

which becomes the continuous white-noise acceleration model as tau grows (Bar-Shalom, Li and Kirubarajan,
Estimation with Applications, 2001, sections 6.2 and 8.2). Filter: Kalman; smoother: Rauch-Tung-Striebel.
Written over stacks of men because one filter object a man is ten times slower; tests hold it equal to
filterpy and pykalman.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

H = np.array([[1.0, 0, 0, 0], [0, 1.0, 0, 0]])


@dataclass(frozen=True)
class MotionModel:
    """q: spectral density of acceleration, yd^2/s^3; tau_s: how long velocity lasts."""

    q: float = 8.0
    tau_s: float = 2.5

    def step(self, dt_s: float) -> tuple[np.ndarray, np.ndarray]:
        """(F, Q), both (4,4), for one step of dt_s >= 0."""
        tau, e = self.tau_s, np.exp(-dt_s / self.tau_s)
        f12 = tau * (1 - e)
        q11 = self.q * tau**2 * (dt_s - 2 * tau * (1 - e) + tau / 2 * (1 - e * e))
        q12 = self.q * tau**2 / 2 * (1 - e) ** 2
        q22 = self.q * tau / 2 * (1 - e * e)
        eye = np.eye(2)
        f = np.block([[eye, f12 * eye], [0 * eye, e * eye]])
        return f, np.block([[q11 * eye, q12 * eye], [q12 * eye, q22 * eye]])


def predict(x: np.ndarray, p: np.ndarray, f: np.ndarray, q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Stacked x (N,4), P (N,4,4) one step on."""
    return x @ f.T, f @ p @ f.T + q


def update(
    x: np.ndarray, p: np.ndarray, z: np.ndarray, r: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Measured places z (N,2) with covariance r (N,2,2). Returns x, P and d^2 of the innovations (N,)."""
    s = p[:, :2, :2] + r
    inv = inverse_2x2(s)
    gain = p[:, :, :2] @ inv
    nu = z - x[:, :2]
    x = x + np.einsum("nij,nj->ni", gain, nu)
    p = p - gain @ p[:, :2, :]
    p = (p + p.transpose(0, 2, 1)) / 2
    return x, p, np.einsum("ni,nij,nj->n", nu, inv, nu)


def liveliness(velocity: np.ndarray, standing: float, running_yd_per_s: float = 3.0) -> np.ndarray:
    """Share (...,) of a model's acceleration for men of these velocities (...,2): `standing` at rest, rising
    to 1 at a run. Men in their stance or locked in a block change their speed far less than runners."""
    share = np.clip(np.linalg.norm(velocity, axis=-1) / running_yd_per_s, 0, 1)
    return np.asarray(standing + (1 - standing) * share)


def inverse_2x2(m: np.ndarray) -> np.ndarray:
    """Inverse of a stack (...,2,2)."""
    a, b, c, d = m[..., 0, 0], m[..., 0, 1], m[..., 1, 0], m[..., 1, 1]
    det = a * d - b * c
    out = np.empty_like(m)
    out[..., 0, 0], out[..., 0, 1], out[..., 1, 0], out[..., 1, 1] = d, -b, -c, a
    return out / det[..., None, None]


def smooth(
    z: np.ndarray,
    r: np.ndarray,
    observed: np.ndarray,
    t_s: np.ndarray,
    model: MotionModel,
    start_sd: tuple[float, float] = (60.0, 4.0),
    lively: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Places of many men over a whole clip, each seen only sometimes.

    z (P,T,2), r (P,T,2,2), observed (P,T) bool, t_s (T,). Start: the mean of a man's observed places,
    sd `start_sd` of place (yd) and velocity (yd/s). lively (P,T): share of the model's acceleration a man
    is given on the way to each time (see `liveliness`), None = all. Returns states (P,T,4) and covariances
    (P,T,4,4) given all measurements, also at times without any (sd grows there).
    """
    men, times = observed.shape
    xs, ps = np.empty((men, times, 4)), np.empty((men, times, 4, 4))
    xp, pp = np.empty_like(xs), np.empty_like(ps)
    safe = np.where(observed[..., None], z, 0.0)
    mean = safe.sum(1) / np.maximum(observed.sum(1), 1)[:, None]
    x = np.concatenate([mean, np.zeros((men, 2))], 1)
    p = np.repeat(np.diag([start_sd[0] ** 2] * 2 + [start_sd[1] ** 2] * 2)[None], men, 0)
    steps = [model.step(float(dt)) for dt in np.diff(t_s)]
    for k in range(times):
        if k:
            f, q = steps[k - 1]
            x, p = predict(x, p, f, q if lively is None else q * lively[:, k, None, None])
        xp[:, k], pp[:, k] = x, p
        who = np.flatnonzero(observed[:, k])
        if len(who):
            x, p = x.copy(), p.copy()
            x[who], p[who], _ = update(x[who], p[who], z[who, k], r[who, k])
        xs[:, k], ps[:, k] = x, p
    for k in range(times - 2, -1, -1):
        f = steps[k][0]
        gain = np.linalg.solve(pp[:, k + 1], f @ ps[:, k]).transpose(0, 2, 1)
        xs[:, k] += np.einsum("nij,nj->ni", gain, xs[:, k + 1] - xp[:, k + 1])
        ps[:, k] += gain @ (ps[:, k + 1] - pp[:, k + 1]) @ gain.transpose(0, 2, 1)
    return xs, ps
