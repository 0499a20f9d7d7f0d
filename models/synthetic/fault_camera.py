"""An operator's camera path over a simulated play, and the errors a solver makes on it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calibration.camera import Camera


@dataclass(frozen=True)
class SimpleCameras:
    """One camera a frame: status 0 measured, 1 interpolated, 2 lost; `camera(f)` is None where lost."""

    status: np.ndarray
    cameras: tuple[Camera, ...]

    def camera(self, frame: int) -> Camera | None:
        return None if self.status[frame] == 2 else self.cameras[frame]

    def to_field(self, frame: int, px: np.ndarray, sd_px: Any = 1.0) -> Any:
        """As Camera.to_field; everything invalid where the camera is lost."""
        camera = self.camera(frame)
        n = len(px)
        if camera is None:
            return np.full((n, 2), np.nan), np.zeros(n, bool), np.full((n, 2, 2), np.nan)
        return camera.to_field(px, sd_px)


def _lag(values: np.ndarray, dt: float, time_s: float) -> np.ndarray:
    """A second-order lag (critically damped): how an operator follows."""
    out = np.empty_like(values)
    level, rate = float(values[0]), 0.0
    w = 1 / time_s
    for k, goal in enumerate(values):
        rate += dt * (w * w * (goal - level) - 2 * w * rate)
        level += dt * rate
        out[k] = level
    return out


def follow_path(
    play: Any, rng: np.random.Generator, size: tuple[int, int], view: str = "sideline", low: bool = False
) -> tuple[Camera, ...]:
    """Cameras (one a time of the play) of an operator who follows the ball and zooms a little.

    view: 'sideline' or 'endzone'. low: a school lift, 8-15 yd up. Heights and distances as met on
    film: 10-30 up, 20-70 behind the sideline; end zone 8-20 up, 20-50 behind the end line.
    """
    width_px, height_px = size
    t = np.asarray(play.t_s, float)
    dt = float(np.median(np.diff(t)))
    ball = np.asarray(play.ball_field_yd, float)
    players = np.stack([p.xy_field_yd for p in play.people if p.team != "official"]).astype(float)
    middle = 0.5 * ball[:, :2] + 0.5 * players.mean(0)
    length, width = (110.0, 65.0) if play.standard == "canadian" else (100.0, 160 / 3)
    los, ahead = float(play.los_field_yd), float(play.direction)
    up = rng.uniform(8, 15) if low else rng.uniform(12, 28)
    if view == "sideline":
        centre = np.array([np.clip(los + rng.normal(0, 12), 10, length - 10), -rng.uniform(22, 55), up])
        goal = np.column_stack([middle[:, 0] + ahead * 3, 0.35 * width + 0.3 * middle[:, 1]])
        want = rng.uniform(34, 46)
    else:
        behind = -1 if ahead > 0 else 1
        x = -rng.uniform(20, 40) - 10 if behind < 0 else length + 10 + rng.uniform(20, 40)
        centre = np.array([x, width / 2 + rng.normal(0, 3), rng.uniform(9, 20)])
        goal = middle + np.array([ahead * 5, 0])
        want = rng.uniform(26, 36)
    goal = np.column_stack([_lag(goal[:, k], dt, rng.uniform(0.35, 0.6)) for k in range(2)])
    away = goal - centre[:2]
    distance = np.linalg.norm(away, axis=1)
    pan = np.degrees(np.arctan2(away[:, 0], away[:, 1]))
    tilt = np.degrees(np.arctan2(centre[2] - 1, distance))
    zoom = _lag(np.interp(t, [t[0], 0.5, t[-1]], [1, 1, rng.uniform(0.85, 1.5)]), dt, 0.8)
    focal = width_px * np.hypot(distance, centre[2]) / want * zoom
    roll, k1 = rng.normal(0, 0.7), rng.uniform(-0.03, 0.02)
    crown = rng.uniform(0, 0.25)
    return tuple(
        Camera(width_px, height_px, centre, float(pan[k]), float(tilt[k]), float(roll), float(focal[k]),
               k1=float(k1), crown_yd=float(crown), field_width_yd=width)
        for k in range(len(t))
    )  # fmt: skip


def disturb(
    cameras: tuple[Camera, ...], rng: np.random.Generator, sd_yd: float, lost_spans: int, dt: float
) -> SimpleCameras:
    """Cameras as a solver would give them: pan, tilt and zoom drift by about `sd_yd` at the field's
    middle, with the covariance stated; `lost_spans` stretches of 0.2-0.6 s are lost."""
    n = len(cameras)
    status = np.zeros(n, np.uint8)
    for _ in range(lost_spans):
        start = int(rng.integers(n // 5, max(n - 25, n // 5 + 1)))
        status[start : start + int(rng.uniform(0.2, 0.6) / dt)] = 2
    if sd_yd <= 0:
        return SimpleCameras(status, cameras)
    rho = float(np.exp(-dt / 0.5))
    noise = rng.standard_normal((n, 3))
    for k in range(1, n):
        noise[k] = rho * noise[k - 1] + np.sqrt(1 - rho * rho) * noise[k]
    noise = np.sqrt(0.5) * (noise + rng.standard_normal((1, 3)))
    out = []
    for k, camera in enumerate(cameras):
        reach = float(np.hypot(camera.centre_field_yd[2], 26.0 - min(camera.centre_field_yd[1], 0)))
        pan_sd = np.degrees(sd_yd / reach)
        tilt_sd = pan_sd * max(float(np.sin(np.radians(max(camera.tilt_deg, 3.0)))), 0.05)
        zoom_sd = sd_yd / 20.0
        covariance = np.zeros((9, 9))
        covariance[[0, 1, 3], [0, 1, 3]] = pan_sd**2, tilt_sd**2, zoom_sd**2
        out.append(
            replace(
                camera, pan_deg=camera.pan_deg + pan_sd * noise[k, 0],
                tilt_deg=camera.tilt_deg + tilt_sd * noise[k, 1],
                focal_px=camera.focal_px * float(np.exp(zoom_sd * noise[k, 2])), covariance=covariance,
            )
        )  # fmt: skip
    return SimpleCameras(status, tuple(out))
