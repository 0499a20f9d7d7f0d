"""Clothes and gear of rendered people: parts of the mesh, bulk under cloth, helmet, facemask, visor, cap.

Sizes from memory of ordinary equipment (helmet about 0.25 x 0.31 m, shoulder pads a hand wider than the man).
Metres, x forward, y left, z up, rest pose with arms held out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.training.people_body import JOINTS, Body
from models.training.people_cut import (
    ANKLE,
    BELT_M,
    KNEE,
    SLEEVE,
    WRIST,
    along,
    collar_m,
    shoulder_m,
    waist_m,
)

J = {name: k for k, name in enumerate(JOINTS)}
PARTS = (
    "skin",
    "hair",
    "cap",
    "helmet",
    "facemask",
    "visor",
    "jersey_front",
    "jersey_back",
    "sleeve",
    "forearm",
    "glove",
    "belt",
    "pants",
    "sock",
    "shoe",
)
PLAYERS = ("lineman", "linebacker", "skill")
PANEL_M = (0.46, 0.58)  # width and height of the jersey panel that uv covers


@dataclass
class Dressed:
    """A dressed rest body and what the mesh's vertices are; seams split, so one part a vertex."""

    body: Body
    part: np.ndarray
    uv: np.ndarray
    weld: np.ndarray


