"""Candidate cameras from quadrangles: two yard lines and two transversals under each plausible labelling.

With square pixels and the principal point in the middle a homography splits into focal length, rotation
and place (Zhang 2000, the constraints on r1 and r2).
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from calibration import batch
from calibration.evidence import FrameMarks
from calibration.lines import ImageLine, find_lines, find_transversals
from calibration.standards import FieldStandard

ALONG_DEG = 6.0


def cameras_from_quads(px: np.ndarray, field_yd: np.ndarray, width: int, height: int) -> np.ndarray:
    """K quadrangles: image points (K, 4, 2), field places (K, 4, 2) -> plausible parameters (M, 9), k1
    = crown = 0."""
    if not len(px):
        return np.zeros((0, 9))
    half = width / 2
    q = (px - [(width - 1) / 2, (height - 1) / 2]) / half
    h = _homographies(field_yd / 20.0, q)
    h[:, :, :2] /= 20.0
    keep = np.isfinite(h).all((1, 2))
    h, field_yd = h[keep], field_yd[keep]
    h = h / np.linalg.norm(h, axis=(1, 2), keepdims=True)
    a, b = h[:, :, 0], h[:, :, 1]
    # r1 . r2 = 0 and |r1| = |r2| are linear in w = 1 / f^2
    k = np.stack([a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1], (a[:, :2] ** 2).sum(1) - (b[:, :2] ** 2).sum(1)], 1)
    m = np.stack([a[:, 2] * b[:, 2], a[:, 2] ** 2 - b[:, 2] ** 2], 1)
    w = -(k * m).sum(1) / np.maximum((k * k).sum(1), 1e-18)
    keep = (w > 1 / 14.0**2) & (w < 1 / 0.5**2)
    h, w, field_yd = h[keep], w[keep], field_yd[keep]
    f = 1 / np.sqrt(w)
    g = h.copy()
    g[:, :2] /= f[:, None, None]
    g /= np.sqrt(np.linalg.norm(g[:, :, 0], axis=1) * np.linalg.norm(g[:, :, 1], axis=1))[:, None, None]
    middle = field_yd.mean(1)
    ahead = g[:, 2, 0] * middle[:, 0] + g[:, 2, 1] * middle[:, 1] + g[:, 2, 2]
    g = np.where(ahead[:, None, None] < 0, -g, g)
    rot = np.stack([g[:, :, 0], g[:, :, 1], _cross(g[:, :, 0], g[:, :, 1])], 2)
    u, _, vt = np.linalg.svd(rot)
    rot = u @ vt
    centre = -np.einsum("nji,nj->ni", rot, g[:, :, 2])
    angles = _angles(rot)
    ok = (centre[:, 2] > 2.5) & (centre[:, 2] < 60) & (np.abs(angles[:, 2]) < 8) & (angles[:, 1] > -2)
    ok &= (angles[:, 1] < 60) & (np.linalg.norm(centre, axis=1) < 250)
    zero = np.zeros(len(f))
    return np.column_stack([angles, np.log(f * half), zero, centre, zero])[ok]


def camera_from_quad(px: np.ndarray, field_yd: np.ndarray, width: int, height: int) -> np.ndarray | None:
    """One quadrangle (4, 2), (4, 2) -> parameters (9,) or None."""
    p = cameras_from_quads(px[None], field_yd[None], width, height)
    return p[0] if len(p) else None


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.stack(
        [
            a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1],
            a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2],
            a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0],
        ],
        1,
    )


def _homographies(src: np.ndarray, dst: np.ndarray) -> np.ndarray:
    """(K, 3, 3) with h22 = 1 from four points each (direct linear equations); NaN where degenerate."""
    k = len(src)
    a, b = np.zeros((k, 8, 8)), np.zeros((k, 8))
    for i in range(4):
        x, y, u, v = src[:, i, 0], src[:, i, 1], dst[:, i, 0], dst[:, i, 1]
        a[:, 2 * i, 0], a[:, 2 * i, 1], a[:, 2 * i, 2] = x, y, 1
        a[:, 2 * i, 6], a[:, 2 * i, 7] = -u * x, -u * y
        a[:, 2 * i + 1, 3], a[:, 2 * i + 1, 4], a[:, 2 * i + 1, 5] = x, y, 1
        a[:, 2 * i + 1, 6], a[:, 2 * i + 1, 7] = -v * x, -v * y
        b[:, 2 * i], b[:, 2 * i + 1] = u, v
    good = np.abs(np.linalg.det(a)) > 1e-9
    out = np.full((k, 3, 3), np.nan)
    if good.any():
        h = np.linalg.solve(a[good], b[good][..., None])[..., 0]
        out[good] = np.concatenate([h, np.ones((len(h), 1))], 1).reshape(-1, 3, 3)
    return out


def _angles(rot: np.ndarray) -> np.ndarray:
    """(K, 3) pan, tilt, roll in degrees of rotations (K, 3, 3), as camera.angles_from_rotation."""
    forward = rot[:, 2]
    pan, tilt = np.arctan2(forward[:, 0], forward[:, 1]), -np.arcsin(np.clip(forward[:, 2], -1, 1))
    zero = np.zeros(len(rot))
    level = batch.rotations(np.column_stack([np.degrees(pan), np.degrees(tilt), zero]))
    roll = np.arctan2((rot[:, 0] * level[:, 1]).sum(1), (rot[:, 0] * level[:, 0]).sum(1))
    return np.degrees(np.column_stack([pan, tilt, roll]))


def _order(lines: list[ImageLine], across: ImageLine, axis: int) -> list[tuple[float, ImageLine]]:
    """Lines by where they meet ``across`` (u for axis 0, -v for axis 1)."""
    out = []
    for line in lines:
        p = across.meet(line)
        if p is not None:
            out.append((float(p[0]) if axis == 0 else float(-p[1]), line))
    return sorted(out, key=lambda t: t[0])


def _labels(
    a: str, b: str, rows: np.ndarray, width: float, numbers: list[float]
) -> list[tuple[float, float]]:
    """y of two transversals in order of growing y."""
    ys = {"row": [rows[0], rows[1]], "side": [0.0, width], "number": numbers}
    return [(p, q) for p in ys[a] for q in ys[b] if q > p]


def _without_strays(yard: list[ImageLine], across: list[tuple[str, ImageLine]]) -> list[ImageLine]:
    """Yard lines without those strung along a transversal from scraps: in a low view the crowded far lines
    lend points to long thin lines below the horizon."""
    if not yard or not across:
        return yard
    density = np.array([y.weight / max(float(np.hypot(*(y.end_px - y.start_px))), 1.0) for y in yard])
    thin = density < 0.5 * np.percentile(density, 90)
    along = _cosines(yard, across).max(1) > np.cos(np.radians(ALONG_DEG))
    return [y for y, stray in zip(yard, thin & along, strict=True) if not stray]


def _cosines(yard: list[ImageLine], across: list[tuple[str, ImageLine]]) -> np.ndarray:
    """(Y, A) cosine of the angle between each yard line and each transversal in the picture."""
    return np.abs(np.array([y.abc[:2] for y in yard]) @ np.array([t.abc[:2] for _, t in across]).T)


def hypotheses(
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    endzone: bool,
    rng: np.random.Generator,
    yard: list[ImageLine],
    across: list[tuple[str, ImageLine]],
) -> np.ndarray:
    """(K, 9) candidate parameters from pairs of yard lines and pairs of transversals."""
    rows = np.array([hash_yd, standard.width_yd - hash_yd])
    # Canadian numbers have no fixed place: no row of theirs is trusted
    numbers = [] if standard.name == "canadian" else list(standard.number_rows_yd)
    yard = _without_strays(yard, across)
    if len(yard) < 2 or len(across) < 2:
        return np.zeros((0, 9))
    strong = sorted(yard, key=lambda line: -line.weight)[:10]
    middle_line = strong[int(_cosines(strong, across).max(1).argmin())]  # crosses them all most steeply
    w, h = marks.width_px, marks.height_px
    placed = []
    for kind, line in across:
        p = middle_line.meet(line)
        if p is not None and -1.5 * w < p[0] < 2.5 * w and -1.5 * h < p[1] < 2.5 * h:
            # growing y: up in the picture from the side line, leftward from behind the end zone (pan +90)
            placed.append((float(-p[0]) if endzone else float(-p[1]), kind, line))
    placed.sort(key=lambda t: t[0])
    image_quads: list[np.ndarray] = []
    field_quads: list[np.ndarray] = []
    for (_, ka, ta), (_, kb, tb) in combinations(placed, 2):
        ordered = [line for _, line in _order(strong, ta, 1 if endzone else 0)]
        meets = [(line.meet(ta), line.meet(tb)) for line in ordered]
        labels = _labels(ka, kb, rows, standard.width_yd, numbers)
        for i, j in combinations(range(len(ordered)), 2):
            if j - i > 3 or any(c is None for c in (*meets[i], *meets[j])):
                continue
            corners = np.array([*meets[i], *meets[j]])
            for ya, yb in labels:
                for gap in range(max(1, j - i - 1), j - i + 3):
                    x = 5.0 * gap
                    image_quads.append(corners)
                    field_quads.append(np.array([[0, ya], [0, yb], [x, ya], [x, yb]]))
    p = cameras_from_quads(
        np.array(image_quads).reshape(-1, 4, 2), np.array(field_quads).reshape(-1, 4, 2), w, h
    )
    if endzone:
        inside = (p[:, 6] > -12) & (p[:, 6] < standard.width_yd + 12)
        return p[(np.abs(p[:, 0] - 90) < 45) & (p[:, 5] < -2) & inside]
    return p[(np.abs(p[:, 0]) < 62) & (p[:, 6] < -2)]


def transversals(marks: FrameMarks, rng: np.random.Generator) -> list[tuple[str, ImageLine]]:
    """Rows through the row crossings and side lines through the boundary ridge."""
    unit = marks.unit_px
    rows = find_transversals(marks.row_px[marks.row_px[:, 2] > 0.25], rng, 3.0 * unit, most=3)
    sides = find_lines(marks.boundary_px[:, :2], rng, 2.5 * unit, minimum=10, most=3)
    if not sides and len(marks.side_px) >= 3:
        sides = find_transversals(marks.side_px, rng, 3.0 * unit, most=2)
    numbers = find_transversals(marks.numeral_px[marks.numeral_px[:, 2] > 0.4], rng, 6.0 * unit, most=2)
    return [("row", r) for r in rows] + [("side", s) for s in sides] + [("number", n) for n in numbers]
