"""One clip: boxes and cameras in, identities out. The whole tracker on one page."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from vision.jerseys import NumberLooks, looks_at
from vision.records import OTHER, Detections, Tracks
from vision.tracking.evidence import Evidence
from vision.tracking.identities import Paths, PathSettings, doubt, drop_doubles, paths_of, smooth_boxes
from vision.tracking.joining import Chain, JoinSettings, join_pieces
from vision.tracking.pieces import PieceSettings, trace_pieces
from vision.tracking.places import Places, find_places
from vision.tracking.teams import kit_offsets, official_log_odds, side_log_odds

LOST = 2
OTHER_CREDIT = 0.3
"""The confidence of a box said to be another person counts this much: a substitute may be a player missed."""


@dataclass(frozen=True)
class TrackSettings:
    """All constants of the tracker; chosen on validation seeds (see `benchmark`)."""

    pieces: PieceSettings = field(default_factory=PieceSettings)
    joining: JoinSettings = field(default_factory=JoinSettings)
    paths: PathSettings = field(default_factory=PathSettings)


_LAST: deque[tuple[Detections, Any, Any, Evidence | None]] = deque(maxlen=2)


def track_clip(
    detections: Detections, cameras: Any, standard: Any, settings: TrackSettings | None = None,
    numbers: NumberLooks | None = None,
) -> Tracks:  # fmt: skip
    """Identities of one clip in field yards.

    detections: all boxes of the clip, faint ones too. cameras: one a frame (`.camera(frame)` -> camera or
    None where lost; `.status` (T,) 0 measured, 1 interpolated, 2 lost). standard: field standard with
    `width_yd`, `length_yd`, `players_per_side`. Sides come out as 'A' and 'B'; who is the offense is for
    the play to say. Officials come last. numbers: looks at the men's numbers, which help to tell who is who.
    Nothing usable gives a record without identities and a message.
    """
    evidence = evidence_of(detections, cameras, standard, numbers)
    if evidence is None:
        status = _status(cameras, detections.n_frames)
        reason = "every camera lost" if (status == LOST).all() else "no box stands on the field"
        return _empty(detections, status, f"nobody followed: {reason}")
    return follow(evidence, standard, settings)


def evidence_of(
    detections: Detections, cameras: Any, standard: Any, numbers: NumberLooks | None = None
) -> Evidence | None:
    """What one clip's boxes say; None where no box stands on the field. The last two clips' are kept: a play
    in two films is followed first film by film, then as one."""
    for boxes, solved, rules, evidence in _LAST:
        if boxes is detections and solved is cameras and rules is standard:
            return evidence
    evidence = _evidence_of(detections, cameras, standard, numbers)
    _LAST.append((detections, cameras, standard, evidence))
    return evidence


def _evidence_of(
    detections: Detections, cameras: Any, standard: Any, numbers: NumberLooks | None
) -> Evidence | None:
    detections = _credited(detections)
    places = find_places(detections, cameras, standard)
    if not places.valid.any():
        return None
    side, parted = side_log_odds(detections, places)
    official = official_log_odds(detections, places, side)
    status = _status(cameras, detections.n_frames)
    offset = kit_offsets(detections, places, side)
    looks = looks_at(len(detections), numbers)
    return Evidence(detections, places, side, official, cameras, status, parted, offset=offset, looks=looks)


def follow(e: Evidence, standard: Any, settings: TrackSettings | None = None) -> Tracks:
    """Identities from what the boxes say (see `track_clip`)."""
    s = settings or TrackSettings()
    pieces, speed, followed = trace_pieces(e.detections, e.places, e.side, e.cameras, s.pieces, e.views)
    e = replace(e, places=e.places.as_running(speed))
    men, width = int(standard.players_per_side), float(standard.width_yd)
    chains = join_pieces(pieces, e, men, width, s.joining, followed)
    if not chains:
        return _empty(e.detections, e.status, "nobody followed: no box lasts")
    paths, chains = paths_of(chains, e, s.paths)
    keep = drop_doubles(chains, paths.box, paths.x) & np.array([c.kind != "other" for c in chains])
    chains = [c for c, ok in zip(chains, keep, strict=True) if ok]
    paths = Paths(paths.box[keep], paths.x[keep], paths.p[keep])
    return _record(chains, paths, e.detections, e.places, e.status, e.parted, s.paths)


def _credited(d: Detections) -> Detections:
    credit = np.where(d.kind == OTHER, OTHER_CREDIT, 1.0)
    return replace(d, confidence=d.confidence * credit.astype(np.float32))


def _status(cameras: Any, frames: int) -> np.ndarray:
    lost = np.array([cameras.camera(f) is None for f in range(frames)], bool)
    status = np.asarray(cameras.status, np.uint8)[:frames]
    return np.where(lost, LOST, status).astype(np.uint8)


def _empty(detections: Detections, status: np.ndarray, message: str) -> Tracks:
    t = detections.n_frames
    return Tracks(
        ids=(), team=(), xy_field_yd=np.zeros((0, t, 2)), velocity_field_yd_per_s=np.zeros((0, t, 2)),
        sd_yd=np.zeros((0, t)), observed=np.zeros((0, t), bool), uncertain=np.zeros((0, t), bool),
        t_s=detections.pts_s, camera_status=status, clip_id=detections.clip_id, message=message,
    )  # fmt: skip


def _span(seen: np.ndarray, t_s: np.ndarray, hold_s: float) -> np.ndarray:
    """(P,T) bool: from a man's first box to his last, and on to the clip's ends if they are near."""
    out = np.zeros(seen.shape, bool)
    for k, row in enumerate(seen):
        where = np.flatnonzero(row)
        first, last = where[0], where[-1]
        if t_s[first] - t_s[0] <= hold_s:
            first = 0
        if t_s[-1] - t_s[last] <= hold_s:
            last = len(row) - 1
        out[k, first : last + 1] = True
    return out


def _left_out(places: Places, d: Detections) -> np.ndarray:
    """(T,) the camera's variance that places do without: of the frame's boxes, else of the clip's."""
    rows = np.flatnonzero(places.valid)
    count = np.bincount(d.frame[rows], minlength=d.n_frames)
    total = np.bincount(d.frame[rows], weights=places.left_out[rows], minlength=d.n_frames)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.median(places.left_out[rows])))