def vertex_normals(v: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(V, 3) area-weighted unit normals."""
    n = np.cross(v[faces[:, 1]] - v[faces[:, 0]], v[faces[:, 2]] - v[faces[:, 0]])
    out = np.zeros_like(v)
    for k in range(3):
        np.add.at(out, faces[:, k], n)
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def _head_box(body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Centre and half sizes of the skull."""
    head = body.vertices[body.weights[:, J["head"]] > 0.9]
    top, chin = head[:, 2].max(), body.pivots[J["head"]][2] - 0.055
    skull = head[head[:, 2] > 0.45 * top + 0.55 * chin]
    low, high = skull.min(0), skull.max(0)
    return np.array([(low[0] + high[0]) / 2, 0, top - 0.125]), np.array(
        [(high[0] - low[0]) / 2, high[1], 0.125]
    )


def face_parts(body: Body) -> np.ndarray:
    """(F,) part code of each face of the bare, tailored body."""
    c = body.vertices[body.faces].mean(1)
    w = body.weights[body.faces].mean(1)
    main = w.argmax(1)
    normal_x = np.cross(*(body.vertices[body.faces[:, k]] - body.vertices[body.faces[:, 0]] for k in (1, 2)))[
        :, 0
    ]
    waist = waist_m(body)
    out = np.full(len(c), PARTS.index("skin"))
    code = PARTS.index
    upper = [
        J[k] for k in ("pelvis", "belly", "waist", "chest", "clav.L", "clav.R", "arm.L", "arm.R", "neck")
    ]
    torso = np.isin(main, upper) & (c[:, 2] < collar_m(body)) | (main == J["pelvis"])
    chest = code("jersey_front"), code("jersey_back")
    out[torso] = np.where(normal_x[torso] >= 0, *chest)
    out[torso & (c[:, 2] < waist)] = code("belt")
    out[torso & (c[:, 2] < waist - BELT_M)] = code("pants")
    centre, half = _head_box(body)
    rel = (c - centre) / half
    behind = (rel[:, 0] < -0.05 + 0.5 * rel[:, 2]) & (rel[:, 2] > -0.7)
    out[(main == J["head"]) & (behind | (rel[:, 2] > 0.72))] = code("hair")
    for s in "LR":
        arm, shin = along(body, c, f"arm.{s}", f"fore.{s}"), along(body, c, f"shin.{s}", f"foot.{s}")
        sign = 1.0 if s == "L" else -1.0
        beyond = (sign * c[:, 1] > shoulder_m(body)) & (c[:, 2] > body.pivots[J["chest"]][2])
        is_arm = np.isin(main, [J[k] for k in (f"arm.{s}", f"clav.{s}", f"fore.{s}")]) & beyond
        out[is_arm] = np.where(arm[is_arm] < SLEEVE, code("sleeve"), code("forearm"))
        fore = along(body, c, f"fore.{s}", f"hand.{s}")
        is_fore = main == J[f"fore.{s}"]
        out[is_fore & (arm >= SLEEVE)] = code("forearm")
        out[is_fore & (fore > WRIST)] = code("glove")
        out[main == J[f"hand.{s}"]] = code("glove")
        is_shin = main == J[f"shin.{s}"]
        out[is_shin] = np.select(
            [shin[is_shin] < KNEE, shin[is_shin] < ANKLE], [code("pants"), code("sock")], code("shoe")
        )
        out[main == J[f"thigh.{s}"]] = code("pants")
        out[(main == J[f"foot.{s}"]) | (main == J[f"toe.{s}"])] = code("shoe")
    return out


# metres cloth stands off the body; officials' and bystanders' differ from the players'
CLOTH_M = {
    "shoe": 0.009, "jersey_front": 0.008, "jersey_back": 0.008, "sleeve": 0.010, "pants": 0.006,
    "belt": 0.006, "glove": 0.002, "sock": 0.002,
}  # fmt: skip
LOOSE_M = {
    "official": {"jersey_front": 0.014, "jersey_back": 0.014, "sleeve": 0.014, "pants": 0.016,
                 "belt": 0.008, "sock": 0.015},
    "ordinary": {"jersey_front": 0.028, "jersey_back": 0.028, "sleeve": 0.022, "forearm": 0.016,
                 "pants": 0.016, "belt": 0.022, "sock": 0.016},
}  # fmt: skip


def _bulk(body: Body, parts_at: list[set[int]], shape: str) -> np.ndarray:
    """(V,) metres each vertex is pushed outward: cloth and pads."""
    cloth = CLOTH_M | LOOSE_M.get(shape, {})
    out = np.array([max((cloth.get(PARTS[k], 0.0) for k in parts), default=0.0) for parts in parts_at])
    build = {"lineman": 1.0, "linebacker": 0.45, "skill": 0.3, "official": 0.35, "ordinary": 0.25}[shape]
    girth = {
        "belly": 0.024,
        "waist": 0.024,
        "chest": 0.016,
        "pelvis": 0.018,
        "thigh": 0.014,
        "arm": 0.009,
        "fore": 0.005,
        "shin": 0.006,
        "neck": 0.010,
        "clav": 0.010,
    }
    out += build * body.weights @ np.array([girth.get(j.partition(".")[0], 0.0) for j in JOINTS])
    if shape in PLAYERS:
        size = 1.15 if shape == "lineman" else 1.0
        v = body.vertices
        for s, sign in (("L", 1), ("R", -1)):
            cap = body.pivots[J[f"arm.{s}"]] + [0, sign * 0.03, 0.035]
            out += size * 0.046 * np.exp(-0.5 * (np.linalg.norm(v - cap, axis=1) / 0.085) ** 2)
            thigh, shin = (
                along(body, v, f"thigh.{s}", f"shin.{s}"),
                along(body, v, f"shin.{s}", f"foot.{s}"),
            )
            near = v[:, 1] * sign > 0.02
            front = v[:, 0] > body.pivots[J[f"thigh.{s}"]][0]
            out += near * front * 0.014 * np.exp(-0.5 * ((thigh - 0.5) / 0.16) ** 2) * (np.abs(v[:, 1]) < 0.3)
            out += near * front * 0.010 * np.exp(-0.5 * ((shin - 0.02) / 0.08) ** 2)
        torso = body.weights[:, [J["chest"], J["clav.L"], J["clav.R"]]].sum(1)
        high = np.clip((v[:, 2] - body.pivots[J["chest"]][2]) / 0.12, 0, 1)
        out += size * 0.026 * torso * high
    return out


def _pads_up(body: Body, shape: str) -> np.ndarray:
    """(V, 3) the flat, square line of shoulder pads between neck and shoulder: cloth lifted there."""
    out = np.zeros_like(body.vertices)
    if shape in PLAYERS:
        joint = body.pivots[J["arm.L"]]
        side = np.abs(body.vertices[:, 1]) / joint[1]
        above = body.vertices[:, 2] - joint[2] - 0.05
        over = np.exp(-0.5 * ((side - 0.82) / 0.30) ** 2 - 0.5 * (above / 0.07) ** 2)
        out[:, 2] = 0.042 * over * (body.weights[:, J["head"]] + body.weights[:, J["neck"]] < 0.5)
    return out


def _sphere(centre, radii, azimuths_deg, elevations_deg) -> np.ndarray:
    a, e = np.meshgrid(np.deg2rad(azimuths_deg), np.deg2rad(elevations_deg))
    d = np.stack([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)], -1)
    return centre + d * radii


def _grid_faces(rows: int, columns: int, wrap: bool) -> np.ndarray:
    out = []
    for r in range(rows - 1):
        for c in range(columns if wrap else columns - 1):
            a, b = r * columns + c, r * columns + (c + 1) % columns
            out += [(a, b, a + columns), (b, b + columns, a + columns)]
    return np.array(out)


