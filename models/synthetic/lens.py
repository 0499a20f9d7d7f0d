"""The renderer's own camera: pinhole with one radial coefficient, camera draws and camera paths.

Written apart from the solver so that the truth stays independent of it. Conventions (shared with the tables):
field frame in yards, x along the field, y away from the sideline camera, z up; OpenCV camera axes (x right,
y down, z forward); pan 0 looks along +y and grows toward +x; positive tilt looks down; positive roll
turns the
camera clockwise about its axis; ``x_d = x (1 + k1 r^2)`` on normalised coordinates; integer pixel
coordinates at
pixel centres, principal point ((w-1)/2, (h-1)/2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.synthetic.looks import Look

FIELD_WIDTH_YD = {"nfl": 160 / 3, "ncaa": 160 / 3, "nfhs": 160 / 3, "canadian": 65.0}
FIELD_LENGTH_YD = {"nfl": 100.0, "ncaa": 100.0, "nfhs": 100.0, "canadian": 110.0}


@dataclass(frozen=True)
class ViewCamera:
    """One exposure. ``centre`` in field yards, angles in degrees, focal length in pixels."""

    width_px: int
    height_px: int
    centre: tuple[float, float, float]
    pan_deg: float
    tilt_deg: float
    roll_deg: float
    focal_px: float
    k1: float = 0.0

    def rotation(self) -> np.ndarray:
        """(3,3) rows: camera right, down, forward in field axes."""
        p, t, r = np.deg2rad([self.pan_deg, self.tilt_deg, self.roll_deg])
        forward = np.array([np.sin(p) * np.cos(t), np.cos(p) * np.cos(t), -np.sin(t)])
        right = np.array([np.cos(p), -np.sin(p), 0.0])
        down = np.cross(forward, right)
        return np.stack(
            [np.cos(r) * right + np.sin(r) * down, -np.sin(r) * right + np.cos(r) * down, forward]
        )

    def project(self, points_yd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(N,3) field yards -> ((N,2) pixels, (N,) in front of the camera)."""
        cam = (np.asarray(points_yd, float) - np.asarray(self.centre)) @ self.rotation().T
        z = cam[:, 2]
        ok = z > 0.2
        xy = cam[:, :2] / np.where(ok, z, 1.0)[:, None]
        factor = 1.0 + self.k1 * (xy[:, :1] ** 2 + xy[:, 1:] ** 2)
        centre = np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])
        return centre + self.focal_px * xy * factor, ok

    def clip_matrix(self, margin: float, near: float = 1.0, far: float = 1200.0) -> np.ndarray:
        """(4,4) field yards -> GL clip space of an undistorted picture ``margin`` times as wide and high."""
        rot = self.rotation()
        view = np.eye(4)
        view[:3, :3] = rot
        view[:3, 3] = -rot @ np.asarray(self.centre)
        proj = np.zeros((4, 4))
        proj[0, 0] = 2 * self.focal_px / (self.width_px * margin)
        proj[1, 1] = -2 * self.focal_px / (self.height_px * margin)
        proj[2, 2], proj[2, 3] = (far + near) / (far - near), -2 * far * near / (far - near)
        proj[3, 2] = 1.0
        return proj @ view

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready parameters."""
        return {
            "width_px": self.width_px,
            "height_px": self.height_px,
            "centre_field_yd": list(self.centre),
            "pan_deg": self.pan_deg,
            "tilt_deg": self.tilt_deg,
            "roll_deg": self.roll_deg,
            "focal_px": self.focal_px,
            "k1": self.k1,
        }


def undistort_radius(radius: float, k1: float) -> float:
    """Undistorted radius of a distorted one (fixed point of r_u (1 + k1 r_u^2) = r_d)."""
    r = radius
    for _ in range(12):
        r = radius / (1.0 + k1 * r * r)
    return r


def ground_at(cam: ViewCamera, height_yd: float = 0.0) -> np.ndarray | None:
    """Point of the plane z = height seen at the picture's centre, or None above the horizon."""
    f = cam.rotation()[2]
    if f[2] >= -1e-3:
        return None
    s = (height_yd - cam.centre[2]) / f[2]
    return np.asarray(cam.centre) + s * f


