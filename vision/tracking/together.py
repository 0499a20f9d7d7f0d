"""Two films of one play followed as one: the boxes of both views in one time, one problem over all pieces.

A low camera hardly sees how far away a man is, but sees well how far to the side; the camera behind the end
zone sees just that. So boxes of both views, each with its own error ellipse, hold an identity where either
view alone mixes men up.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from vision.jerseys import NumberLooks
from vision.records import Detections, Tracks
from vision.tracking.clip import TrackSettings, evidence_of, follow
from vision.tracking.clock import at_times
from vision.tracking.evidence import Evidence
from vision.tracking.numbers import together
from vision.tracking.places import Places
from vision.tracking.stretch import NO_STRETCH, as_first_sees, as_second_sees
from vision.tracking.teams import kit_offsets, official_log_odds, taught_log_odds

LEAST_STEP_S = 1e-3
PAIR_COUNTS, PAIR_SURE = 20.0, 3.0
"""so many log odds of a pair's boxes count as one (neighbouring frames say the same); the most believed"""


@dataclass(frozen=True)
class Film:
    """One view of a play: its boxes, its cameras and the looks at its numbers (as for `track_clip`)."""

    detections: Detections
    cameras: Any
    numbers: NumberLooks | None = None


@dataclass(frozen=True)
class Setting:
    """How the second view stands to the first: offset_s is added to its times; turned: its field is turned
    by half a turn; crossed: its side A is the first's side B; shift_yd: where the second sees men less where
    the first sees them, on the first's field (see `views.shift_between`); stretch: see `stretch`."""

    offset_s: float
    turned: bool
    crossed: bool
    shift_yd: tuple[float, float] = (0.0, 0.0)
    stretch: tuple[float, float] = NO_STRETCH


def sides_of_pairs(
    films: tuple[Film, Film], tracks: tuple[Tracks, Tracks], pairs: np.ndarray, crossed: bool, standard: Any
) -> tuple[np.ndarray, np.ndarray]:
    """What both views together say of the sides of men paired between them, on the boxes of each: log odds of
    the view's own side A, 0 for boxes of other men.

    pairs (K,2): rows of the tracks. A kit hard to tell from behind may be easy to tell from the side.
    """
    told = [np.zeros(len(f.detections)) for f in films]
    evidence = [evidence_of(f.detections, f.cameras, standard, f.numbers) for f in films]
    sides = [e.side for e in evidence if e is not None]
    sign = (1.0, -1.0 if crossed else 1.0)
    for pair in pairs if len(sides) == 2 else ():
        rows = [t.box_index[k][t.box_index[k] >= 0] for t, k in zip(tracks, pair, strict=True)]
        says = sum(s * float(side[r].sum()) for s, side, r in zip(sign, sides, rows, strict=True))
        for one, s, r in zip(told, sign, rows, strict=True):
            one[r] = np.clip(s * says / PAIR_COUNTS, -PAIR_SURE, PAIR_SURE)
    return told[0], told[1]


def follow_together(
    first: Film, second: Film, setting: Setting, standard: Any, settings: TrackSettings | None = None,
    told: tuple[np.ndarray, np.ndarray] | None = None,
) -> tuple[Tracks, Tracks] | None:  # fmt: skip
    """The same identities on the frames (and with the box rows) of the first and of the second film, both in
    the first's field yards, each on its own clock. None where a view gives nothing to follow.

    told: what both views say of the sides of some boxes of each (`sides_of_pairs`), to learn the kits anew.
    """
    mine, theirs = (evidence_of(f.detections, f.cameras, standard, f.numbers) for f in (first, second))
    if mine is None or theirs is None:
        return None
    if told is not None:
        mine, theirs = _taught(mine, told[0]), _taught(theirs, told[1])
    theirs = _as_first_sees(theirs, setting, standard)
    shift = np.asarray(setting.shift_yd)
    part = first_part(mine.places, theirs.places)
    one, two = _moved(mine, shift * part), _moved(theirs, -shift * (1 - part))
    t, late = one.detections.pts_s, two.detections.pts_s + setting.offset_s
    frames = [np.arange(len(t)), np.flatnonzero((late >= t[0]) & (late <= t[-1]))]
    merged, rows = _merged(one, two, frames, setting.offset_s)
    tracks = follow(merged, standard, settings)
    if not len(tracks.ids):
        return None
    views, parts = np.asarray(merged.views), []
    for view, (film, offset) in enumerate(((first, 0.0), (second, setting.offset_s))):
        index = np.full((len(tracks.ids), film.detections.n_frames), -1)
        box = tracks.box_index[:, views == view]
        index[:, frames[view]] = np.where(box >= 0, rows[box], -1)
        parts.append(_on_frames(tracks, film, index, offset))
    return parts[0], parts[1]


@dataclass(frozen=True)
class _Turned:
    """A camera, or a clip's cameras, asked about the field turned by half a turn."""

    inner: Any
    middle: np.ndarray

    def camera(self, f: int) -> Any:
        one = self.inner.camera(f)
        return None if one is None else _Turned(one, self.middle)

    def to_image(self, xy: np.ndarray) -> Any:
        return self.inner.to_image(self.middle - xy)


@dataclass(frozen=True)
class _Stretched:
    """A camera, or a clip's cameras, asked about places as wide as the other view sees them."""

    inner: Any
    stretch: tuple[float, float]

    def camera(self, f: int) -> Any:
        one = self.inner.camera(f)
        return None if one is None else _Stretched(one, self.stretch)

    def to_image(self, xy: np.ndarray) -> Any:
        return self.inner.to_image(as_second_sees(xy, self.stretch))


