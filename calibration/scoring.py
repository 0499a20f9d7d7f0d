"""How well a camera explains one frame's marks, and whether the marks it expects are there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration import batch
from calibration.evidence import FrameMarks, in_boxes
from calibration.standards import FieldStandard

NUMBER_LOOSE = 4.0  # a number is found less sharply than a line
LEAST_ON_FIELD = 25  # of at most some 320 line points


@dataclass(frozen=True)
class ScoreParts:
    """Per hypothesis (K,): total and its parts. line_share counts all line points, field_share those that the
    camera puts on the field (a crowded stand is full of false ones); NaN where these are too few.
    number_share is 0 where the place of the numbers' rows is not known."""

    total: np.ndarray
    line_share: np.ndarray
    field_share: np.ndarray
    precision: np.ndarray
    row_share: np.ndarray
    row_precision: np.ndarray
    side_share: np.ndarray
    edge: np.ndarray
    number_share: np.ndarray


def _sample(mask: np.ndarray, scale: float, px: np.ndarray) -> np.ndarray:
    """Values of a map (uint8) at picture pixels, 0..1."""
    c = np.round((px + 0.5) / scale - 0.5).astype(int)
    c[:, 0] = np.clip(c[:, 0], 0, mask.shape[1] - 1)
    c[:, 1] = np.clip(c[:, 1], 0, mask.shape[0] - 1)
    return mask[c[:, 1], c[:, 0]] / 255.0


