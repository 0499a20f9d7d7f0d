"""How an operator moves the camera through one clip: follows the play late, zooms, shakes, loses it and
finds it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.synthetic.lens import CameraPlace, ViewCamera, random_span
from models.synthetic.looks import Look


@dataclass(frozen=True)
class CameraPath:
    """One camera per film frame (length T) and the play time ``t_s`` (seconds from the snap) each shows.

    ``next_cameras``: the camera as the shutter closes. ``view``: sideline or endzone.
    """

    view: str
    t_s: np.ndarray
    cameras: tuple[ViewCamera, ...]
    next_cameras: tuple[ViewCamera, ...]


def _follow(target: np.ndarray, dt: float, stiffness: float, damping: float) -> np.ndarray:
    """Second-order follower of a (T,k) signal: what a hand on a pan bar does."""
    out = np.empty_like(target)
    x, v = target[0].copy(), np.zeros(target.shape[1])
    steps = int(np.ceil(dt * 20.0))  # slow film still needs a stable hand
    for i, goal in enumerate(target):
        for _ in range(steps):
            v += (stiffness * (goal - x) - damping * v) * dt / steps
            x = x + v * dt / steps
        out[i] = x
    return out


def _wander(rng: np.random.Generator, n: int, dt: float, tau_s: float, deviation: float) -> np.ndarray:
    """Ornstein-Uhlenbeck noise."""
    a = np.exp(-dt / tau_s)
    out, x = np.empty(n), 0.0
    for i in range(n):
        x = a * x + np.sqrt(1 - a * a) * rng.normal(0, deviation)
        out[i] = x
    return out


def _focus(script: Any, t: np.ndarray) -> np.ndarray:
    """(T,2) what the operator wants in the middle: the formation, then the ball and the men round it."""
    grid = script.t_s
    players = np.stack([p.xy_field_yd for p in script.people if p.team != "official"])
    centre = np.median(players, 0)
    ball = script.ball_field_yd[:, :2]
    mix = 0.55 * ball + 0.45 * centre
    start = np.array(
        [script.los_field_yd + 2.0 * script.direction, 0.6 * script.spot_y_field_yd + 0.4 * centre[0, 1]]
    )
    w = np.clip((grid - 0.2) / 0.8, 0, 1)[:, None]
    focus = start * (1 - w) + mix * w
    return np.stack([np.interp(t, grid, focus[:, k]) for k in range(2)], 1)


def operator_path(
    rng: np.random.Generator,
    look: Look,
    script: Any,
    place: CameraPlace,
    fps: float,
    lead_s: float | None = None,
    tail_s: float = 0.5,
    span_yd: float | None = None,
) -> CameraPath:
    """Camera path of one clip. ``lead_s`` seconds before the snap (None: as much as the script has).

    ``span_yd``: width of the picture at the players when the clip begins (None: drawn)."""
    grid = script.t_s
    t0 = max(float(grid[0]), -lead_s) if lead_s is not None else float(grid[0])
    t1 = min(float(grid[-1]), float(script.events.get("end_s", grid[-1])) + tail_s)
    t = np.arange(t0, t1, 1.0 / fps)
    n, dt = len(t), 1.0 / fps
    school = look.style == "school"
    focus = _focus(script, t)
    span0 = random_span(rng, look, place.view) if span_yd is None else span_yd
    low = 17.0 if place.view == "endzone" else 26.0
    span = np.full(n, max(span0, low))
    for _ in range(int(rng.integers(0, 4 if school else 3))):
        at, to = rng.uniform(t0, t1), span0 * float(np.exp(rng.normal(0, 0.25)))
        to = float(np.clip(to, low, max(low, min(1.5 * span0, 68.0))))
        span[t >= at] = to
    if school and rng.random() < 0.3:  # loses the ball, finds it again
        at = rng.uniform(0.5, max(t1 - 1.0, 0.6))
        lost = (t > at) & (t < at + rng.uniform(0.3, 0.9))
        focus[lost] += rng.normal(0, 9, 2)
    bias = np.array([rng.normal(0, 0.08) * span0, rng.normal(0, 2.0)])
    stiff = float(rng.uniform(6, 25))
    aim_xy = _follow(focus + bias, dt, stiff, 2 * 0.85 * np.sqrt(stiff))
    zoom = np.exp(_follow(np.log(span)[:, None], dt, 9.0, 6.0))[:, 0]
    shake = (0.0016 if not school else 0.006) * float(rng.uniform(0.2, 1.5))
    jx = _wander(rng, n, dt, 0.12, 0.3 * shake) + _wander(rng, n, dt, 0.7, shake)
    jy = _wander(rng, n, dt, 0.12, 0.3 * shake) + _wander(rng, n, dt, 0.7, shake)
    jr = _wander(rng, n, dt, 0.5, 0.25) if school and rng.random() < 0.25 else np.zeros(n)
    dz = float(rng.normal(0, 0.03))
    cams = []
    for i in range(n):
        cam = place.look_at(np.array([aim_xy[i, 0], aim_xy[i, 1], 1.0]), float(zoom[i]))
        per_px = np.rad2deg(1.0 / cam.focal_px)
        cams.append(
            replace(
                cam,
                pan_deg=cam.pan_deg + jx[i] * place.width_px * per_px,
                tilt_deg=cam.tilt_deg + (jy[i] + dz) * place.width_px * per_px,
                roll_deg=cam.roll_deg + float(jr[i]),
            )
        )
    share = min(look.picture.shutter_s * fps, 1.0)
    later = []
    for i, a in enumerate(cams):
        b = cams[min(i + 1, n - 1)]
        later.append(
            replace(
                a,
                pan_deg=a.pan_deg + share * (b.pan_deg - a.pan_deg),
                tilt_deg=a.tilt_deg + share * (b.tilt_deg - a.tilt_deg),
                roll_deg=a.roll_deg + share * (b.roll_deg - a.roll_deg),
                focal_px=a.focal_px + share * (b.focal_px - a.focal_px),
            )
        )
    return CameraPath(place.view, t, tuple(cams), tuple(later))