@dataclass(frozen=True)
class _Cameras:
    """Cameras of the merged frames: of which view, which frame there."""

    parts: tuple[Any, Any]
    view: np.ndarray
    frame: np.ndarray

    def camera(self, f: int) -> Any:
        return self.parts[self.view[f]].camera(int(self.frame[f]))


def _as_first_sees(e: Evidence, setting: Setting, standard: Any) -> Evidence:
    """The second view's evidence on the first's field and with the first's names of the sides."""
    if setting.turned:
        middle = np.array([float(standard.length_yd), float(standard.width_yd)])
        places = replace(e.places, xy_field_yd=middle - e.places.xy_field_yd, lift_yd=-e.places.lift_yd)
        e = replace(e, places=places, cameras=_Turned(e.cameras, middle))
    if setting.stretch != NO_STRETCH:
        e = _unstretched(e, setting.stretch)
    return replace(e, side=-e.side) if setting.crossed else e


def _unstretched(e: Evidence, stretch: tuple[float, float]) -> Evidence:
    scale = np.array([1.0, stretch[0]])
    places = replace(
        e.places, xy_field_yd=as_first_sees(e.places.xy_field_yd, stretch),
        covariance=e.places.covariance / np.outer(scale, scale), lift_yd=e.places.lift_yd / scale,
    )  # fmt: skip
    return replace(e, places=places, cameras=_Stretched(e.cameras, stretch))


def _taught(e: Evidence, told: np.ndarray) -> Evidence:
    """Evidence with the kits learnt from what is told of them, where that tells them apart better."""
    side = taught_log_odds(e.detections, e.places, e.side, told)
    if side is None:
        return e
    official = official_log_odds(e.detections, e.places, side)
    return replace(e, side=side, official=official, offset=kit_offsets(e.detections, e.places, side))


def first_part(first: Places, second: Places) -> np.ndarray:
    """(2,) share of the shift between two views that is the first's own, along x and y.

    Which camera is off is not known, but what a pixel moves on the ground is: a view errs along its sight,
    far and low above all, as its boxes' own ellipses say. A half each where a view has no places.
    """
    own = [np.diagonal(p.covariance[p.valid & p.inside], axis1=1, axis2=2) for p in (first, second)]
    if not all(len(variance) for variance in own):
        return np.full(2, 0.5)
    one, two = (np.median(variance, 0) for variance in own)
    return np.asarray(one / (one + two))


def _moved(e: Evidence, by_yd: np.ndarray) -> Evidence:
    """Evidence with every place moved by (2,) yards."""
    return replace(e, places=replace(e.places, xy_field_yd=e.places.xy_field_yd + by_yd))


def _merged(
    one: Evidence, two: Evidence, frames: list[np.ndarray], offset_s: float
) -> tuple[Evidence, np.ndarray]:
    """Evidence of both views' `frames` in the order of time, and every box's row in its own film.

    The kits are known by then, so the colours themselves stay behind.
    """
    parts = (one, two)
    time = np.concatenate([one.detections.pts_s[frames[0]], two.detections.pts_s[frames[1]] + offset_s])
    view, frame = np.repeat([0, 1], [len(f) for f in frames]), np.concatenate(frames)
    order = np.argsort(time, kind="stable")
    time, view, frame = time[order], view[order], frame[order]
    step = np.arange(len(time)) * LEAST_STEP_S
    time = np.maximum.accumulate(time - step) + step  # increasing, also where both films have one time
    at = [np.full(e.detections.n_frames, -1) for e in parts]
    for v in (0, 1):
        at[v][frame[view == v]] = np.flatnonzero(view == v)
    rows = [np.flatnonzero(at[v][e.detections.frame] >= 0) for v, e in enumerate(parts)]
    new = np.concatenate([at[v][e.detections.frame[rows[v]]] for v, e in enumerate(parts)])
    order = np.argsort(new, kind="stable")

    def of(name: str, owner: str | None = None) -> np.ndarray:
        values = [
            getattr(getattr(e, owner) if owner else e, name)[r] for e, r in zip(parts, rows, strict=True)
        ]
        return np.concatenate(values)[order]

    d = one.detections
    detections = Detections(
        frame=new[order], xyxy_px=of("xyxy_px", "detections"), confidence=of("confidence", "detections"),
        kind=of("kind", "detections"), colour=np.zeros((len(new), 0), np.float32), pts_s=time,
        width_px=d.width_px, height_px=d.height_px, clip_id=d.clip_id,
    )  # fmt: skip
    places = Places(**{f.name: of(f.name, "places") for f in fields(Places)})
    cameras = _Cameras((one.cameras, two.cameras), view, frame)
    status = np.array([parts[v].status[f] for v, f in zip(view, frame, strict=True)], np.uint8)
    looks = [e.looks.select(r) for e, r in zip(parts, rows, strict=True) if e.looks is not None]
    evidence = Evidence(
        detections, places, of("side"), of("official"), cameras, status, one.parted, view, of("offset"),
        together(*looks).select(order) if len(looks) == len(parts) else None,
    )  # fmt: skip
    return evidence, np.concatenate(rows)[order]


def _on_frames(tracks: Tracks, film: Film, index: np.ndarray, offset_s: float) -> Tracks:
    """Identities read at a film's own frames, with its boxes."""
    d = film.detections
    out = at_times(tracks, d.pts_s + offset_s)
    there = np.isfinite(out.xy_field_yd).all(-1)
    index = np.where(there, index, -1)
    return replace(
        out, t_s=d.pts_s, box_index=index, observed=(out.observed | (index >= 0)) & there,
        xyxy_px=np.where(index[..., None] >= 0, d.xyxy_px[index], np.nan),
        clip_id=d.clip_id,
    )  # fmt: skip
