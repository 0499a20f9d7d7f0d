"""Clean hems: the coarse mesh is cut where cloth ends (waist, collar, sleeves, gloves, knees, ankles)."""

from __future__ import annotations

import numpy as np

from models.training.people_body import JOINTS, Body

J = {name: k for k, name in enumerate(JOINTS)}


def along(body: Body, p: np.ndarray, a: str, b: str) -> np.ndarray:
    """Place of points p along a bone, 0 at joint a and 1 at joint b."""
    start, end = body.pivots[J[a]], body.pivots[J[b]]
    axis = end - start
    return (p - start) @ axis / (axis @ axis)


def _cut(body: Body, level: np.ndarray, where: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Split edges inside `where` (V,) along level = 0: (mix (V + new, V), new faces). Keeps winding."""
    n = len(level)
    level = np.where(np.abs(level) < 0.006, 0.0, level)  # a vertex this close (m) counts as on the line
    new: dict[tuple[int, int], int] = {}
    rows: list[np.ndarray] = []

    def middle(a: int, b: int) -> int | None:
        if not (where[a] and where[b]) or level[a] * level[b] >= 0:
            return None
        key = (min(a, b), max(a, b))
        if key not in new:
            new[key] = n + len(rows)
            t = level[key[0]] / (level[key[0]] - level[key[1]])
            row = np.zeros(n)
            row[key[0]], row[key[1]] = 1 - t, t
            rows.append(row)
        return new[key]

    faces: list[tuple[int, int, int]] = []
    for face in body.faces.tolist():
        for k in range(3):  # turn the face until its cut edges start at its first corner
            a, b, c = face[k], face[(k + 1) % 3], face[(k + 2) % 3]
            m, o, far = middle(a, b), middle(a, c), middle(b, c)
            if m is not None and far is None:
                faces += [(a, m, c), (m, b, c)] if o is None else [(a, m, o), (m, b, c), (m, c, o)]
                break
        else:
            faces.append((a, b, c))
    return np.concatenate([np.eye(n), np.array(rows).reshape(-1, n)]), np.array(faces)


def _hem(body: Body, name: str) -> tuple[np.ndarray, np.ndarray]:
    """(level (V,) m, where (V,)) of one hem: it runs along level 0 among the vertices in `where`."""
    kind, _, s = name.partition(".")
    trunk = ("pelvis", "belly", "waist", "chest", "thigh.L", "thigh.R")
    z = body.vertices[:, 2]
    joints: tuple[str, ...]
    if kind in ("waist", "belt", "collar"):
        height = {"waist": waist_m(body), "belt": waist_m(body) - BELT_M, "collar": collar_m(body)}[kind]
        level = z - height
        joints = ("chest", "neck", "head", "clav.L", "clav.R") if kind == "collar" else trunk
    elif kind == "seam":
        level = np.abs(body.vertices[:, 1]) - shoulder_m(body)
        joints = (f"clav.{s}", f"arm.{s}", "chest")
    else:
        bone, end, at, length_m = {
            "sleeve": ("arm", "fore", SLEEVE, 0.28),
            "wrist": ("fore", "hand", WRIST, 0.25),
            "knee": ("shin", "foot", KNEE, 0.45),
            "ankle": ("shin", "foot", ANKLE, 0.45),
        }[kind]
        level = length_m * (along(body, body.vertices, f"{bone}.{s}", f"{end}.{s}") - at)
        joints = (f"{bone}.{s}", f"thigh.{s}" if kind == "knee" else f"{end}.{s}")
    return level, np.isin(body.weights.argmax(1), [J[k] for k in joints])


def tailor(bodies: dict[str, Body], reference: str) -> dict[str, Body]:
    """Cut the meshes along hems, so that sleeves, gloves, trousers and socks end in clean lines."""

    for hem in (
        "waist",
        "belt",
        "collar",
        *(f"{k}.{s}" for s in "LR" for k in ("seam", "sleeve", "wrist", "knee", "ankle")),
    ):
        mix, faces = _cut(bodies[reference], *_hem(bodies[reference], hem))
        bodies = {
            k: Body(mix @ b.vertices, faces, mix @ b.weights, b.pivots, b.height) for k, b in bodies.items()
        }
    return bodies


BELT_M, SLEEVE, WRIST, KNEE, ANKLE = 0.04, 0.74, 0.93, 0.20, 0.86


def waist_m(body: Body) -> float:
    """Height of the top of the belt."""
    return float(body.pivots[J["belly"]][2] - 0.01)


def collar_m(body: Body) -> float:
    """Height of the collar."""
    return float(body.pivots[J["neck"]][2] - 0.005)


def shoulder_m(body: Body) -> float:
    """Distance of the sleeve's seam from the middle plane."""
    return float(0.92 * body.pivots[J["arm.L"]][1])
