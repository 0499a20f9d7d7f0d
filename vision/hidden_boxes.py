"""Boxes of men whom the detector did not see for a while: where the track says the man stands, in the shape
of his boxes before and after. The picture keeps his label; such a box is an estimate (`observed` False)."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calibration.clip import ClipCameras

COLUMNS = ["x0_px", "y0_px", "x1_px", "y1_px"]
MOST_SD_YD = 0.4
"""A man whose place is known no better gets no box: it would lie beside him as often as on him (four tuning
games: right .85 of 311 under 0.2 yd, .58 of 74 to 0.3, .25 of 24 to 0.5)."""
LEAST_IN_VIEW = 0.5
"""Share of the box that must lie in the picture."""


def with_hidden_boxes(rows: pd.DataFrame, cameras: ClipCameras) -> pd.DataFrame:
    """Rows of the table `tracks` of one clip (frame counts the cameras') with the boxes that can be told.

    Rows that have a box keep it. The others get one where the frame has a camera and the man's place is known
    well enough (`MOST_SD_YD`) and in the picture: his foot through the camera, and about it the sides of his
    nearest boxes, in a straight line from the one before to the one after.
    """
    out = rows.copy()
    feet = np.full((len(out), 2), np.nan)
    frames = out["frame"].to_numpy(int)
    places = out[["x_field_yd", "y_field_yd"]].to_numpy(float)
    for frame in np.unique(frames):
        camera = cameras.camera(int(frame))
        if camera is None:
            continue
        mine = frames == frame
        px, fine = camera.to_image(places[mine])
        feet[mine] = np.where(fine[:, None], px, np.nan)
    boxes = out[COLUMNS].to_numpy(float, copy=True)
    had = np.isfinite(boxes).all(1)
    told = pd.to_numeric(out["sd_yd"], errors="coerce").to_numpy(float) <= MOST_SD_YD
    for man in out.groupby("player_id", sort=False).indices.values():
        man = man[np.argsort(frames[man])]
        boxes[man] = _filled(frames[man], boxes[man], feet[man], told[man])
    seen = np.clip(boxes, 0, [cameras.width_px, cameras.height_px] * 2)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    share = (seen[:, 2] - seen[:, 0]) * (seen[:, 3] - seen[:, 1]) / np.where(area > 0, area, np.nan)
    boxes[~had & ~(share >= LEAST_IN_VIEW)] = np.nan
    out[COLUMNS] = boxes
    return out


def _filled(frames: np.ndarray, boxes: np.ndarray, feet: np.ndarray, told: np.ndarray) -> np.ndarray:
    """One man's boxes (T, 4) with the gaps filled. frames (T,) rising; feet (T, 2) px; told (T,) bool."""
    had = np.isfinite(boxes).all(1)
    known = had & np.isfinite(feet).all(1)
    gaps = ~had & told & np.isfinite(feet).all(1)
    if not known.any() or not gaps.any():
        return boxes
    about = boxes - np.tile(feet, 2)
    out = boxes.copy()
    for side in range(4):
        out[gaps, side] = np.interp(frames[gaps], frames[known], about[known, side]) + feet[gaps, side % 2]
    return out
