"""How a body can move: a point with limits on speed, acceleration, braking and turning.

The speed-up follows the usual sprint model a = a0 (1 - v / v_max) (exponential approach to top speed);
braking and cutting are bounded by a second, larger limit (shared motion facts: acceleration median 5.6,
braking median 9, never above about 15 yd/s^2).
"""

from __future__ import annotations

import numpy as np


def step_velocity(
    vel: np.ndarray, wanted: np.ndarray, top: np.ndarray, accel: np.ndarray, brake: np.ndarray, dt: float
) -> np.ndarray:
    """One step of velocities (N, 2) toward the wanted ones within each body's limits.

    top, accel, brake: (N,) yd/s and yd/s^2. Along the present heading speeding up is bounded by
    accel * (1 - v / top), slowing down and turning by brake.
    """
    speed = np.linalg.norm(vel, axis=1)
    want_speed = np.linalg.norm(wanted, axis=1)
    wanted = wanted * (np.minimum(want_speed, top) / np.maximum(want_speed, 1e-9))[:, None]
    still = speed < 0.3
    heading = np.where(
        still[:, None],
        wanted / np.maximum(np.minimum(want_speed, top), 1e-9)[:, None],
        vel / np.maximum(speed, 1e-9)[:, None],
    )
    delta = (wanted - vel) / dt
    along = np.einsum("ij,ij->i", delta, heading)
    across = delta - along[:, None] * heading
    up = accel * np.clip(1.0 - speed / np.maximum(top * 1.12, 1e-9), 0.0, 1.0)
    along = np.clip(along, -brake, up)
    size = np.linalg.norm(across, axis=1)
    room = np.sqrt(np.maximum(brake**2 - np.minimum(along, 0.0) ** 2, (0.35 * brake) ** 2))
    across = across * np.minimum(1.0, room / np.maximum(size, 1e-9))[:, None]
    return vel + dt * (along[:, None] * heading + across)