def aim(centre: np.ndarray, target: np.ndarray) -> tuple[float, float]:
    """Pan and tilt (degrees) that put ``target`` on the optical axis."""
    d = np.asarray(target, float) - np.asarray(centre, float)
    return float(np.rad2deg(np.arctan2(d[0], d[1]))), float(
        np.rad2deg(np.arctan2(-d[2], np.hypot(d[0], d[1])))
    )


@dataclass(frozen=True)
class CameraPlace:
    """Where a game's camera stands: fixed through the game."""

    view: str
    centre: tuple[float, float, float]
    roll_deg: float
    k1_wide: float
    k1_tele: float
    width_px: int
    height_px: int

    def look_at(self, target: np.ndarray, span_yd: float) -> ViewCamera:
        """Camera whose picture is ``span_yd`` wide at the target's distance."""
        pan, tilt = aim(np.asarray(self.centre), target)
        distance = float(np.linalg.norm(np.asarray(target) - np.asarray(self.centre)))
        focal = self.width_px * distance / span_yd
        mix = float(np.clip((focal / self.width_px - 0.8) / 3.0, 0, 1))
        k1 = self.k1_wide * (1 - mix) + self.k1_tele * mix
        half = 0.5 * np.hypot(self.width_px, self.height_px) / focal
        k1 = float(np.clip(k1, -0.05 / half**2, 0.05 / half**2))
        return ViewCamera(self.width_px, self.height_px, self.centre, pan, tilt, self.roll_deg, focal, k1)


def random_place(
    rng: np.random.Generator, look: Look, view: str, width_px: int, height_px: int
) -> CameraPlace:
    """Draw the place of a game's camera (film facts: press box 10-30 yd up, school often 8-15)."""
    std = look.field.standard
    w, length = FIELD_WIDTH_YD[std], FIELD_LENGTH_YD[std]
    u = rng.uniform
    if view == "sideline":
        if look.style == "school":
            up, back = u(4.5, 14), u(10, 38)
        elif look.style == "college":
            up, back = u(10, 28), u(22, 60)
        else:
            up, back = u(14, 34), u(28, 72)
        x = length / 2 + float(np.clip(rng.normal(0, 9), -30, 30))
        centre = (float(x), -float(back), float(up))
    else:
        up, back = (u(6, 14), u(12, 30)) if look.style == "school" else (u(9, 24), u(20, 50))
        side = -1 if rng.random() < 0.5 else 1
        ez = look.field.end_zone_depth_yd
        x = -ez - back if side < 0 else length + ez + back
        centre = (float(x), float(w / 2 + rng.normal(0, 3)), float(up))
    k = float(rng.normal(-0.01, 0.03))
    roll = float(rng.normal(0, 0.7 if look.style != "school" else 1.6))
    return CameraPlace(
        view, centre, roll, k, k * float(u(-0.5, 1.0)) + float(rng.normal(0, 0.01)), width_px, height_px
    )


def random_span(rng: np.random.Generator, look: Look, view: str) -> float:
    """Width of the picture at the players, yards."""
    if view == "endzone":
        return float(rng.uniform(17, 42))
    if look.style == "school":
        return float(np.exp(rng.uniform(np.log(22), np.log(68))))
    return float(np.exp(rng.uniform(np.log(28), np.log(60))))


def random_camera(
    rng: np.random.Generator,
    look: Look,
    view: str,
    focus: np.ndarray,
    width_px: int = 1920,
    height_px: int = 1080,
    place: CameraPlace | None = None,
) -> ViewCamera:
    """One camera looking near ``focus`` (field yards), as an operator would have it at some moment."""
    place = place or random_place(rng, look, view, width_px, height_px)
    span = random_span(rng, look, view)
    target = np.array([focus[0] + rng.normal(0, span * 0.10), focus[1] + rng.normal(0, 4.0), 1.0])
    cam = place.look_at(target, span)
    shift = rng.normal(0, 0.035)
    return replace(cam, tilt_deg=cam.tilt_deg + float(np.rad2deg(shift * place.height_px / cam.focal_px)))
