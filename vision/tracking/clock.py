"""Tracks read at other times than their own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.records import Tracks


def at_times(tracks: Tracks, t_s: np.ndarray) -> Tracks:
    """Tracks read at other times (linear between neighbouring times; absent outside)."""
    t = tracks.t_s
    k = np.clip(np.searchsorted(t, t_s) - 1, 0, max(len(t) - 2, 0))
    after = np.minimum(k + 1, len(t) - 1)
    part = np.clip((t_s - t[k]) / np.maximum(t[after] - t[k], 1e-9), 0, 1)
    outside = (t_s < t[0] - 1e-6) | (t_s > t[-1] + 1e-6)

    def read(v: np.ndarray) -> np.ndarray:
        w = part.reshape((1, -1) + (1,) * (v.ndim - 2))
        out = np.asarray((1 - w) * v[:, k] + w * v[:, after])
        out[:, outside] = np.nan
        return out

    nearest = np.where(part > 0.5, after, k)
    p = len(tracks.ids)
    return replace(
        tracks, xy_field_yd=read(tracks.xy_field_yd), sd_yd=read(tracks.sd_yd),
        velocity_field_yd_per_s=read(tracks.velocity_field_yd_per_s),
        observed=tracks.observed[:, nearest] & ~outside & np.isfinite(read(tracks.sd_yd)),
        uncertain=tracks.uncertain[:, nearest] & ~outside, t_s=t_s,
        xyxy_px=np.full((p, len(t_s), 4), np.nan), box_index=np.full((p, len(t_s)), -1),
        camera_status=np.where(outside, 2, tracks.camera_status[nearest]),
    )  # fmt: skip
