"""Film faster than 40 frames a second is read at every second frame; its tables still have every frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from calibration.clip import ClipCameras

BETWEEN = (
    "x_field_yd", "y_field_yd", "sd_yd", "speed_yd_per_s", "x0_px", "y0_px", "x1_px", "y1_px",
    "box_confidence",
)  # fmt: skip
"""Columns of `tracks` that are taken in a straight line from one frame read to the next."""


def cameras_of_every_frame(cameras: ClipCameras, step: int, frames: int) -> ClipCameras:
    """Cameras of every frame of the file from those of every `step`-th."""
    if step == 1 or not len(cameras):
        return cameras
    at = np.arange(frames) / step
    low = np.minimum(at.astype(int), len(cameras) - 1)
    high = np.minimum(low + (at > low), len(cameras) - 1)
    weight = np.where(high > low, at - low, 0.0)[:, None]
    parameters = cameras.parameters[low] * (1 - weight) + cameras.parameters[high] * weight
    between = (high > low).astype(np.uint8)
    return replace(
        cameras, status=np.maximum.reduce([cameras.status[low], cameras.status[high], between]),
        parameters=parameters, covariance=cameras.covariance[low], sd_px=cameras.sd_px[low], _cache={},
    )  # fmt: skip


def tracks_of_every_frame(rows: pd.DataFrame, step: int, pts_s: np.ndarray) -> pd.DataFrame:
    """Rows of `tracks` of every frame of the file from those of every `step`-th.

    rows: one clip's, each man's together, in time order; frame counts the frames read. pts_s (F,): times of
    the file's own frames. A man is put on a frame that was stepped over where he is on both frames beside it:
    in a straight line between them, observed where he was observed on both; a box where he has one on both.
    """
    rows = rows.assign(frame=rows["frame"] * step).reset_index(drop=True)
    if step == 1 or not len(rows):
        return rows
    after = rows.shift(-1)
    pairs = (rows["player_id"] == after["player_id"]) & (after["frame"] == rows["frame"] + step)
    first, last = rows[pairs], after[pairs]
    start, end = (part[list(BETWEEN)].to_numpy(float) for part in (first, last))
    observed = first["observed"].to_numpy(bool) & last["observed"].to_numpy(bool)
    frame, times = first["frame"].to_numpy(int), np.asarray(pts_s, float)
    parts = [rows]
    for k in range(1, step):
        since = times[frame + k] - times[frame]
        share = (since / (times[frame + step] - times[frame]))[:, None]
        places = dict(zip(BETWEEN, ((1 - share) * start + share * end).T, strict=True))
        parts.append(first.assign(frame=frame + k, t_s=first["t_s"] + since, observed=observed, **places))
    return pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)