def score(
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    p: np.ndarray,
    tolerance: float = 3.0,
    number_yd: float | None = None,
) -> ScoreParts:
    """How well each of K cameras (K, 9) explains one frame's marks, and the marks it would expect. number_yd:
    distance of the numbers' rows from their side lines, where known."""
    k, width = len(p), standard.width_yd
    unit = marks.unit_px
    principal = ((marks.width_px - 1) / 2, (marks.height_px - 1) / 2)
    rot = batch.rotations(p)
    line = marks.line_px[:: max(1, len(marks.line_px) // 160), :2]
    share, on_field = _explained_lines(line, p, rot, principal, width, tolerance * unit)
    rows = np.array([hash_yd, width - hash_yd])
    row_share = _explained_points(marks.row_px, rows, p, rot, principal, width, 2 * tolerance * unit)
    side_share = _explained_points(
        marks.side_px, np.array([0.0, width]), p, rot, principal, width, 2 * tolerance * unit
    )
    number_share = np.zeros(k)
    if number_yd is not None:
        rows_of_numbers = np.array([number_yd, width - number_yd])
        number_share = _explained_points(
            marks.numeral_px, rows_of_numbers, p, rot, principal, width, NUMBER_LOOSE * tolerance * unit
        )
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
    total = total + 0.5 * number_share - 0.15 * (p[:, 2] / 3.0) ** 2
    return ScoreParts(
        total, share, on_field, precision, row_share, row_precision, side_share, edge, number_share
    )


def _explained_lines(
    px: np.ndarray,
    p: np.ndarray,
    rot: np.ndarray,
    principal: tuple[float, float],
    width: float,
    tolerance: float,
) -> tuple[np.ndarray, np.ndarray]:
    """(K,) share of all line points explained; share of those on the field."""
    k, n = len(p), len(px)
    if not n:
        return np.zeros(k), np.full(k, np.nan)
    index = np.repeat(np.arange(k), n)
    tiled = np.tile(px, (k, 1))
    xy, ok = batch.ground(tiled, p, index, principal, width, rot)
    dx = [
        batch.ground(tiled + s, p, index, principal, width, rot)[0][:, 0] - xy[:, 0]
        for s in ((1.0, 0.0), (0.0, 1.0))
    ]
    slope = np.maximum(np.hypot(*dx), 1e-4)  # yards per pixel across the line
    off = np.abs(xy[:, 0] - np.round(xy[:, 0] / 5) * 5) / slope
    chance = np.minimum(1.0, 2.5 * tolerance * slope / 5.0)
    ok &= (xy[:, 1] > -2) & (xy[:, 1] < width + 2)
    # crowded places (far lines a few pixels apart) can say little: each point weighs by what chance leaves
    gain = np.where(ok, np.exp(-0.5 * (off / tolerance) ** 2) - chance, -0.3 * (1 - chance))
    left, inside = (1 - chance).reshape(k, n), ok.reshape(k, n)
    share = gain.reshape(k, n).sum(1) / np.maximum(left.sum(1), 0.1 * n)
    on_field = (gain.reshape(k, n) * inside).sum(1) / np.maximum((left * inside).sum(1), 0.02 * n)
    return share, np.where(inside.sum(1) >= LEAST_ON_FIELD, on_field, np.nan)


def _explained_points(
    points: np.ndarray,
    ys: np.ndarray,
    p: np.ndarray,
    rot: np.ndarray,
    principal: tuple[float, float],
    width: float,
    tolerance: float,
) -> np.ndarray:
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


def _expected(
    marks: FrameMarks,
    rows: np.ndarray,
    p: np.ndarray,
    rot: np.ndarray,
    principal: tuple[float, float],
    width: float,
    tolerance: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Share of the expected line points that lie on the line map; share of expected crossings found."""
    k = len(p)
    centre, ok = batch.ground(
        np.tile([principal[0], principal[1] * 1.2], (k, 1)), p, np.arange(k), principal, width, rot
    )
    base = np.where(ok, np.round(centre[:, 0] / 5) * 5, 0.0)
    gx, gy = np.meshgrid(np.arange(-40, 41, 5.0), np.linspace(3, width - 3, 16))
    n = gx.size
    index = np.repeat(np.arange(k), n)
    xy = np.column_stack([np.tile(gx.ravel(), k) + base[index], np.tile(gy.ravel(), k)])
    px, good = batch.image(xy, p, index, principal, width, rot)
    good &= (
        (px[:, 0] > 4) & (px[:, 1] > 4) & (px[:, 0] < marks.width_px - 4) & (px[:, 1] < marks.height_px - 4)
    )
    beside, _ = batch.image(xy + [1.0, 0.0], p, index, principal, width, rot)
    good &= np.hypot(*(beside - px).T) > 2.5 * tolerance / 3.0 * 1.0
    good[good] &= ~in_boxes(px[good], marks.boxes_xyxy)
    precision = np.full(k, 0.5)
    if marks.line_map is not None and good.any():
        soft = cv2.dilate(marks.line_map, np.ones((3, 3), np.uint8))
        value = np.where(
            good, np.minimum(_sample(soft, marks.map_scale, np.where(good[:, None], px, 0.0)) * 1.6, 1.0), 0.0
        )
        count = good.reshape(k, n).sum(1)
        precision = value.reshape(k, n).sum(1) / np.maximum(count, 8)
    cx, cy = np.meshgrid(np.arange(-40, 41, 5.0), rows)
    m = cx.size
    index = np.repeat(np.arange(k), m)
    xy = np.column_stack([np.tile(cx.ravel(), k) + base[index], np.tile(cy.ravel(), k)])
    px, good = batch.image(xy, p, index, principal, width, rot)
    good &= (
        (px[:, 0] > 8) & (px[:, 1] > 8) & (px[:, 0] < marks.width_px - 8) & (px[:, 1] < marks.height_px - 8)
    )
    found = np.zeros(len(px))
    if len(marks.row_px):
        far = np.sqrt(((px[:, None] - marks.row_px[None, :, :2]) ** 2).sum(-1)).min(1)
        found = np.exp(-0.5 * (far / (2 * tolerance)) ** 2)
    count = good.reshape(k, m).sum(1)
    return precision, (found * good).reshape(k, m).sum(1) / np.maximum(count, 4)
