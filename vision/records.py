"""Records that pass between the rooms of `vision`: what was detected, and who is where.

Frozen dataclasses of read-only arrays; every field states shape, dtype, unit and frame of reference.
Nothing here reads or writes files. Missing numbers are NaN (floats) or -1 (indices), never invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

PLAYER, OFFICIAL, BALL, OTHER = 0, 1, 2, 3
"""Codes of `Detections.kind`."""

TEAMS = ("offense", "defense", "A", "B", "official", "unknown")
"""Values of `Tracks.team`; 'A' and 'B' are two sides not yet named offense and defense."""

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
Bools = NDArray[np.bool_]


def _frozen(value: Any, dtype: Any, shape: tuple[int, ...], name: str) -> NDArray[Any]:
    """A read-only copy of `value` with the dtype; -1 in `shape` fits any length. Raises ValueError."""
    array = np.array(value, dtype=dtype)
    if array.size == 0 and array.ndim != len(shape):
        array = array.reshape(tuple(max(n, 0) for n in shape))
    if array.ndim != len(shape) or np.any(
        [want not in (-1, got) for want, got in zip(shape, array.shape, strict=True)]
    ):
        raise ValueError(f"{name}: expected shape {shape} (-1 = any), found {array.shape}")
    array.setflags(write=False)
    return array


@dataclass(frozen=True)
class Detections:
    """All boxes of one clip, sorted by frame.

    frame       (N,) int32, frame in the clip, counted from 0, never decreasing
    xyxy_px     (N,4) float32, left top right bottom, pixels of the clip's own size, amodal (whole man)
    confidence  (N,) float32 in 0..1; boxes down to about 0.05 are kept for the tracker
    kind        (N,) uint8, 0 player, 1 official, 2 ball, 3 other person (bench, coach, chain crew)
    colour      (N,K) float32 from `models.detector.colour.describe_colour`; NaN row = not seen;
                K = 0 when no colours were taken
    pts_s       (F,) float64, time of every frame in s from the clip's first frame, increasing
    width_px, height_px   size of the picture
    """

    frame: I32
    xyxy_px: F32
    confidence: F32
    kind: NDArray[np.uint8]
    colour: F32
    pts_s: F64
    width_px: int
    height_px: int
    clip_id: str = ""

    def __post_init__(self) -> None:
        frame = _frozen(self.frame, np.int32, (-1,), "frame")
        n = len(frame)
        set_ = object.__setattr__
        set_(self, "frame", frame)
        set_(self, "xyxy_px", _frozen(self.xyxy_px, np.float32, (n, 4), "xyxy_px"))
        set_(self, "confidence", _frozen(self.confidence, np.float32, (n,), "confidence"))
        set_(self, "kind", _frozen(self.kind, np.uint8, (n,), "kind"))
        set_(self, "colour", _frozen(self.colour, np.float32, (n, -1), "colour"))
        set_(self, "pts_s", _frozen(self.pts_s, np.float64, (-1,), "pts_s"))
        if n and (np.any(np.diff(frame) < 0) or frame[0] < 0 or frame[-1] >= len(self.pts_s)):
            raise ValueError(
                f"frame: expected sorted frames within 0..{len(self.pts_s) - 1}, "
                f"found {int(frame.min())}..{int(frame.max())}"
            )
        if np.any(np.diff(self.pts_s) <= 0):
            raise ValueError("pts_s: expected increasing times")
        if not np.isfinite(self.xyxy_px).all():
            raise ValueError("xyxy_px: expected finite numbers")
        if np.any(self.xyxy_px[:, 2:] < self.xyxy_px[:, :2]):
            raise ValueError("xyxy_px: expected left <= right and top <= bottom")

    @classmethod
    def from_frames(
        cls,
        frames: Sequence[tuple[Any, Any, Any, Any]],
        pts_s: Any,
        size: tuple[int, int],
        clip_id: str = "",
    ) -> Detections:
        """From one (xyxy_px, confidence, kind, colour or None) per frame; size = (width, height)."""
        counts = [len(f[1]) for f in frames]
        widths = [np.asarray(f[3]).shape[1] for f in frames if f[3] is not None and len(f[1])]
        k = max(widths, default=0)

        def colour_of(f: tuple[Any, Any, Any, Any]) -> NDArray[Any]:
            return np.full((len(f[1]), k), np.nan) if f[3] is None else np.reshape(f[3], (len(f[1]), k))

        def joined(parts: list[NDArray[Any]], shape: tuple[int, ...]) -> NDArray[Any]:
            return np.concatenate(parts) if parts else np.zeros(shape)

        return cls(
            frame=np.repeat(np.arange(len(frames)), counts),
            xyxy_px=joined([np.reshape(f[0], (-1, 4)) for f in frames], (0, 4)),
            confidence=joined([np.ravel(f[1]) for f in frames], (0,)),
            kind=joined([np.ravel(f[2]) for f in frames], (0,)).astype(np.uint8),
            colour=joined([colour_of(f) for f in frames], (0, k)),
            pts_s=pts_s,
            width_px=int(size[0]),
            height_px=int(size[1]),
            clip_id=clip_id,
        )

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def n_frames(self) -> int:
        return len(self.pts_s)

    def rows(self, frame: int) -> slice:
        """Rows of one frame, as a slice into every (N, ...) field."""
        lo, hi = np.searchsorted(self.frame, (frame, frame + 1))
        return slice(int(lo), int(hi))

    def select(self, mask: Any) -> Detections:
        """A record of the rows where the boolean mask (N,) holds; times and size stay."""
        mask = np.asarray(mask, bool)
        return replace(
            self,
            frame=self.frame[mask],
            xyxy_px=self.xyxy_px[mask],
            confidence=self.confidence[mask],
            kind=self.kind[mask],
            colour=self.colour[mask],
        )


AT_TIMES = (
    "xy_field_yd", "velocity_field_yd_per_s", "sd_yd", "observed", "uncertain", "xyxy_px", "box_index",
)  # fmt: skip
"""Arrays of `Tracks` with a row a man and a column a time."""

OF_MEN = (*AT_TIMES, "team_probability", "jersey_probability", "number_evidence")
"""Arrays of `Tracks` with a row a man."""


@dataclass(frozen=True)
class Tracks:
    """Identities x frames of one clip (or of one play of a tracking table), in field yards.

    ids               P names, unique ('A03', 'off-2' ...; a table's own entity ids when imported)
    team              P names out of `TEAMS`
    xy_field_yd       (P,T,2) float64, NaN where the man is absent or his place is not known
    velocity_field_yd_per_s (P,T,2) float64, NaN where the place is NaN
    sd_yd             (P,T) float64, standard deviation of the place (root mean of both axes), NaN: absent
    observed          (P,T) bool, a box (or a row of a table) was used for this man at this time
    uncertain         (P,T) bool, identity not certain here (pile, long hiding, doubtful joint of pieces)
    xyxy_px           (P,T,4) float32, his box, NaN where not observed; (P,T,4) of NaN without film
    box_index         (P,T) int32, row in the clip's Detections, -1 where none
    t_s               (T,) float64, time of the frame, s from the clip's first frame (or the table's clock)
    team_probability  (P,) float64 in 0..1 that the team is right; NaN = not stated
    jersey            P numbers as text, '' = not read
    jersey_probability (P,) float64 in 0..1 that the number is right; NaN = not stated
    number_evidence   (P,100) float64, log of how much likelier the looks at him are under each number than
                      under none in particular (`vision.jerseys`); zeros = nothing seen
    camera_status     (T,) uint8, 0 measured, 1 interpolated, 2 lost; zeros without film
    message           what a person should know about these tracks, '' = nothing
    """

    ids: tuple[str, ...]
    team: tuple[str, ...]
    xy_field_yd: F64
    velocity_field_yd_per_s: F64
    sd_yd: F64
    observed: Bools
    uncertain: Bools
    t_s: F64
    xyxy_px: F32 = field(default_factory=lambda: np.zeros(0, np.float32))
    box_index: I32 = field(default_factory=lambda: np.zeros(0, np.int32))
    team_probability: F64 = field(default_factory=lambda: np.zeros(0))
    jersey: tuple[str, ...] = ()
    camera_status: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(0, np.uint8))
    clip_id: str = ""
    message: str = ""
    jersey_probability: F64 = field(default_factory=lambda: np.zeros(0))
    number_evidence: F64 = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        p, t = len(self.ids), len(self.t_s)
        set_ = object.__setattr__
        set_(self, "ids", tuple(self.ids))
        set_(self, "team", tuple(self.team))
        set_(self, "jersey", tuple(self.jersey) if len(self.jersey) else ("",) * p)
        if len(set(self.ids)) != p:
            raise ValueError("ids: expected unique names")
        if len(self.team) != p or len(self.jersey) != p or any(x not in TEAMS for x in self.team):
            raise ValueError(f"team, jersey: expected {p} each, teams out of {TEAMS}, found {self.team}")
        defaults: list[tuple[str, Any, Any]] = [
            ("xyxy_px", (p, t, 4), np.nan),
            ("box_index", (p, t), -1),
            ("team_probability", (p,), np.nan),
            ("camera_status", (t,), 0),
            ("jersey_probability", (p,), np.nan),
            ("number_evidence", (p, 100), 0.0),
        ]
        for name, shape, value in defaults:
            if np.size(getattr(self, name)) == 0:
                set_(self, name, np.full(shape, value))
        set_(self, "xy_field_yd", _frozen(self.xy_field_yd, np.float64, (p, t, 2), "xy_field_yd"))
        velocity = _frozen(self.velocity_field_yd_per_s, np.float64, (p, t, 2), "velocity_field_yd_per_s")
        set_(self, "velocity_field_yd_per_s", velocity)
        set_(self, "sd_yd", _frozen(self.sd_yd, np.float64, (p, t), "sd_yd"))
        set_(self, "observed", _frozen(self.observed, np.bool_, (p, t), "observed"))
        set_(self, "uncertain", _frozen(self.uncertain, np.bool_, (p, t), "uncertain"))
        set_(self, "t_s", _frozen(self.t_s, np.float64, (t,), "t_s"))
        set_(self, "xyxy_px", _frozen(self.xyxy_px, np.float32, (p, t, 4), "xyxy_px"))
        set_(self, "box_index", _frozen(self.box_index, np.int32, (p, t), "box_index"))
        set_(self, "team_probability", _frozen(self.team_probability, np.float64, (p,), "team_probability"))
        set_(self, "camera_status", _frozen(self.camera_status, np.uint8, (t,), "camera_status"))
        for name, shape in (("jersey_probability", (p,)), ("number_evidence", (p, 100))):
            set_(self, name, _frozen(getattr(self, name), np.float64, shape, name))
        if np.any(np.diff(self.t_s) <= 0):
            raise ValueError("t_s: expected increasing times")
        if np.any(self.observed & ~np.isfinite(self.xy_field_yd).all(-1)):
            raise ValueError("observed: expected a place wherever a man is observed")

    @property
    def n_frames(self) -> int:
        return len(self.t_s)

    @property
    def present(self) -> Bools:
        """(P,T) bool: a place is given, observed or bridged."""
        return np.asarray(np.isfinite(self.xy_field_yd).all(-1), dtype=np.bool_)

    @property
    def speed_yd_per_s(self) -> F64:
        """(P,T) speed over the ground, NaN where absent."""
        return np.hypot(self.velocity_field_yd_per_s[..., 0], self.velocity_field_yd_per_s[..., 1])

    def index(self, player_id: str) -> int:
        """Row of an identity. Raises KeyError naming the ids there are."""
        try:
            return self.ids.index(player_id)
        except ValueError:
            raise KeyError(f"no identity {player_id!r}; there are {', '.join(self.ids)}") from None

    def of_team(self, *teams: str) -> NDArray[np.intp]:
        """Rows of the identities of these teams."""
        return np.flatnonzero([t in teams for t in self.team])

    def with_teams(self, names: dict[str, str]) -> Tracks:
        """A copy with teams renamed, e.g. {'A': 'offense', 'B': 'defense'}."""
        return replace(self, team=tuple(names.get(t, t) for t in self.team))

    def select(self, rows: Any) -> Tracks:
        """A record of some identities (row numbers or a boolean mask), in that order."""
        rows = np.arange(len(self.ids))[np.asarray(rows)]
        changed: dict[str, Any] = {name: getattr(self, name)[rows] for name in OF_MEN}
        for name in ("ids", "team", "jersey"):
            changed[name] = tuple(getattr(self, name)[i] for i in rows)
        return replace(self, **changed)
