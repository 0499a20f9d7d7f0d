"""The camera: pinhole with one radial coefficient over a crowned field.

Axes as in OpenCV (x right, y down, z forward); a point P in field yards maps to

    p = R (P - C),  x = p_x / p_z,  y = p_y / p_z,  r^2 = x^2 + y^2
    u = c_x + f x (1 + k1 r^2),  v = c_y + f y (1 + k1 r^2)

(Brown's model, first radial term, as in cv2.projectPoints). Integer pixel coordinates are pixel
centres. Field surface: z(y) = crown (1 - ((y - W/2) / (W/2))^2) for 0 <= y <= W, else 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

PARAMETERS = ("pan_deg", "tilt_deg", "roll_deg", "log_focal", "k1", "x_yd", "y_yd", "z_yd", "crown_yd")


def rotation_matrix(pan_deg: float, tilt_deg: float, roll_deg: float) -> np.ndarray:
    """Rows: camera right, down, forward in field axes.

    pan 0 looks along +y, positive toward +x; tilt positive looks down; roll positive turns the
    camera clockwise about its optical axis.
    """
    a, t, r = np.radians([pan_deg, tilt_deg, roll_deg])
    forward = np.array([np.sin(a) * np.cos(t), np.cos(a) * np.cos(t), -np.sin(t)])
    right = np.array([np.cos(a), -np.sin(a), 0.0])
    down = np.cross(forward, right)
    return np.stack([np.cos(r) * right + np.sin(r) * down, np.cos(r) * down - np.sin(r) * right, forward])


def angles_from_rotation(rotation: np.ndarray) -> tuple[float, float, float]:
    """(pan, tilt, roll) in degrees, the inverse of :func:`rotation_matrix` (|tilt| < 90)."""
    forward = rotation[2]
    pan = np.arctan2(forward[0], forward[1])
    tilt = -np.arcsin(np.clip(forward[2], -1, 1))
    level = rotation_matrix(np.degrees(pan), np.degrees(tilt), 0.0)
    roll = np.arctan2(rotation[0] @ level[1], rotation[0] @ level[0])
    return float(np.degrees(pan)), float(np.degrees(tilt)), float(np.degrees(roll))


def crown_height_yd(y_yd: np.ndarray, crown_yd: float, width_yd: float) -> np.ndarray:
    """Height of the crowned surface at y."""
    half = width_yd / 2
    s = (np.asarray(y_yd, float) - half) / half
    return crown_yd * np.maximum(0.0, 1.0 - s * s)


def undistort_radius(x: np.ndarray, y: np.ndarray, k1: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invert x_d = x (1 + k1 r^2) by Newton on the radius. Returns (x, y, valid)."""
    rd = np.hypot(x, y)
    r = rd.copy()
    for _ in range(8):
        slope = np.maximum(1 + 3 * k1 * r * r, 0.05)
        r = r - (r * (1 + k1 * r * r) - rd) / slope
    valid = (np.abs(r * (1 + k1 * r * r) - rd) < 1e-6) & (1 + 3 * k1 * r * r > 0.05)
    scale = np.where(rd > 1e-12, r / np.maximum(rd, 1e-12), 1.0)
    return x * scale, y * scale, valid


