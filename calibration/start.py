"""A first camera from one frame's marks alone: no time, no game, no clicks.

Two yard lines and two transversals (hash rows, side lines) make a homography under each plausible
labelling; with square pixels and the principal point in the middle it splits into focal length,
rotation and place (Zhang 2000, the constraints on r1 and r2). Every candidate is scored against all
marks; the best go through the robust fit. x stays unknown by whole five yards; the end-zone view is
solved as if from behind x = 0 (the vote over the clip decides the rest).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from calibration import batch
from calibration.bundle import BOUNDARY, LINE, POSE, ROW, SIDE, Bundle, BundleResult, SharedPrior, weak_prior
from calibration.evidence import FrameMarks
from calibration.lines import ImageLine, find_lines, find_transversals
from calibration.standards import FieldStandard


@dataclass(frozen=True)
class FrameSolution:
    """One frame solved modulo five yards. score in about 0..3; accepted when the gates hold."""

    parameters: np.ndarray
    covariance: np.ndarray
    shared: np.ndarray
    score: float
    line_share: float
    line_precision: float
    row_share: float
    sd_px: float
    endzone: bool
    hash_from_sideline_yd: float
    accepted: bool
    reason: str = ""


@dataclass(frozen=True)
class ScoreParts:
    """Per hypothesis (K,): total and its parts."""

    total: np.ndarray
    line_share: np.ndarray
    precision: np.ndarray
    row_share: np.ndarray
    row_precision: np.ndarray
    side_share: np.ndarray
    edge: np.ndarray


def cameras_from_quads(px: np.ndarray, field_yd: np.ndarray, width: int, height: int) -> np.ndarray:
    """K quadrangles: image points (K, 4, 2), field places (K, 4, 2) -> plausible parameters (M, 9), k1 = crown = 0."""
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
    return np.stack([a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1], a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2],
                     a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]], 1)  # fmt: skip


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


def _labels(a: str, b: str, rows: np.ndarray, width: float, numbers: list[float]) -> list[tuple[float, float]]:
    """y of two transversals in order of growing y."""
    ys = {"row": [rows[0], rows[1]], "side": [0.0, width], "number": numbers}
    return [(p, q) for p in ys[a] for q in ys[b] if q > p]


def hypotheses(
    marks: FrameMarks, standard: FieldStandard, hash_yd: float, endzone: bool, rng: np.random.Generator,
    yard: list[ImageLine], across: list[tuple[str, ImageLine]],
) -> np.ndarray:  # fmt: skip
    """(K, 9) candidate parameters from pairs of yard lines and pairs of transversals."""
    rows = np.array([hash_yd, standard.width_yd - hash_yd])
    # Canadian numbers have no fixed place: no row of theirs is trusted
    numbers = [] if standard.name == "canadian" else list(standard.number_rows_yd)
    if len(yard) < 2 or len(across) < 2:
        return np.zeros((0, 9))
    strong = sorted(yard, key=lambda line: -line.weight)[:10]
    middle_line = strong[0]
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
    p = cameras_from_quads(np.array(image_quads).reshape(-1, 4, 2), np.array(field_quads).reshape(-1, 4, 2), w, h)
    if endzone:
        inside = (p[:, 6] > -12) & (p[:, 6] < standard.width_yd + 12)
        return p[(np.abs(p[:, 0] - 90) < 45) & (p[:, 5] < -2) & inside]
    return p[(np.abs(p[:, 0]) < 62) & (p[:, 6] < -2)]


def _sample(mask: np.ndarray, scale: float, px: np.ndarray) -> np.ndarray:
    """Values of a map (uint8) at picture pixels, 0..1."""
    c = np.round((px + 0.5) / scale - 0.5).astype(int)
    c[:, 0] = np.clip(c[:, 0], 0, mask.shape[1] - 1)
    c[:, 1] = np.clip(c[:, 1], 0, mask.shape[0] - 1)
    return mask[c[:, 1], c[:, 0]] / 255.0


def _in_boxes(px: np.ndarray, boxes: np.ndarray) -> np.ndarray:
    if not len(boxes):
        return np.zeros(len(px), bool)
    return ((px[:, None, 0] > boxes[:, 0]) & (px[:, None, 0] < boxes[:, 2]) & (px[:, None, 1] > boxes[:, 1])
            & (px[:, None, 1] < boxes[:, 3])).any(1)  # fmt: skip


def score(marks: FrameMarks, standard: FieldStandard, hash_yd: float, p: np.ndarray, tolerance: float = 3.0) -> ScoreParts:
    """How well each of K cameras (K, 9) explains one frame's marks, and the marks it would expect."""
    k, width = len(p), standard.width_yd
    unit = marks.unit_px
    principal = ((marks.width_px - 1) / 2, (marks.height_px - 1) / 2)
    rot = batch.rotations(p)
    line = marks.line_px[:: max(1, len(marks.line_px) // 160), :2]
    share = _explained_lines(line, p, rot, principal, width, tolerance * unit)
    rows = np.array([hash_yd, width - hash_yd])
    row_share = _explained_points(marks.row_px, rows, p, rot, principal, width, 2 * tolerance * unit)
    side_share = _explained_points(marks.side_px, np.array([0.0, width]), p, rot, principal, width, 2 * tolerance * unit)
    precision, row_precision = _expected(marks, rows, p, rot, principal, width, tolerance * unit)
    bound = marks.boundary_px[:: max(1, len(marks.boundary_px) // 60), :2]
    edge = np.zeros(k)
    if len(bound):
        n = len(bound)
        index = np.repeat(np.arange(k), n)
        xy, ok = batch.ground(np.tile(bound, (k, 1)), p, index, principal, width, rot)
        off = np.minimum(np.abs(xy[:, 1]), np.abs(xy[:, 1] - width))
        off = np.minimum(off, np.abs(xy[:, 0] - np.round(xy[:, 0] / 5) * 5) + 0.5)
        edge = (np.exp(-0.5 * (off / 0.8) ** 2) * ok).reshape(k, n).mean(1)
    total = share + 0.8 * precision + 0.8 * row_share + 0.5 * row_precision + 0.3 * side_share + 0.3 * edge
    total = total - 0.15 * (p[:, 2] / 3.0) ** 2
    return ScoreParts(total, share, precision, row_share, row_precision, side_share, edge)


def _explained_lines(px: np.ndarray, p: np.ndarray, rot: np.ndarray, principal: tuple[float, float], width: float,
                     tolerance: float) -> np.ndarray:  # fmt: skip
    k, n = len(p), len(px)
    if not n:
        return np.zeros(k)
    index = np.repeat(np.arange(k), n)
    tiled = np.tile(px, (k, 1))
    xy, ok = batch.ground(tiled, p, index, principal, width, rot)
    dx = [batch.ground(tiled + s, p, index, principal, width, rot)[0][:, 0] - xy[:, 0] for s in ((1.0, 0.0), (0.0, 1.0))]
    slope = np.maximum(np.hypot(*dx), 1e-4)  # yards per pixel across the line
    off = np.abs(xy[:, 0] - np.round(xy[:, 0] / 5) * 5) / slope
    chance = np.minimum(1.0, 2.5 * tolerance * slope / 5.0)
    ok &= (xy[:, 1] > -2) & (xy[:, 1] < width + 2)
    # crowded places (far lines a few pixels apart) can say little: each point weighs by what chance leaves
    gain = np.where(ok, np.exp(-0.5 * (off / tolerance) ** 2) - chance, -0.3 * (1 - chance))
    return gain.reshape(k, n).sum(1) / np.maximum((1 - chance).reshape(k, n).sum(1), 0.1 * n)


def _explained_points(points: np.ndarray, ys: np.ndarray, p: np.ndarray, rot: np.ndarray, principal: tuple[float, float],
                      width: float, tolerance: float) -> np.ndarray:  # fmt: skip
    k, n = len(p), len(points)
    if not n:
        return np.zeros(k)
    index = np.repeat(np.arange(k), n)
    tiled = np.tile(points[:, :2], (k, 1))
    xy, ok = batch.ground(tiled, p, index, principal, width, rot)
    target = np.column_stack([np.round(xy[:, 0] / 5) * 5, ys[np.abs(xy[:, 1:2] - ys).argmin(1)]])
    img, good = batch.image(target, p, index, principal, width, rot)
    off = np.hypot(*(img - tiled).T)
    gain = np.exp(-0.5 * (off / tolerance) ** 2) * (ok & good)
    return (gain.reshape(k, n) * points[:, 2]).sum(1) / points[:, 2].sum()


def _expected(marks: FrameMarks, rows: np.ndarray, p: np.ndarray, rot: np.ndarray, principal: tuple[float, float],
              width: float, tolerance: float) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Share of the expected line points that lie on the line map; share of expected crossings found."""
    k = len(p)
    centre, ok = batch.ground(np.tile([principal[0], principal[1] * 1.2], (k, 1)), p, np.arange(k), principal, width, rot)
    base = np.where(ok, np.round(centre[:, 0] / 5) * 5, 0.0)
    gx, gy = np.meshgrid(np.arange(-40, 41, 5.0), np.linspace(3, width - 3, 16))
    n = gx.size
    index = np.repeat(np.arange(k), n)
    xy = np.column_stack([np.tile(gx.ravel(), k) + base[index], np.tile(gy.ravel(), k)])
    px, good = batch.image(xy, p, index, principal, width, rot)
    good &= (px[:, 0] > 4) & (px[:, 1] > 4) & (px[:, 0] < marks.width_px - 4) & (px[:, 1] < marks.height_px - 4)
    beside, _ = batch.image(xy + [1.0, 0.0], p, index, principal, width, rot)
    good &= np.hypot(*(beside - px).T) > 2.5 * tolerance / 3.0 * 1.0
    good[good] &= ~_in_boxes(px[good], marks.boxes_xyxy)
    precision = np.full(k, 0.5)
    if marks.line_map is not None and good.any():
        soft = cv2.dilate(marks.line_map, np.ones((3, 3), np.uint8))
        value = np.where(good, np.minimum(_sample(soft, marks.map_scale, np.where(good[:, None], px, 0.0)) * 1.6, 1.0), 0.0)
        count = good.reshape(k, n).sum(1)
        precision = value.reshape(k, n).sum(1) / np.maximum(count, 8)
    cx, cy = np.meshgrid(np.arange(-40, 41, 5.0), rows)
    m = cx.size
    index = np.repeat(np.arange(k), m)
    xy = np.column_stack([np.tile(cx.ravel(), k) + base[index], np.tile(cy.ravel(), k)])
    px, good = batch.image(xy, p, index, principal, width, rot)
    good &= (px[:, 0] > 8) & (px[:, 1] > 8) & (px[:, 0] < marks.width_px - 8) & (px[:, 1] < marks.height_px - 8)
    found = np.zeros(len(px))
    if len(marks.row_px):
        far = np.sqrt(((px[:, None] - marks.row_px[None, :, :2]) ** 2).sum(-1)).min(1)
        found = np.exp(-0.5 * (far / (2 * tolerance)) ** 2)
    count = good.reshape(k, m).sum(1)
    return precision, (found * good).reshape(k, m).sum(1) / np.maximum(count, 4)


def transversals(marks: FrameMarks, rng: np.random.Generator) -> list[tuple[str, ImageLine]]:
    """Rows through the row crossings and side lines through the boundary ridge."""
    unit = marks.unit_px
    rows = find_transversals(marks.row_px[marks.row_px[:, 2] > 0.25], rng, 3.0 * unit, most=3)
    sides = find_lines(marks.boundary_px[:, :2], rng, 2.5 * unit, minimum=10, most=3)
    if not sides and len(marks.side_px) >= 3:
        sides = find_transversals(marks.side_px, rng, 3.0 * unit, most=2)
    numbers = find_transversals(marks.numeral_px[marks.numeral_px[:, 2] > 0.4], rng, 6.0 * unit, most=2)
    return [("row", r) for r in rows] + [("side", s) for s in sides] + [("number", n) for n in numbers]


def refine(
    marks: FrameMarks, standard: FieldStandard, hash_yd: float, p: np.ndarray, prior: SharedPrior,
    rounds: tuple[float, ...] = (6, 6, 4, 4, 3, 2.5),
) -> BundleResult:  # fmt: skip
    """The robust fit of one frame from parameters (9,)."""
    shared = np.array([p[2], p[4], 0.0, p[5], p[6], p[7], max(p[8], 0.0)])
    bundle = Bundle([marks], standard, prior, hash_yd, use=frozenset((LINE, BOUNDARY, ROW, SIDE)))
    return bundle.solve(p[None, POSE], shared, rounds)


def solve_frame(
    marks: FrameMarks, standard: FieldStandard, prior: SharedPrior | None = None, view: str | None = None, seed: int = 5,
    keep: int = 4,
) -> FrameSolution | None:  # fmt: skip
    """The best camera of one frame, modulo five yards along the field; None without any candidate.

    view: "sideline", "endzone" or None (both are tried). The result says whether it passed the gates.
    """
    rng = np.random.default_rng(seed)
    unit = marks.unit_px
    yard = find_lines(marks.line_px[:, :2], rng, 2.0 * unit)
    across = transversals(marks, rng)
    best: FrameSolution | None = None
    for endzone in (False, True):
        if view is not None and endzone != (view == "endzone"):
            continue
        for hash_yd in (standard.hash_from_sideline_yd, *standard.hash_alternatives_yd):
            p = hypotheses(marks, standard, hash_yd, endzone, rng, yard, across)
            if not len(p):
                continue
            total = np.concatenate([score(marks, standard, hash_yd, q, 4.0).total for q in np.array_split(p, len(p) // 300 + 1)])
            p = _best_distinct(p, total, keep)
            belief = prior or weak_prior(standard, endzone)
            for q in p:
                result = refine(marks, standard, hash_yd, q, belief)
                found = judge(marks, standard, hash_yd, result, endzone)
                if best is None or (found.accepted, found.score) > (best.accepted, best.score):
                    best = found
    return best


def search_poses(marks: FrameMarks, standard: FieldStandard, hash_yd: float, shared: np.ndarray, endzone: bool) -> np.ndarray:
    """(K, 9) candidate parameters for a camera whose place and lens are known: a grid over where it looks and
    how far it is zoomed. Aims at ground points so that every candidate has the field in view."""
    c = shared[3:6]
    aim_y = np.linspace(4, standard.width_yd - 4, 9)
    reach = np.arange(12.0, 95.0, 6.0) if endzone else np.arange(-46.0, 46.1, 2.0)
    out = []
    for along in reach:
        x = c[0] + along if endzone else c[0] + along
        for y in aim_y:
            d = np.array([x, y, 0.0]) - c
            distance = float(np.linalg.norm(d))
            pan, tilt = np.degrees(np.arctan2(d[0], d[1])), np.degrees(np.arctan2(-d[2], np.hypot(d[0], d[1])))
            for span in (20, 26, 33, 42, 54, 68):
                focal = np.log(marks.width_px * distance / span)
                out.append([pan, tilt, shared[0], focal, shared[1], *c, shared[6]])
    return np.array(out)


def solve_frame_from(
    marks: FrameMarks, standard: FieldStandard, hash_yd: float, shared: np.ndarray, endzone: bool, prior: SharedPrior,
    keep: int = 8,
) -> FrameSolution | None:  # fmt: skip
    """One frame of a camera whose place is known (another clip's): search over poses, then the robust fit."""
    p = search_poses(marks, standard, hash_yd, shared, endzone)
    total = np.concatenate([score(marks, standard, hash_yd, q, 12.0).total for q in np.array_split(p, max(1, len(p) // 400))])
    top = p[np.argsort(-total)[:60]]
    best: FrameSolution | None = None
    for q in _best_distinct(top, score(marks, standard, hash_yd, top, 8.0).total, keep):
        rough = refine(marks, standard, hash_yd, q, prior, (30, 20, 12, 8, 6, 4, 3, 2.5))
        found = judge(marks, standard, hash_yd, rough, endzone)
        if best is None or (found.accepted, found.score) > (best.accepted, best.score):
            best = found
    return best


def _best_distinct(p: np.ndarray, total: np.ndarray, keep: int) -> np.ndarray:
    out: list[np.ndarray] = []
    size = np.array([2.0, 2.0, 2.0, 0.08, 1.0, 1e6, 4.0, 2.0, 1.0])
    for i in np.argsort(-total):
        if all(np.abs((p[i] - q) / size).max() > 1 for q in out):
            out.append(p[i])
        if len(out) == keep:
            break
    return np.array(out)


def judge(
    marks: FrameMarks, standard: FieldStandard, hash_yd: float, result: BundleResult, endzone: bool, carried: bool = False
) -> FrameSolution:
    """Score a refined camera and hold it against the gates; the reason names the first gate that failed.

    carried: the pose came from a good neighbour, so fewer of its own marks suffice.
    """
    p = result.parameters[0]
    parts = score(marks, standard, hash_yd, p[None], 2.5)
    share, precision, row = float(parts.line_share[0]), float(parts.precision[0]), float(parts.row_share[0])
    reason = ""
    if len(marks.click_px):
        return _trusted(result, parts, endzone, hash_yd)
    focal_share = np.exp(p[3]) / marks.width_px
    if not (0.4 < focal_share < 12 and 2.0 < p[7] < 60 and abs(p[2]) < 8 and abs(p[4]) < 0.4):
        reason = "the camera would stand in an impossible place"
    elif (endzone and not (abs(p[0] - 90) < 50 and p[5] < 0 and -14 < p[6] < standard.width_yd + 14)) or (not endzone and p[6] > -2):
        reason = "the camera would stand on the field"
    elif share < (0.25 if carried else 0.3):
        reason = f"only {share:.0%} of the line points lie on a five-yard line"
    elif precision < 0.4:
        reason = f"only {precision:.0%} of the expected lines are seen"
    elif not _fixed_across(marks, parts, carried, standard, hash_yd, p):
        reason = f"only {row:.0%} of the hash-row crossings fit, and the side lines do not settle it"
    elif not result.sd_px[0] / marks.unit_px < 3.3:
        reason = f"marks miss by {result.sd_px[0]:.1f} px"
    return FrameSolution(p, result.covariance[0], result.shared, float(parts.total[0]), share, precision, row,
                         float(result.sd_px[0]), endzone, hash_yd, not reason, reason)  # fmt: skip


def _fixed_across(
    marks: FrameMarks, parts: ScoreParts, carried: bool, standard: FieldStandard, hash_yd: float, p: np.ndarray
) -> bool:
    """Whether hash rows or side lines confirm the scale across the field: two of them at least, unless the
    pose came from a neighbour."""
    row, expected, side = float(parts.row_share[0]), float(parts.row_precision[0]), float(parts.side_share[0])
    if carried:
        few = len(marks.row_px) < 4 and len(marks.side_px) < 4
        return few or row >= 0.15 or expected > 0.2 or side > 0.4
    if _anchors(marks, standard, hash_yd, p) < 2:
        return False
    return (row >= 0.35 and len(marks.row_px) >= 3) or expected > 0.4 or (side > 0.6 and len(marks.side_px) >= 3)


def _anchors(marks: FrameMarks, standard: FieldStandard, hash_yd: float, p: np.ndarray) -> int:
    """How many of the four rows (hash rows, side lines) are seen: two crossings or ten ridge points each."""
    width = standard.width_yd
    principal = ((marks.width_px - 1) / 2, (marks.height_px - 1) / 2)
    count = 0
    for points, y, need in (
        (marks.row_px, hash_yd, 2), (marks.row_px, width - hash_yd, 2),
        (marks.boundary_px, 0.0, 10), (marks.boundary_px, width, 10),
    ):  # fmt: skip
        if len(points):
            xy, ok = batch.ground(points[:, :2], p[None], np.zeros(len(points), int), principal, width)
            count += int((ok & (np.abs(xy[:, 1] - y) < 0.7)).sum() >= need)
    return count


def _trusted(result: BundleResult, parts: ScoreParts, endzone: bool, hash_yd: float) -> FrameSolution:
    """A frame that a person clicked: its own gates have been passed already."""
    return FrameSolution(result.parameters[0], result.covariance[0], result.shared, float(parts.total[0]),
                         float(parts.line_share[0]), float(parts.precision[0]), float(parts.row_share[0]),
                         float(result.sd_px[0]), endzone, hash_yd, True)  # fmt: skip


__all__ = ["BOUNDARY", "LINE", "ROW", "SIDE", "FrameSolution", "camera_from_quad", "judge", "refine", "score", "solve_frame"]
