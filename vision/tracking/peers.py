"""General-purpose trackers on the same boxes, for comparison only (PyPI `trackers`, Apache-2.0).

They work in the picture plane as they come; their boxes are put on the field by the same cameras.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from vision.records import PLAYER, Detections
from vision.tracking.places import Places, find_places

PEERS = ("ByteTrack", "OC-SORT", "SORT", "BoT-SORT")


def _make(name: str, rate_hz: float) -> Any:
    import trackers

    if name == "ByteTrack":
        return trackers.ByteTrackTracker(frame_rate=rate_hz, track_activation_threshold=0.5)
    if name == "OC-SORT":
        return trackers.OCSORTTracker(frame_rate=rate_hz)
    if name == "SORT":
        return trackers.SORTTracker(frame_rate=rate_hz)
    if name == "BoT-SORT":
        return trackers.BoTSORTTracker(frame_rate=rate_hz, enable_cmc=True, track_activation_threshold=0.5)
    raise ValueError(f"unknown tracker {name!r}; known: {', '.join(PEERS)}")


def peer_tracks(
    name: str, detections: Detections, cameras: Any, standard: Any,
    picture: Callable[[int], np.ndarray] | None = None,
) -> np.ndarray:  # fmt: skip
    """Places (Q,T,2) in field yards of a general tracker's identities, NaN where absent.

    It is given the boxes of players that stand on the field (the same field filter as ours). picture
    gives the BGR frame (needed by BoT-SORT's camera motion compensation; without it a blank one is used).
    """
    import supervision

    places = find_places(detections, cameras, standard)
    rate = 1 / float(np.median(np.diff(detections.pts_s)))
    tracker = _make(name, rate)
    blank = np.zeros((detections.height_px, detections.width_px, 3), np.uint8)
    found: dict[int, dict[int, np.ndarray]] = {}
    for f in range(detections.n_frames):
        rows = _usable(detections, places, f)
        given = supervision.Detections(
            xyxy=np.array(detections.xyxy_px[rows]), confidence=np.array(detections.confidence[rows]),
            class_id=np.zeros(len(rows), int), data={"row": rows},
        )  # fmt: skip
        out = tracker.update(given, frame=_frame(name, picture, f, blank))
        if out.tracker_id is None:
            continue
        for box, who in zip(out.xyxy, out.tracker_id, strict=True):
            if who >= 0:
                row = rows[np.argmin(np.abs(detections.xyxy_px[rows] - box).sum(1))]
                found.setdefault(int(who), {})[f] = places.xy_field_yd[row]
    xy = np.full((len(found), detections.n_frames, 2), np.nan)
    for k, path in enumerate(found.values()):
        for f, place in path.items():
            xy[k, f] = place
    return xy


def _frame(name: str, picture: Any, f: int, blank: np.ndarray) -> np.ndarray | None:
    if name != "BoT-SORT":
        return None
    return picture(f) if picture else blank


def _usable(d: Detections, places: Places, frame: int) -> np.ndarray:
    rows = np.arange(d.rows(frame).start, d.rows(frame).stop)
    return rows[places.inside[rows] & (d.kind[rows] == PLAYER)]
