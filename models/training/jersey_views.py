"""Bare views of posed players for the number reader: what part of the body each pixel shows, not its colour.

Every view is one man of the people library seen from a low or high camera at some turn, drawn by the
painter's algorithm: per pixel the body part, the place on the cloth (u, v) and the surface normal. Clothes
are put on later (`jersey_crops`), any number of times, so no view is tied to the renderer's kits or digits.

    python -m models.training.jersey_views VIEWS.npz --views 2500 --seed 1
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np

from models.jerseys.crops import SIDE_SHARE, TOP_SHARE
from models.synthetic.people import PeopleLibrary

VIEW_PX = 128
MARGIN = 1.4
"""The view is this much wider than the square that is read, for boxes that lie a little off."""
NOTHING = 255
ACTIONS = {
    "stand": 3, "hips": 2, "folded": 0.5, "knees": 1, "stance2": 2, "stance3": 1.5, "stance3_left": 1,
    "receiver": 2, "crouch": 2.5, "pass_set": 2, "block": 2.5, "throw": 1, "hold_ball": 1.5, "catch": 1,
    "walk": 2, "jog": 3, "run": 4, "carry": 1.5, "backpedal": 2, "shuffle": 2, "fall": 0.4, "getup": 0.5,
    "kneel": 0.4, "cut": 1, "tackle": 0.7, "arms_up": 0.4, "down": 0.2,
}  # fmt: skip
SHAPES = ("lineman", "linebacker", "skill")


def draw_view(
    library: PeopleLibrary, shape: str, frame: int, yaw_rad: float, tilt_rad: float, roll_rad: float
) -> tuple[np.ndarray, float]:
    """One man seen from afar (parallel rays). yaw 0: he faces the camera; tilt: how far it looks down.

    Returns (VIEW_PX, VIEW_PX, 6) uint8: part (`NOTHING` where nobody is), u and v of the cloth times 255,
    normal right, down and away times 127 plus 128; and px a yard.
    """
    s = library.shape_index(shape)
    v = library.vertices_q[s, frame].astype(np.float64) * library.scale_yd
    n = library.normals[s, frame].astype(np.float64) / 127
    a = yaw_rad - np.pi / 2  # body x is forward; the camera looks along +y
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    c, t = np.cos(tilt_rad), np.sin(tilt_rad)
    camera = np.array([[1, 0, 0], [0, -t, -c], [0, c, -t]])  # right, down, away
    r, q = np.cos(roll_rad), np.sin(roll_rad)
    view = np.array([[r, -q, 0], [q, r, 0], [0, 0, 1]]) @ camera @ turn
    p, n = v @ view.T, n @ view.T
    lo, hi = p[:, :2].min(0), p[:, :2].max(0)
    side = SIDE_SHARE * (hi - lo).max()
    scale = VIEW_PX / (side * MARGIN)
    left = (lo[0] + hi[0]) / 2 - side * MARGIN / 2
    top = lo[1] + TOP_SHARE * (hi[1] - lo[1]) - side * (MARGIN - 1) / 2
    px = (p[:, :2] - [left, top]) * scale - 0.5
    return _paint(library, px, p[:, 2], n), scale


def _paint(library: PeopleLibrary, px: np.ndarray, away: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Faces from far to near, then part, cloth place and normal of each pixel by barycentric weights."""
    corner = px[library.faces]
    edge1, edge2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = edge1[:, 0] * edge2[:, 1] - edge1[:, 1] * edge2[:, 0]
    facing = np.flatnonzero(area < -1e-6)
    order = facing[np.argsort(-away[library.faces[facing]].mean(1))]
    which: np.ndarray = np.full((VIEW_PX, VIEW_PX), -1, np.float32)
    fixed = np.round(corner * 16).astype(np.int32)
    for k in order:
        cv2.fillConvexPoly(which, fixed[k], float(k), cv2.LINE_8, 4)
    out: np.ndarray = np.zeros((VIEW_PX, VIEW_PX, 6), np.uint8)
    out[..., 0] = NOTHING
    ys, xs = np.nonzero(which >= 0)
    face = which[ys, xs].astype(int)
    d = np.stack([xs, ys], 1) - corner[face, 0]
    w1 = (d[:, 0] * edge2[face, 1] - d[:, 1] * edge2[face, 0]) / area[face]
    w2 = (edge1[face, 0] * d[:, 1] - edge1[face, 1] * d[:, 0]) / area[face]
    w = np.clip(np.stack([1 - w1 - w2, w1, w2], 1), 0, 1)
    w /= w.sum(1, keepdims=True)
    vertex = library.faces[face]
    uv = (library.uv[vertex] * w[..., None]).sum(1)
    nrm = (normal[vertex] * w[..., None]).sum(1)
    nrm /= np.maximum(np.linalg.norm(nrm, axis=1, keepdims=True), 1e-6)
    out[ys, xs, 0] = library.part[vertex[:, 0]]
    out[ys, xs, 1:3] = np.clip(uv * 255, 0, 255)
    out[ys, xs, 3:] = np.clip(nrm * 127 + 128, 0, 255)
    return out


def make_views(count: int, seed: int) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """(count, VIEW_PX, VIEW_PX, 6) views, (count,) px a yard, names of the parts."""
    rng = np.random.default_rng(seed)
    library = PeopleLibrary.load()
    names = [a for a in ACTIONS if a in library.clips]
    weight = np.array([ACTIONS[a] for a in names])
    views: np.ndarray = np.empty((count, VIEW_PX, VIEW_PX, 6), np.uint8)
    scales = np.empty(count)
    for k in range(count):
        action = str(rng.choice(names, p=weight / weight.sum()))
        yaw = rng.normal(0, 0.55) + np.pi * (rng.random() < 0.5)
        if rng.random() < 0.2:  # any turn, also from the side, where nothing can be read
            yaw = rng.uniform(0, 2 * np.pi)
        views[k], scales[k] = draw_view(
            library, str(rng.choice(SHAPES)), library.frame_index(action, float(rng.random())),
            yaw, np.deg2rad(rng.uniform(4, 40)), rng.normal(0, 0.04),
        )  # fmt: skip
    return views, scales, list(library.part_names)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("out", type=Path)
    parser.add_argument("--views", type=int, default=2500)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    views, scales, parts = make_views(args.views, args.seed)
    args.out.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(args.out, views=views, px_per_yd=scales, parts=np.array(parts))
    print(f"{len(views)} views, {args.out.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