@dataclass(frozen=True)
class Camera:
    """One frame's camera. Lengths in field yards, angles in degrees, image in pixels.

    covariance: (9, 9) over PARAMETERS, or None when unknown (then to_field's covariance holds
    only the pixel's own part). principal_px: (cx, cy), None means the image's middle.
    Raises ValueError when a number is not finite or the focal length is not positive.
    """

    width_px: int
    height_px: int
    centre_field_yd: np.ndarray
    pan_deg: float
    tilt_deg: float
    roll_deg: float
    focal_px: float
    k1: float = 0.0
    crown_yd: float = 0.0
    field_width_yd: float = 160 / 3
    covariance: np.ndarray | None = None
    principal_px: tuple[float, float] | None = None
    rotation: np.ndarray = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        centre = np.array(self.centre_field_yd, float).reshape(3)
        numbers = [*centre, self.pan_deg, self.tilt_deg, self.roll_deg, self.focal_px, self.k1, self.crown_yd]
        if not np.all(np.isfinite(numbers)) or self.focal_px <= 0:
            raise ValueError(f"camera: numbers must be finite and focal_px positive, found {numbers}")
        rotation = rotation_matrix(self.pan_deg, self.tilt_deg, self.roll_deg)
        centre.flags.writeable = rotation.flags.writeable = False
        object.__setattr__(self, "centre_field_yd", centre)
        object.__setattr__(self, "rotation", rotation)
        if self.principal_px is None:
            object.__setattr__(self, "principal_px", ((self.width_px - 1) / 2, (self.height_px - 1) / 2))

    @property
    def principal(self) -> tuple[float, float]:
        assert self.principal_px is not None
        return self.principal_px

    @property
    def parameters(self) -> np.ndarray:
        """(9,) in the order of PARAMETERS."""
        return np.array(
            [
                self.pan_deg,
                self.tilt_deg,
                self.roll_deg,
                np.log(self.focal_px),
                self.k1,
                *self.centre_field_yd,
                self.crown_yd,
            ]
        )

    def with_parameters(self, p: np.ndarray, covariance: np.ndarray | None = None) -> Camera:
        """The same image with other parameters (order of PARAMETERS)."""
        return replace(
            self,
            pan_deg=float(p[0]),
            tilt_deg=float(p[1]),
            roll_deg=float(p[2]),
            focal_px=float(np.exp(p[3])),
            k1=float(p[4]),
            centre_field_yd=np.array(p[5:8]),
            crown_yd=float(p[8]),
            covariance=covariance,
        )

    def project(self, points_yd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Field points (N, 3) -> (px (N, 2), valid (N,)). Invalid: behind, or beyond the lens's fold."""
        points = np.asarray(points_yd, float).reshape(-1, 3)
        p = (points - self.centre_field_yd) @ self.rotation.T
        depth = p[:, 2]
        valid = depth > 0.1
        safe = np.where(valid, depth, 1.0)
        x, y = p[:, 0] / safe, p[:, 1] / safe
        r2 = x * x + y * y
        valid &= (1 + 3 * self.k1 * r2 > 0.05) & (r2 < 25.0)
        d = 1 + self.k1 * r2
        px = np.stack(
            [self.principal[0] + self.focal_px * x * d, self.principal[1] + self.focal_px * y * d], 1
        )
        px[~valid] = np.nan
        return px, valid

    def to_image(self, xy_field_yd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Ground points (N, 2), lifted to the crowned surface -> (px (N, 2), valid (N,))."""
        xy = np.asarray(xy_field_yd, float).reshape(-1, 2)
        z = crown_height_yd(xy[:, 1], self.crown_yd, self.field_width_yd)
        return self.project(np.column_stack([xy, z]))

    def rays(self, px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pixels (N, 2) -> (directions in field axes (N, 3), valid (N,))."""
        px = np.asarray(px, float).reshape(-1, 2)
        xd = (px[:, 0] - self.principal[0]) / self.focal_px
        yd = (px[:, 1] - self.principal[1]) / self.focal_px
        x, y, valid = undistort_radius(xd, yd, self.k1)
        return np.column_stack([x, y, np.ones_like(x)]) @ self.rotation, valid

    def _ground(self, px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        direction, valid = self.rays(px)
        dz = direction[:, 2]
        valid = valid & (dz < -1e-4)  # looks below the horizon
        dz = np.where(valid, dz, -1.0)
        c = self.centre_field_yd
        z = np.zeros(len(dz))
        for _ in range(12 if self.crown_yd else 1):
            s = (z - c[2]) / dz
            if self.crown_yd:
                z = crown_height_yd(c[1] + s * direction[:, 1], self.crown_yd, self.field_width_yd)
        s = (z - c[2]) / dz
        xy = c[:2] + s[:, None] * direction[:, :2]
        valid = valid & (s > 0) & (np.abs(xy - c[:2]).max(1) < 400.0)
        xy[~valid] = np.nan
        return xy, valid

    def to_field(
        self, px: np.ndarray, sd_px: float | np.ndarray = 1.0
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Pixels (N, 2) -> (xy_field_yd (N, 2), valid (N,), covariance (N, 2, 2)).

        sd_px: standard deviation of the pixel, scalar or (N,) or (N, 2). The camera's own
        covariance is added through numerical derivatives. At or above the horizon, or farther
        than 400 yd: invalid, NaN.
        """
        px = np.asarray(px, float).reshape(-1, 2)
        xy, valid = self._ground(px)
        sd = np.broadcast_to(
            np.asarray(sd_px, float).reshape(-1, 1) if np.ndim(sd_px) == 1 else np.asarray(sd_px, float),
            px.shape,
        )
        jac_px = np.empty((len(px), 2, 2))
        for k in range(2):
            step = np.zeros(2)
            step[k] = 0.25
            jac_px[:, :, k] = (self._ground(px + step)[0] - xy) / 0.25
        covariance = np.einsum("nik,nk,njk->nij", jac_px, sd**2, jac_px)
        if self.covariance is not None:
            steps = np.array([1e-3, 1e-3, 1e-3, 1e-4, 1e-4, 1e-2, 1e-2, 1e-2, 1e-2])
            p = self.parameters
            jac = np.empty((len(px), 2, 9))
            for k in range(9):
                q = p.copy()
                q[k] += steps[k]
                jac[:, :, k] = (self.with_parameters(q)._ground(px)[0] - xy) / steps[k]
            covariance = covariance + np.einsum("nik,kl,njl->nij", jac, self.covariance, jac)
        return xy, valid, covariance

    def scaled(self, sx: float, sy: float | None = None) -> Camera:
        """The camera of the picture resized by ``sx`` (a new camera; pixel centres kept right)."""
        sy = sx if sy is None else sy
        if abs(sx / sy - 1) > 0.01:
            raise ValueError(f"camera: the picture must keep its shape, found scales {sx} and {sy}")
        cx, cy = self.principal
        return replace(
            self,
            width_px=round(self.width_px * sx),
            height_px=round(self.height_px * sy),
            focal_px=self.focal_px * (sx * sy) ** 0.5,
            principal_px=((cx + 0.5) * sx - 0.5, (cy + 0.5) * sy - 0.5),
        )

    def cropped(self, x0_px: float, y0_px: float, width_px: int, height_px: int) -> Camera:
        """The camera of the rectangle whose upper left pixel is (x0, y0) (a new camera)."""
        cx, cy = self.principal
        return replace(self, width_px=width_px, height_px=height_px, principal_px=(cx - x0_px, cy - y0_px))

    def pose_differs(self, other: Camera) -> float:
        """Largest distance in pixels between the two cameras over a 7 x 5 grid of the picture's ground."""
        gx, gy = np.meshgrid(np.linspace(0, self.width_px - 1, 7), np.linspace(0, self.height_px - 1, 5))
        px = np.column_stack([gx.ravel(), gy.ravel()])
        xy, ok = self._ground(px)
        back, ok2 = other.to_image(np.where(ok[:, None], xy, 0.0))
        good = ok & ok2
        return float(np.abs(back[good] - px[good]).max()) if good.any() else float("inf")