def _shell(centre, radii, azimuths, elevations, keep, wrap=True) -> tuple[np.ndarray, np.ndarray]:
    """Part of an ellipsoid, elevations falling from the top; keep(azimuth, elevation) of a face's middle."""
    v = _sphere(centre, radii, azimuths, elevations).reshape(-1, 3)
    faces = _grid_faces(len(elevations), len(azimuths), wrap)[:, ::-1]
    mid = (v[faces].mean(1) - centre) / radii
    az = np.rad2deg(np.arctan2(mid[:, 1], mid[:, 0]))
    el = np.rad2deg(np.arcsin(np.clip(mid[:, 2] / np.linalg.norm(mid, axis=1), -1, 1)))
    return v, faces[keep(az, el)]


def _bar(
    points: np.ndarray, outward: np.ndarray, across: np.ndarray, half: float
) -> tuple[np.ndarray, np.ndarray]:
    """A bar with a triangular section along points."""
    ring = np.stack([points + half * outward, points - half * across, points + half * across], 1)
    ring[:, 1:] -= 0.6 * half * outward[:, None]
    faces = _grid_faces(len(points), 3, True)
    return ring.reshape(-1, 3), faces


def gear(body: Body, shape: str) -> list[tuple[str, np.ndarray, np.ndarray]]:
    """(part, vertices, faces) of the head gear; what the shape does not wear shrinks to the head's centre."""
    centre, half = _head_box(body)
    h_centre, h_radii = centre + [0.002, 0, 0.0], half + [0.036, 0.036, 0.030]
    out = []
    az = np.arange(0, 360, 30) + 15.0
    v, f = _shell(
        h_centre,
        h_radii,
        az,
        np.array([89, 62, 38, 14, -14, -42, -62]),
        lambda a, e: ~((np.abs(a) < 52) & (e < 14)) & ~((np.abs(a) > 130) & (e < -48)),
    )
    out.append(("helmet", v, f))
    mask_centre, mask_radii = h_centre + [0.012, 0, -0.01], h_radii + [0.028, 0.004, 0.03]
    for elevation, wide in ((-8, 62), (-27, 58), (-47, 60)):
        angles = np.linspace(-wide, wide, 7)
        p = _sphere(mask_centre, mask_radii, angles, np.array([elevation]))[0]
        o = p - mask_centre
        v, f = _bar(p, o / np.linalg.norm(o, axis=1, keepdims=True), np.tile([0, 0, 1.0], (7, 1)), 0.009)
        out.append(("facemask", v, f))
    for azimuth in (-16, 16):
        p = _sphere(mask_centre, mask_radii, np.array([azimuth]), np.array([-8, -27, -47]))[:, 0]
        o = p - mask_centre
        v, f = _bar(p, o / np.linalg.norm(o, axis=1, keepdims=True), np.tile([0, 1.0, 0], (3, 1)), 0.008)
        out.append(("facemask", v, f))
    out.append(
        (
            "visor",
            *_shell(
                h_centre,
                h_radii - [0.004, 0.004, 0],
                np.linspace(-54, 54, 5),
                np.array([16, 2, -12]),
                lambda a, e: e > -90,
                wrap=False,
            ),
        )
    )
    c_radii = half + [0.024, 0.022, 0.020]
    v, f = _shell(centre, c_radii, az, np.array([89, 55, 28, 12]), lambda a, e: e > -90)
    brim = _sphere(centre, c_radii, np.linspace(-65, 65, 6), np.array([16]))[0]
    tip = brim + (brim - centre) * [0.75, 0.12, -0.35] * np.cos(np.deg2rad(np.linspace(-65, 65, 6)))[:, None]
    b = np.concatenate([brim, tip])
    f = np.concatenate([f, _grid_faces(2, 6, False)[:, ::-1] + len(v)])
    v = np.concatenate([v, b])
    out.append(("cap", v, f))
    worn = {"helmet", "facemask", "visor"} if shape in PLAYERS else {"cap"}
    return [(name, v if name in worn else np.tile(centre, (len(v), 1)), f) for name, v, f in out]


