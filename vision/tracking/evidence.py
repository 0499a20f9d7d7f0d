"""What the boxes of a clip say, gathered once for everything that follows men."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from vision.jerseys import Looks
from vision.records import Detections
from vision.tracking.places import Places


@dataclass(frozen=True)
class Evidence:
    """What the boxes of a clip say: places, log odds of the kits (side) and of being an official, (N,) each;
    parted: how well the kits part; views (T,): which camera took each frame (None: one camera); offset (N,K):
    how far the colours lie from the nearer kit (`teams.kit_offsets`; None: not looked at); looks: at the
    jersey numbers (None: nobody looked)."""

    detections: Detections
    places: Places
    side: np.ndarray
    official: np.ndarray
    cameras: Any
    status: np.ndarray
    parted: float
    views: np.ndarray | None = None
    offset: np.ndarray | None = None
    looks: Looks | None = None
