"""A first camera from one frame's marks alone: no time, no game, no clicks.

Two yard lines and two transversals (hash rows, side lines) make a homography under each plausible
labelling; with square pixels and the principal point in the middle it splits into focal length,
rotation and place (Zhang 2000, the constraints on r1 and r2). Every candidate is scored against all
marks; the best go through the robust fit. x stays unknown by whole five yards; the end-zone view is
solved as if from behind x = 0 (the vote over the clip decides the rest).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration import batch
from calibration.bundle import POSE, Bundle, BundleResult
from calibration.evidence import FrameMarks
from calibration.lines import find_lines
from calibration.numerals import whole
from calibration.prior import SharedPrior, weak_prior
from calibration.quads import hypotheses, transversals
from calibration.scoring import ScoreParts, score
from calibration.sightings import BOUNDARY, LINE, NUMERAL, ROW, SIDE
from calibration.standards import FieldStandard
from calibration.stature import SHORT_YD, TALL_YD, upright_yd


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


def refine(
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    p: np.ndarray,
    prior: SharedPrior,
    rounds: tuple[float, ...] = (6, 6, 4, 4, 3, 2.5),
) -> BundleResult:
    """The robust fit of one frame from parameters (9,)."""
    shared = np.array([p[2], p[4], 0.0, p[5], p[6], p[7], max(p[8], 0.0), prior.mean[7]])
    kinds = {LINE, BOUNDARY, ROW, SIDE} | ({NUMERAL} if prior.number_yd is not None else set())
    bundle = Bundle([marks], standard, prior, hash_yd, use=frozenset(kinds))
    return bundle.solve(p[None, POSE], shared, rounds)


def solve_frame(
    marks: FrameMarks,
    standard: FieldStandard,
    prior: SharedPrior | None = None,
    view: str | None = None,
    seed: int = 5,
    keep: int = 4,
) -> FrameSolution | None:
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
            belief = prior or weak_prior(standard, endzone)
            total = _totals(marks, standard, hash_yd, p, 4.0, belief.number_yd)
            p = _best_distinct(p, total, keep)
            for q in p:
                result = refine(marks, standard, hash_yd, q, belief)
                found = judge(marks, standard, hash_yd, result, endzone, number_yd=belief.number_yd)
                if best is None or (found.accepted, found.score) > (best.accepted, best.score):
                    best = found
    return best


def search_poses(
    marks: FrameMarks, standard: FieldStandard, hash_yd: float, shared: np.ndarray, endzone: bool
) -> np.ndarray:
    """(K, 9) candidate parameters for a camera whose place and lens are known: a grid over where it looks and
    how far it is zoomed. Aims at ground points so that every candidate has the field in view."""
    c = shared[3:6]
    aim_y = np.linspace(4, standard.width_yd - 4, 9)
    far = max(95.0, 0.8 * standard.length_yd - c[0])  # a camera may stand 65 yd behind the goal line
    reach = np.arange(12.0, far, 6.0) if endzone else np.arange(-46.0, 46.1, 2.0)
    out = []
    for along in reach:
        x = c[0] + along if endzone else c[0] + along
        for y in aim_y:
            d = np.array([x, y, 0.0]) - c
            distance = float(np.linalg.norm(d))
            pan, tilt = (
                np.degrees(np.arctan2(d[0], d[1])),
                np.degrees(np.arctan2(-d[2], np.hypot(d[0], d[1]))),
            )
            for span in (20, 26, 33, 42, 54, 68):
                focal = np.log(marks.width_px * distance / span)
                out.append([pan, tilt, shared[0], focal, shared[1], *c, shared[6]])
    return np.array(out)


def poses_by_crossings(
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    shared: np.ndarray,
    number_yd: float | None = None,
    most: int = 3,
) -> np.ndarray:
    """(K, 9) candidates for a camera whose place and lens are known, from single crossings.

    A long lens often shows one hash row only, or none and a side line. Each of the ``most`` crossings nearest
    the middle may be the crossing of either row with any yard line; with a focal length that gives where the
    camera looks. So may a crossing of a side line, and a painted number where its row is known.
    """
    found = [_by_one_row(marks, standard, marks.row_px, hash_yd, shared, most)]
    if number_yd is not None:
        found.append(_by_one_row(marks, standard, marks.numeral_px, number_yd, shared, most))
    found.append(_by_one_row(marks, standard, marks.side_px, 0.0, shared, most))
    return np.concatenate(found)


def _by_one_row(
    marks: FrameMarks,
    standard: FieldStandard,
    points: np.ndarray,
    row_yd: float,
    shared: np.ndarray,
    most: int,
) -> np.ndarray:
    """(K, 9): each of the points nearest the middle taken for a crossing of a row."""
    c = shared[3:6]
    middle = np.array([(marks.width_px - 1) / 2, (marks.height_px - 1) / 2])
    order = np.argsort(np.linalg.norm(points[:, :2] - middle, axis=1))[:most]
    x = np.arange(0.0, standard.length_yd + 0.1, 5.0)
    y = np.array([row_yd, standard.width_yd - row_yd])
    focal = np.exp(np.arange(np.log(0.8), np.log(9.0), 0.06)) * marks.width_px
    u, v = (points[order, k] - middle[k] for k in (0, 1))
    at, to_x, to_y, f = (a.ravel() for a in np.meshgrid(np.arange(len(order)), x - c[0], y - c[1], focal))
    at = at.astype(int)
    pan = np.degrees(np.arctan2(to_x, to_y) - np.arctan(u[at] / f))
    tilt = np.degrees(np.arctan2(c[2], np.hypot(to_x, to_y)) - np.arctan(v[at] / f))
    rest = np.array([shared[0], shared[1], *c, shared[6]])
    p = np.empty((len(at), 9))
    p[:, 0], p[:, 1], p[:, 3] = pan, tilt, np.log(f)
    p[:, [2, 4, 5, 6, 7, 8]] = rest
    return p[(to_x > 5) & (tilt > 0)]


def solve_frame_from(
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    shared: np.ndarray,
    endzone: bool,
    prior: SharedPrior,
    keep: int = 8,
) -> FrameSolution | None:
    """One frame of a camera whose place is known (another clip's): search over poses, then the robust fit."""
    number_yd = prior.number_yd
    p = search_poses(marks, standard, hash_yd, shared, endzone)
    p = np.concatenate([p, poses_by_crossings(marks, standard, hash_yd, shared, number_yd)])
    total = _totals(marks, standard, hash_yd, p, 12.0, number_yd)
    top = p[np.argsort(-total)[:60]]
    best: FrameSolution | None = None
    for q in _best_distinct(top, _totals(marks, standard, hash_yd, top, 8.0, number_yd), keep):
        rough = refine(marks, standard, hash_yd, q, prior, (30, 20, 12, 8, 6, 4, 3, 2.5))
        found = judge(marks, standard, hash_yd, rough, endzone, known=True, number_yd=number_yd)
        if best is None or (found.accepted, found.score) > (best.accepted, best.score):
            best = found
    return best


def _totals(
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    p: np.ndarray,
    tolerance: float,
    number_yd: float | None,
) -> np.ndarray:
    """Scores (K,) of many candidates, some hundreds at a time."""
    parts = np.array_split(p, len(p) // 300 + 1)
    return np.concatenate([score(marks, standard, hash_yd, q, tolerance, number_yd).total for q in parts])


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
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    result: BundleResult,
    endzone: bool,
    carried: bool = False,
    known: bool = False,
    number_yd: float | None = None,
) -> FrameSolution:
    """Score a refined camera and hold it against the gates; the reason names the first gate that failed.

    carried: the pose came from a good neighbour, so fewer of its own marks suffice. known: the camera's place
    is known from other clips, so one hash row or side line fixes it across the field. number_yd: distance of
    the numbers' rows from the side lines where it is known: they then count as rows too.
    """
    p = result.parameters[0]
    marks = _with_whole_numbers(marks, p, standard)
    parts = score(marks, standard, hash_yd, p[None], 2.5, number_yd)
    share, precision, row = float(parts.line_share[0]), float(parts.precision[0]), float(parts.row_share[0])
    if carried or precision > 0.6:  # a crowded stand may hold most of the line points
        share = float(np.nanmax([share, parts.field_share[0]]))
    reason = ""
    if len(marks.click_px):
        return _trusted(result, parts, endzone, hash_yd)
    focal_share = np.exp(p[3]) / marks.width_px
    if not (0.4 < focal_share < 12 and 2.0 < p[7] < 60 and abs(p[2]) < 8 and abs(p[4]) < 0.4):
        reason = "the camera would stand in an impossible place"
    elif (endzone and not (abs(p[0] - 90) < 50 and p[5] < 0 and -14 < p[6] < standard.width_yd + 14)) or (
        not endzone and p[6] > -2
    ):
        reason = "the camera would stand on the field"
    elif share < (0.25 if carried else 0.3):
        reason = f"only {share:.0%} of the line points lie on a five-yard line"
    elif precision < 0.4:
        reason = f"only {precision:.0%} of the expected lines are seen"
    elif not _fixed_across(marks, parts, carried, standard, hash_yd, p, number_yd, known):
        reason = f"only {row:.0%} of the hash-row crossings fit, and the side lines do not settle it"
    elif not result.sd_px[0] / marks.unit_px < 3.3:
        reason = f"marks miss by {result.sd_px[0]:.1f} px"
    elif not carried:
        reason = _no_men(marks, p, standard)
    return FrameSolution(
        p,
        result.covariance[0],
        result.shared,
        float(parts.total[0]),
        share,
        precision,
        row,
        float(result.sd_px[0]),
        endzone,
        hash_yd,
        not reason,
        reason,
    )


def _no_men(marks: FrameMarks, p: np.ndarray, standard: FieldStandard) -> str:
    """Why the people in the picture could not be men by this camera; "" when they could."""
    tall = upright_yd(marks.boxes_xyxy, p, (marks.width_px, marks.height_px), standard.width_yd)
    return f"men would be {tall:.1f} yd tall" if tall < SHORT_YD or tall > TALL_YD else ""


def _with_whole_numbers(marks: FrameMarks, p: np.ndarray, standard: FieldStandard) -> FrameMarks:
    px, size = marks.numeral_px, (marks.width_px, marks.height_px)
    seen = whole(px[:, :2], p[None], np.zeros(len(px), int), size, standard.width_yd)
    return replace(marks, numeral_px=px[seen])


def _fixed_across(
    marks: FrameMarks,
    parts: ScoreParts,
    carried: bool,
    standard: FieldStandard,
    hash_yd: float,
    p: np.ndarray,
    number_yd: float | None,
    known: bool,
) -> bool:
    """Whether hash rows, side lines or known rows of numbers confirm the scale across the field: two of them,
    one for a known camera, unless the pose came from a neighbour."""
    row, expected, side = float(parts.row_share[0]), float(parts.row_precision[0]), float(parts.side_share[0])
    number = float(parts.number_share[0])
    if carried:
        few = len(marks.row_px) < 4 and len(marks.side_px) < 4
        return few or row >= 0.15 or expected > 0.2 or side > 0.4 or number > 0.4
    if _anchors(marks, standard, hash_yd, p, number_yd) < (1 if known else 2):
        return False
    if number > 0.6 and len(marks.numeral_px) >= 3:
        return True
    return (
        (row >= 0.35 and len(marks.row_px) >= 3) or expected > 0.4 or (side > 0.6 and len(marks.side_px) >= 3)
    )


def _anchors(
    marks: FrameMarks, standard: FieldStandard, hash_yd: float, p: np.ndarray, number_yd: float | None
) -> int:
    """How many of the rows (hash rows, side lines, known rows of numbers) are seen: two crossings, three
    numbers or ten ridge points each."""
    width = standard.width_yd
    principal = ((marks.width_px - 1) / 2, (marks.height_px - 1) / 2)
    rows = [(marks.row_px, hash_yd, 2), (marks.boundary_px, 0.0, 10)]
    if number_yd is not None:
        rows.append((marks.numeral_px, number_yd, 3))
    count = 0
    for points, y, need in rows + [(points, width - y, need) for points, y, need in rows]:
        if len(points):
            xy, ok = batch.ground(points[:, :2], p[None], np.zeros(len(points), int), principal, width)
            count += int((ok & (np.abs(xy[:, 1] - y) < 0.7)).sum() >= need)
    return count


def _trusted(result: BundleResult, parts: ScoreParts, endzone: bool, hash_yd: float) -> FrameSolution:
    """A frame that a person clicked: its own gates have been passed already."""
    return FrameSolution(
        result.parameters[0],
        result.covariance[0],
        result.shared,
        float(parts.total[0]),
        float(parts.line_share[0]),
        float(parts.precision[0]),
        float(parts.row_share[0]),
        float(result.sd_px[0]),
        endzone,
        hash_yd,
        True,
    )
