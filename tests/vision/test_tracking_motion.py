"""The stacked filter and smoother against filterpy and pykalman, and against their own statistics."""

from __future__ import annotations

import numpy as np
import pytest

from vision.tracking.motion import H, MotionModel, inverse_2x2, predict, smooth, update


def a_walk(seed, times=60, model=None):
    """States drawn from the model itself, uneven times, correlated noise, a third of the places missing."""
    rng = np.random.default_rng(seed)
    model = model or MotionModel(q=6.0, tau_s=1.5)
    t = np.cumsum(rng.uniform(0.02, 0.05, times))
    x = np.zeros((times, 4))
    x[0] = [20, 10, 1, -1]
    for k in range(1, times):
        f, q = model.step(t[k] - t[k - 1])
        x[k] = f @ x[k - 1] + rng.multivariate_normal(np.zeros(4), q)
    a = rng.normal(size=(times, 2, 2)) * 0.2
    r = a @ a.transpose(0, 2, 1) + 0.02 * np.eye(2)
    z = x[:, :2] + np.array([rng.multivariate_normal(np.zeros(2), m) for m in r])
    observed = rng.random(times) > 0.33
    observed[0] = True
    return t, x, z, r, observed, model


def test_noise_becomes_white_acceleration_for_long_memory():
    """Limit tau -> infinity: filterpy.common.Q_continuous_white_noise."""
    from filterpy.common import Q_continuous_white_noise

    f, q = MotionModel(q=3.0, tau_s=300.0).step(0.4)
    want = Q_continuous_white_noise(2, dt=0.4, spectral_density=3.0)
    assert np.allclose(q[np.ix_([0, 2], [0, 2])], want, rtol=5e-3)
    assert np.allclose(f, [[1, 0, 0.4, 0], [0, 1, 0, 0.4], [0, 0, 1, 0], [0, 0, 0, 1]], atol=5e-3)


def test_two_steps_equal_one_long_step():
    model = MotionModel(q=5.0, tau_s=0.8)
    f1, q1 = model.step(0.1)
    f2, q2 = model.step(0.25)
    f, q = model.step(0.35)
    assert np.allclose(f, f2 @ f1) and np.allclose(q, f2 @ q1 @ f2.T + q2)


@pytest.mark.parity
@pytest.mark.parametrize("seed", range(3))
def test_smoother_equals_filterpy(seed):
    """filterpy.kalman.KalmanFilter and its rts_smoother, step by step with missing measurements."""
    from filterpy.kalman import KalmanFilter

    t, _, z, r, observed, model = a_walk(seed)
    ours, cov = smooth(z[None], r[None], observed[None], t, model)
    kf = KalmanFilter(dim_x=4, dim_z=2)
    kf.x = np.r_[z[observed].mean(0), 0, 0].reshape(4, 1)
    kf.P = np.diag([60.0**2, 60.0**2, 4.0**2, 4.0**2])
    kf.H = H
    means, covs, fs, qs = [], [], [np.eye(4)], [np.zeros((4, 4))]
    for k in range(len(t)):
        if k:
            kf.F, kf.Q = model.step(t[k] - t[k - 1])
            fs.append(kf.F)
            qs.append(kf.Q)
            kf.predict()
        if observed[k]:
            kf.update(z[k].reshape(2, 1), R=r[k])
        means.append(kf.x.copy())
        covs.append(kf.P.copy())
    want, want_cov, *_ = kf.rts_smoother(np.array(means), np.array(covs), Fs=fs, Qs=qs)
    assert np.allclose(ours[0], want[..., 0], atol=1e-6)
    assert np.allclose(cov[0], want_cov, atol=1e-6)


@pytest.mark.parity
def test_smoother_equals_pykalman():
    """pykalman.KalmanFilter.smooth with masked observations (constant measurement noise)."""
    from pykalman import KalmanFilter

    t, _, z, _, observed, model = a_walk(7)
    r = np.array([[0.05, 0.01], [0.01, 0.08]])
    steps = [model.step(float(dt)) for dt in np.diff(t)]
    kf = KalmanFilter(
        transition_matrices=np.array([f for f, _ in steps]),
        transition_covariance=np.array([q for _, q in steps]),
        observation_matrices=H,
        observation_covariance=r,
        initial_state_mean=np.r_[z[observed].mean(0), 0, 0],
        initial_state_covariance=np.diag([3600.0, 3600, 16, 16]),
    )
    want, want_cov = kf.smooth(np.ma.masked_array(z, np.repeat(~observed[:, None], 2, 1)))
    ours, cov = smooth(z[None], np.repeat(r[None, None], len(t), 1), observed[None], t, model)
    assert np.allclose(ours[0], want, atol=1e-5) and np.allclose(cov[0], want_cov, atol=1e-5)


def test_filter_is_consistent():
    """Normalised innovations squared of a filter on its own model average 2 (chi-square, 2 degrees)."""
    values = []
    for seed in range(30):
        t, x, z, r, observed, model = a_walk(seed + 50)
        state, p = x[:1].copy(), 0.01 * np.eye(4)[None]
        for k in range(1, len(t)):
            state, p = predict(state, p, *model.step(t[k] - t[k - 1]))
            if observed[k]:
                state, p, d2 = update(state, p, z[k : k + 1], r[k : k + 1])
                values.append(d2[0])
    assert len(values) > 1000
    assert abs(np.mean(values) - 2) < 4 * 2 / np.sqrt(len(values))


def test_uncertainty_grows_where_nobody_is_seen():
    t = np.arange(90) / 30
    z = np.zeros((1, 90, 2))
    observed = np.ones((1, 90), bool)
    observed[:, 30:60] = False
    _, p = smooth(z, np.tile(0.04 * np.eye(2), (1, 90, 1, 1)), observed, t, MotionModel())
    sd = np.sqrt(p[0, :, 0, 0])
    assert sd[45] > 3 * sd[15] and sd[45] > sd[33]


def test_inverse_2x2():
    m = np.random.default_rng(0).normal(size=(5, 2, 2))
    assert np.allclose(inverse_2x2(m), np.linalg.inv(m))
