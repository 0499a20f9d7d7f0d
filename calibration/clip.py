"""The cameras of one clip: per-frame arrays, and their open table on disk (exports.md, ``cameras``)."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from calibration.camera import Camera, angles_from_rotation

MEASURED, INTERPOLATED, LOST = 0, 1, 2
STATUS_NAMES = ("measured", "interpolated", "lost")


class LostCamera:
    """Stands for a frame without a camera: everything is invalid."""

    def to_field(
        self, px: np.ndarray, sd_px: float | np.ndarray = 1.0
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """NaN, invalid, NaN."""
        n = len(np.asarray(px, float).reshape(-1, 2))
        return np.full((n, 2), np.nan), np.zeros(n, bool), np.full((n, 2, 2), np.nan)

    def to_image(self, xy_field_yd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """NaN, invalid."""
        n = len(np.asarray(xy_field_yd, float).reshape(-1, 2))
        return np.full((n, 2), np.nan), np.zeros(n, bool)


@dataclass(frozen=True)
class ClipCameras:
    """Cameras of a clip of T frames.

    status: (T,) uint8, 0 measured, 1 interpolated (carried by the background's motion), 2 lost.
    parameters: (T, 9) float64 in the order of camera.PARAMETERS; NaN where lost.
    covariance: (T, 9, 9) float32 over the same parameters.
    sd_px: (T,) residual scale of the marks around the frame, NaN where lost.
    offset_margin: difference in log-likelihood between the best and the second whole-yard place;
        needs_click is True when it is too small to trust: x is then known only modulo five yards.
    message: one line for a person, "" when all is well.
    view: "sideline", "endzone" or "" (unknown).
    """

    width_px: int
    height_px: int
    field_width_yd: float
    status: np.ndarray
    parameters: np.ndarray
    covariance: np.ndarray
    sd_px: np.ndarray
    standard: str = ""
    view: str = ""
    offset_margin: float = float("inf")
    needs_click: bool = False
    message: str = ""
    _cache: dict[int, Camera] = field(default_factory=dict, repr=False, compare=False)

    def __post_init__(self) -> None:
        t = len(self.status)
        shapes = {"parameters": (t, 9), "covariance": (t, 9, 9), "sd_px": (t,)}
        for name, shape in shapes.items():
            found = np.shape(getattr(self, name))
            if found != shape:
                raise ValueError(f"clip cameras: {name} must have shape {shape}, found {found}")
        for name in ("status", "parameters", "covariance", "sd_px"):
            array = np.array(getattr(self, name))
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    def __len__(self) -> int:
        return len(self.status)

    @property
    def found_share(self) -> float:
        """Share of frames that have a camera."""
        return float(np.mean(self.status != LOST)) if len(self) else 0.0

    def camera(self, frame: int) -> Camera | None:
        """The camera of a frame, None where lost or outside the clip."""
        if not 0 <= frame < len(self) or self.status[frame] == LOST:
            return None
        if frame not in self._cache:
            p = self.parameters[frame]
            self._cache[frame] = Camera(
                self.width_px,
                self.height_px,
                p[5:8],
                float(p[0]),
                float(p[1]),
                float(p[2]),
                float(np.exp(p[3])),
                float(p[4]),
                float(p[8]),
                self.field_width_yd,
                self.covariance[frame].astype(float),
            )
        return self._cache[frame]

    def __getitem__(self, frame: int) -> Camera | LostCamera:
        """As ``camera``, but a LostCamera instead of None; IndexError outside the clip."""
        if not -len(self) <= frame < len(self):
            raise IndexError(f"frame {frame} of {len(self)}")
        return self.camera(frame % len(self)) or LostCamera()

    def to_field(
        self, frame: int, px: np.ndarray, sd_px: float | np.ndarray = 1.0
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As Camera.to_field; everything invalid where the frame is lost."""
        camera = self.camera(frame)
        return LostCamera().to_field(px) if camera is None else camera.to_field(px, sd_px)

    @classmethod
    def lost(
        cls,
        frames: int,
        width_px: int,
        height_px: int,
        field_width_yd: float,
        message: str,
        standard: str = "",
    ) -> ClipCameras:
        """A clip without any camera, saying why."""
        return cls(
            width_px,
            height_px,
            field_width_yd,
            np.full(frames, LOST, np.uint8),
            np.full((frames, 9), np.nan),
            np.full((frames, 9, 9), np.nan, np.float32),
            np.full(frames, np.nan),
            standard=standard,
            message=message,
            offset_margin=0.0,
        )


def cameras_table(cameras: ClipCameras, clip_id: str = "", pts_s: np.ndarray | None = None) -> pd.DataFrame:
    """The ``cameras`` table: the columns of exports.md, plus picture size, field width, covariance."""
    rows = []
    for frame in range(len(cameras)):
        camera = cameras.camera(frame)
        row: dict[str, object] = {
            "clip_id": clip_id,
            "frame": frame,
            "pts_s": float(pts_s[frame]) if pts_s is not None else np.nan,
            "status": STATUS_NAMES[int(cameras.status[frame])],
            "width_px": cameras.width_px,
            "height_px": cameras.height_px,
            "field_width_yd": cameras.field_width_yd,
            "field_standard": cameras.standard,
            "view": cameras.view,
        }
        numbers = dict.fromkeys(["fx_px", "cx_px", "cy_px", "k1"], np.nan)
        numbers |= {f"r{i}{j}": np.nan for i in (1, 2, 3) for j in (1, 2, 3)}
        numbers |= dict.fromkeys(["tx_yd", "ty_yd", "tz_yd", "field_crown_yd", "sd_px"], np.nan)
        row["covariance"] = None
        if camera is not None:
            numbers |= {"fx_px": camera.focal_px, "cx_px": camera.principal[0], "cy_px": camera.principal[1]}
            numbers |= {
                "k1": camera.k1,
                "field_crown_yd": camera.crown_yd,
                "sd_px": float(cameras.sd_px[frame]),
            }
            numbers |= {f"r{i + 1}{j + 1}": float(camera.rotation[i, j]) for i in range(3) for j in range(3)}
            numbers |= dict(zip(("tx_yd", "ty_yd", "tz_yd"), map(float, camera.centre_field_yd), strict=True))
            if camera.covariance is not None:
                row["covariance"] = camera.covariance.ravel().tolist()
        rows.append(row | numbers)
    return pd.DataFrame(rows)


def cameras_from_table(table: pd.DataFrame) -> ClipCameras:
    """Inverse of :func:`cameras_table`; works on a table with the columns of exports.md alone.

    Raises ValueError naming the missing columns.
    """
    need = ["frame", "status", "fx_px", "cx_px", "cy_px", "k1", "r11", "r33", "tx_yd", "ty_yd", "tz_yd"]
    missing = [c for c in need if c not in table.columns]
    if missing:
        raise ValueError(f"cameras table: columns {missing} are missing; found {list(table.columns)}")
    table = table.sort_values("frame").reset_index(drop=True)
    n = int(table["frame"].max()) + 1 if len(table) else 0
    status = np.full(n, LOST, np.uint8)
    parameters, covariance = np.full((n, 9), np.nan), np.full((n, 9, 9), np.nan, np.float32)
    sd_px = np.full(n, np.nan)
    first = table.iloc[0] if len(table) else None
    width = _size(table, "width_px", "cx_px")
    height = _size(table, "height_px", "cy_px")
    names = [f"r{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3)]
    for row in table.to_dict("records"):
        frame = int(row["frame"])
        code = STATUS_NAMES.index(str(row["status"]))
        if code == LOST or not np.isfinite(row["fx_px"]):
            continue
        angles = angles_from_rotation(np.array([row[k] for k in names], float).reshape(3, 3))
        status[frame] = code
        parameters[frame] = [
            *angles,
            np.log(row["fx_px"]),
            row["k1"],
            row["tx_yd"],
            row["ty_yd"],
            row["tz_yd"],
            row.get("field_crown_yd", 0.0) or 0.0,
        ]
        sd_px[frame] = row.get("sd_px", np.nan)
        values = row.get("covariance")
        covariance[frame] = 0.0 if values is None or np.size(values) != 81 else np.reshape(values, (9, 9))
    return ClipCameras(
        width,
        height,
        _width_of(table),
        status,
        parameters,
        covariance,
        sd_px,
        standard=str(first.get("field_standard", "")) if first is not None else "",
        view=str(first.get("view", "")) if first is not None else "",
    )


def _width_of(table: pd.DataFrame) -> float:
    given = "field_width_yd" in table.columns and len(table)
    return float(table["field_width_yd"].iloc[0]) if given else 160 / 3


def _size(table: pd.DataFrame, column: str, principal: str) -> int:
    if column in table.columns and len(table):
        return int(table[column].iloc[0])
    values = table[principal].dropna()
    return round(2 * float(values.iloc[0]) + 1) if len(values) else 0


def save_cameras(
    path: str | Path, cameras: ClipCameras, clip_id: str = "", pts_s: np.ndarray | None = None
) -> None:
    """Write the cameras table (Parquet, or CSV when the name ends in .csv)."""
    table = cameras_table(cameras, clip_id, pts_s)
    if str(path).endswith(".csv"):
        table.drop(columns="covariance").to_csv(path, index=False)
    else:
        table.to_parquet(path, index=False)


def load_cameras(path: str | Path) -> ClipCameras:
    """Read a cameras table; the result has to_field(frame, px) and camera(frame)."""
    read = pd.read_csv if str(path).endswith(".csv") else pd.read_parquet
    return cameras_from_table(read(path))
