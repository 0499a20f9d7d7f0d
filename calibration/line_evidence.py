"""What the marked frames say about each five-yard line: is it there, does a number straddle it, which.

Lines are told by their index m in the working frame (x = 5 m yd); calibration.offset weighs the evidence
under every whole-yard place.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from calibration import batch
from calibration.evidence import ClipEvidence, FrameMarks, in_boxes
from calibration.standards import FieldStandard

CROP_YD, CROP_PX = (7.0, 3.5), (64, 32)
SURE, MIRROR_SURE, MIRROR_SHARE = 0.9, 6, 0.2
"""Film counts as mirrored when at least so many crops give a number with that probability only turned over,
and as it is at most that share of them do. On seven clips of the development film 16 to 93 crops were sure as
they are and none turned over; none of all 35 is called mirrored."""


@dataclass
class LineEvidence:
    """Evidence about one line of the working frame."""

    seen: float = 0.0
    edge: float = 0.0
    samples: float = 0.0
    number_hits: float = 0.0
    number_looks: float = 0.0
    reads: dict[bool, list[np.ndarray]] = field(default_factory=lambda: {True: [], False: []})


def number_rows(
    evidence: ClipEvidence,
    standard: FieldStandard,
    p: np.ndarray,
    keys: list[int],
    principal: tuple[float, float],
) -> tuple[float, float]:
    """y of the near and far numbers: as found in the film, else as the rules say."""
    rows = list(standard.number_rows_yd)
    ys = []
    for f in keys:
        px = evidence.marks[f].numeral_px[:, :2]
        xy, ok = batch.ground(px, p[f : f + 1], np.zeros(len(px), int), principal, standard.width_yd)
        ys.append(xy[ok, 1])
    y = np.concatenate(ys) if ys else np.zeros(0)
    for k, side in enumerate(
        (y[(y > 3) & (y < 20)], y[(y > standard.width_yd - 20) & (y < standard.width_yd - 3)])
    ):
        if len(side) >= 3:
            middle = np.median(side)
            rows[k] = (
                float(np.median(side[np.abs(side - middle) < 2]))
                if (np.abs(side - middle) < 2).any()
                else rows[k]
            )
    return rows[0], rows[1]


def gather(
    evidence: ClipEvidence,
    standard: FieldStandard,
    p: np.ndarray,
    keys: list[int],
    principal: tuple[float, float],
) -> tuple[dict[int, LineEvidence], bool]:
    """Evidence by line (index m, working x = 5 m yd) over the marked frames ``keys`` with parameters p, and
    whether the numbers can only be read in a mirror."""
    lines: dict[int, LineEvidence] = {}
    rows = number_rows(evidence, standard, p, keys, principal)
    crops: list[np.ndarray] = []
    owners: list[tuple[int, bool]] = []
    for f in keys:
        marks, q = evidence.marks[f], p[f : f + 1]
        middle, ok = batch.ground(
            np.array([[principal[0], principal[1] * 1.15]]), q, np.zeros(1, int), principal, standard.width_yd
        )
        if not ok[0]:
            continue
        base = round(float(middle[0, 0]) / 5)
        for m in range(base - 14, base + 15):
            line = LineEvidence()
            _look_for_line(line, marks, standard, q, 5.0 * m, principal)
            for near, y in ((True, rows[0]), (False, rows[1])):
                crop = _look_for_number(line, marks, standard, q, 5.0 * m, y, near, principal)
                if crop is not None:
                    crops.append(crop)
                    owners.append((m, near))
            if line.samples or line.number_looks:
                kept = lines.setdefault(m, LineEvidence())
                kept.seen += line.seen
                kept.edge += line.edge
                kept.samples += line.samples
                kept.number_hits += line.number_hits
                kept.number_looks += line.number_looks
    reader = getattr(evidence.reader, "read_numbers", None)
    logs = reader(np.array(crops)) if reader is not None and crops else None
    if reader is None or logs is None:
        return lines, False
    for (m, near), row in zip(owners, logs, strict=True):
        lines.setdefault(m, LineEvidence()).reads[near].append(row)
    return lines, _mirrored(_sure(logs), _sure(reader(np.array(crops)[:, :, ::-1])))


def _sure(logs: np.ndarray) -> int:
    """How many crops give a two-digit number for sure. logs: (N, 7, 3) as the reader gives them."""
    number = np.logaddexp.reduce(logs[:, 1:6], axis=2).max(1)
    return int((number > np.log(SURE)).sum())


def _mirrored(plain: int, turned: int) -> bool:
    return turned >= MIRROR_SURE and plain <= MIRROR_SHARE * turned


def _inside(px: np.ndarray, marks: FrameMarks, margin: float) -> np.ndarray:
    return np.asarray(
        (px[:, 0] > margin)
        & (px[:, 1] > margin)
        & (px[:, 0] < marks.width_px - margin)
        & (px[:, 1] < marks.height_px - margin)
    )


def _look_for_line(
    line: LineEvidence,
    marks: FrameMarks,
    standard: FieldStandard,
    q: np.ndarray,
    x: float,
    principal: tuple[float, float],
) -> None:
    """Add the share of the line at working x that the line map confirms."""
    if marks.line_map is None:
        return
    y = np.linspace(2.0, standard.width_yd - 2.0, 25)
    xy = np.column_stack([np.full(len(y), x), y])
    zero = np.zeros(len(y), int)
    px, ok = batch.image(xy, q, zero, principal, standard.width_yd)
    beside, _ = batch.image(xy + [1.0, 0.0], q, zero, principal, standard.width_yd)
    ok &= _inside(px, marks, 6.0) & (np.hypot(*(beside - px).T) > 4.5 * marks.unit_px)
    ok &= ~in_boxes(px, marks.boxes_xyxy)
    if ok.sum() < 4:
        return
    soft = cv2.dilate(marks.line_map, np.ones((3, 3), np.uint8))
    c = np.round((px[ok] + 0.5) / marks.map_scale - 0.5).astype(int)
    c = np.clip(c, 0, [soft.shape[1] - 1, soft.shape[0] - 1])
    line.seen += float((soft[c[:, 1], c[:, 0]] > 0.35 * 255).mean())
    if marks.boundary_map is not None:
        edge = cv2.dilate(marks.boundary_map, np.ones((3, 3), np.uint8))
        line.edge += float((edge[c[:, 1], c[:, 0]] > 0.35 * 255).mean())
    line.samples += 1.0


def _look_for_number(
    line: LineEvidence,
    marks: FrameMarks,
    standard: FieldStandard,
    q: np.ndarray,
    x: float,
    y: float,
    near: bool,
    principal: tuple[float, float],
) -> np.ndarray | None:
    """Count numeral detections at (x, y); return the upright crop for reading where it is seen well."""
    zero5 = np.zeros(5, int)
    spots = np.array([[x, y], [x - 2, y], [x + 2, y], [x, y - 1], [x, y + 1]])
    px, ok = batch.image(spots, q, zero5, principal, standard.width_yd)
    if not ok.all() or not _inside(px, marks, 4.0).all():
        return None
    unit = marks.unit_px
    tall, wide = float(np.hypot(*(px[4] - px[3]))), float(np.hypot(*(px[2] - px[1]))) / 2
    if min(tall, wide) < 6 * unit or max(tall, wide) < 10 * unit:
        return None
    cover = np.array([[x + a, y + b] for a in (-1.2, -0.4, 0.4, 1.2) for b in (-0.7, 0.0, 0.7)])
    cpx, _ = batch.image(cover, q, np.zeros(len(cover), int), principal, standard.width_yd)
    if in_boxes(cpx, marks.boxes_xyxy).mean() > 0.34:
        return None
    found = marks.numeral_px
    at, good = batch.ground(found[:, :2], q, np.zeros(len(found), int), principal, standard.width_yd)
    near_it = good & (np.abs(at - [x, y]) < [1.8, 2.5]).all(1)
    line.number_looks += 1
    line.number_hits += float(found[near_it, 2].max()) if near_it.any() else 0.0
    return crop_number(marks, q, standard.width_yd, x, y, near, principal)


def crop_number(
    marks: FrameMarks,
    q: np.ndarray,
    width_yd: float,
    x: float,
    y: float,
    near: bool,
    principal: tuple[float, float],
) -> np.ndarray | None:
    """Rectified grey crop (32, 64) around (x, y), upright for a reader on that side of the field."""
    if marks.grey is None:
        return None
    w, h = CROP_PX
    gx, gy = np.meshgrid((np.arange(w) + 0.5) / w - 0.5, 0.5 - (np.arange(h) + 0.5) / h)
    sign = 1.0 if near else -1.0
    xy = np.column_stack([x + sign * gx.ravel() * CROP_YD[0], y + sign * gy.ravel() * CROP_YD[1]])
    px, _ = batch.image(xy, q, np.zeros(len(xy), int), principal, width_yd)
    at = ((px + 0.5) / marks.grey_scale - 0.5).astype(np.float32).reshape(h, w, 2)
    return cv2.remap(marks.grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