def _record(
    chains: list[Chain], paths: Paths, d: Detections, places: Places, status: np.ndarray, parted: float,
    s: PathSettings,
) -> Tracks:  # fmt: skip
    order = sorted(range(len(chains)), key=lambda k: (chains[k].kind, -len(chains[k].rows)))
    chains = [chains[k] for k in order]
    box, x, p = paths.box[order], paths.x[order], paths.p[order]
    here = _span(box >= 0, d.pts_s, s.end_hold_s)
    unsure = doubt(Paths(box, x, p), status == LOST, d.pts_s, s) & here
    sd = np.sqrt((p[..., 0, 0] + p[..., 1, 1]) / 2 + _left_out(places, d))
    counts: dict[str, int] = {}
    ids = []
    for chain in chains:
        letter = {"official": "X"}.get(chain.kind, chain.kind)
        counts[letter] = counts.get(letter, 0) + 1
        ids.append(f"{letter}{counts[letter]:02d}")
    blank = np.where(here[..., None], 1.0, np.nan)
    seen = box >= 0
    return Tracks(
        ids=tuple(ids),
        team=tuple(c.kind for c in chains),
        xy_field_yd=x[..., :2] * blank,
        velocity_field_yd_per_s=x[..., 2:] * blank,
        sd_yd=np.where(here, sd, np.nan),
        observed=seen,
        uncertain=unsure,
        t_s=d.pts_s,
        xyxy_px=np.where(seen[..., None], d.xyxy_px[box], np.nan),
        box_index=box,
        team_probability=np.array([1 / (1 + np.exp(-abs(c.log_odds))) for c in chains]),
        camera_status=status,
        clip_id=d.clip_id,
        message="" if parted > 2 else "the two kits can hardly be told apart: sides are doubtful",
    )


__all__ = ["TrackSettings", "smooth_boxes", "track_clip"]
