"""Pieces of one man that overlap in time, so that the second can follow the first.

Two boxes on one man for a moment make two walkers; both then seem to be followed and the first piece ends
where the doubt is seen, a tenth of a second after the second began. Links lead only from a piece to one that
begins after its end, so without this the man would be cut in two for the whole clip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.tracking.evidence import Evidence


@dataclass(frozen=True)
class OverlapSettings:
    """longest_s: of an overlap; least_boxes: of each piece; least_left: of the second without the overlap;
    apart_yd: most that the two may lie apart during it, on average; kit: mean log odds of the kits (a box)
    from which two pieces of different signs are of two sides. Chosen on ten games (39 plays, 483 men who are
    neither receivers nor underneath: 369 kept their name without this, 375 with it)."""

    longest_s: float = 0.7
    least_boxes: int = 12
    least_left: int = 8
    apart_yd: float = 1.0
    kit: float = 0.5


def without_overlap(
    pieces: list[np.ndarray], e: Evidence, settings: OverlapSettings | None = None
) -> list[np.ndarray]:
    """The pieces (rows of boxes in time order), some without their first boxes: those that overlap the end of
    a piece which is the same man's by place and kit."""
    s = settings or OverlapSettings()
    frame, t = e.detections.frame, e.detections.pts_s
    long = [k for k, rows in enumerate(pieces) if len(rows) >= s.least_boxes]
    first, last = (t[frame[[pieces[k][end] for k in long]]] for end in (0, -1))
    kit = np.array([e.side[pieces[k]].mean() for k in long])
    shared = last[:, None] - first[None]
    candidate = (first[:, None] < first) & (shared >= 0) & (shared <= s.longest_s) & (last[:, None] < last)
    candidate &= (kit[:, None] * kit > 0) | (np.minimum(abs(kit[:, None]), abs(kit)) <= s.kit)
    out = list(pieces)
    for b, k in enumerate(long):
        apart = {a: _apart(pieces[long[a]], pieces[k], e) for a in np.flatnonzero(candidate[:, b])}
        before = min(apart, key=lambda a: apart[a], default=None)
        if before is None or apart[before] >= s.apart_yd:
            continue
        left = pieces[k][frame[pieces[k]] > frame[pieces[long[before]][-1]]]
        if len(left) >= s.least_left:
            out[k] = left
    return out


def _apart(one: np.ndarray, two: np.ndarray, e: Evidence) -> float:
    """Mean distance (yd) of two pieces over the time that both cover."""
    frame, t, xy = e.detections.frame, e.detections.pts_s, e.places.xy_field_yd
    at = np.unique(np.concatenate([frame[one], frame[two]]))
    at = t[at[(at >= frame[two[0]]) & (at <= frame[one[-1]])]]
    places = [np.column_stack([np.interp(at, t[frame[q]], xy[q, k]) for k in (0, 1)]) for q in (one, two)]
    return float(np.linalg.norm(places[0] - places[1], axis=1).mean())