def _uv(body: Body, p: np.ndarray, part: np.ndarray) -> np.ndarray:
    """(V, 2) decal coordinates as `PeopleLibrary.uv` describes them."""
    uv = np.zeros((len(p), 2))
    waist = waist_m(body)
    panel_height = body.pivots[J["neck"]][2] - waist
    sign = np.where(p[:, 1] >= 0, 1.0, -1.0)
    for name in PARTS:
        m = part == PARTS.index(name)
        if name.startswith("jersey") or name == "belt":
            y = p[m, 1] if name != "jersey_back" else -p[m, 1]
            uv[m] = np.stack([0.5 + y / PANEL_M[0], (p[m, 2] - waist) / panel_height], 1)
        elif name in ("helmet", "cap", "visor", "facemask", "hair", "skin"):
            centre, half = _head_box(body)
            uv[m] = np.stack([0.5 + p[m, 1] / 0.30, 0.5 - (p[m, 0] - centre[0]) / 0.34], 1)
        else:
            ends = {
                "sleeve": ("arm", "fore"),
                "forearm": ("fore", "hand"),
                "glove": ("fore", "hand"),
                "pants": ("thigh", "shin"),
                "sock": ("shin", "foot"),
                "shoe": ("shin", "foot"),
            }[name]
            for s, side in ((1.0, "L"), (-1.0, "R")):
                k = m & (sign == s)
                a, b = (body.pivots[J[f"{e}.{side}"]] for e in ends)
                t = along(body, p[k], f"{ends[0]}.{side}", f"{ends[1]}.{side}")
                d = p[k] - (a + t[:, None] * (b - a))
                axis = (b - a) / np.linalg.norm(b - a)
                out = (
                    np.array([0, s, 0.0])
                    if name not in ("sleeve", "forearm", "glove")
                    else np.array([0, s, 1.0])
                )
                out -= out @ axis * axis
                front = np.array([1.0, 0, 0]) - axis[0] * axis
                angle = np.arctan2(d @ front / np.linalg.norm(front), d @ out / np.linalg.norm(out))
                uv[k] = np.stack([0.5 - angle / (2 * np.pi), t], 1)
    return uv


def dress(body: Body, shape: str, parts: np.ndarray) -> Dressed:
    """Clothe a rest body: bulk, gear, seams split. parts: `face_parts` of the reference body."""
    at: list[set[int]] = [set() for _ in body.vertices]
    for face, part in zip(body.faces, parts, strict=True):
        for k in face:
            at[k].add(int(part))
    outward = vertex_normals(body.vertices, body.faces)
    bare = body.vertices + _pads_up(body, shape) + _bulk(body, at, shape)[:, None] * outward
    pairs, corner = np.unique(
        np.stack([body.faces.ravel(), np.repeat(parts, 3)], 1), axis=0, return_inverse=True
    )
    faces = [corner.reshape(-1, 3)]
    vertices, part, weights = [bare[pairs[:, 0]]], [pairs[:, 1]], [body.weights[pairs[:, 0]]]
    first: dict[int, int] = {}
    weld = [np.array([first.setdefault(int(o), k) for k, o in enumerate(pairs[:, 0])])]
    n = len(pairs)
    on_head = np.zeros(len(JOINTS))
    on_head[J["head"]] = 1
    for name, v, f in gear(body, shape):
        faces.append(f + n)
        vertices.append(v)
        part.append(np.full(len(v), PARTS.index(name)))
        weights.append(np.tile(on_head, (len(v), 1)))
        weld.append(np.arange(n, n + len(v)))
        n += len(v)
    all_v, all_part = np.concatenate(vertices), np.concatenate(part)
    uv = _uv(body, np.concatenate([body.vertices[pairs[:, 0]], all_v[len(pairs) :]]), all_part)
    floor = all_v[:, 2].min()
    all_v[:, 2] -= floor
    pivots = body.pivots - [0, 0, floor]
    dressed = Body(all_v, np.concatenate(faces), np.concatenate(weights), pivots, body.height)
    return Dressed(dressed, all_part.astype(np.uint8), uv.astype(np.float32), np.concatenate(weld))


def close_seam(faces: np.ndarray, uv: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Double vertices where u wraps round a limb, so that no face runs back through all of u.

    Returns (source (V',) old vertex of each new one, faces, uv (V', 2)); u may then reach a little above 1.
    """
    source, wrapped = list(range(len(uv))), uv.tolist()
    new: dict[int, int] = {}
    out = faces.copy()
    for row in out:
        u = uv[row, 0]
        if u.max() - u.min() > 0.5:
            for k in np.flatnonzero(u < 0.5):
                old = int(row[k])
                if old not in new:
                    new[old] = len(source)
                    source.append(old)
                    wrapped.append([uv[old, 0] + 1, uv[old, 1]])
                row[k] = new[old]
    return np.array(source), out, np.array(wrapped, np.float32)
