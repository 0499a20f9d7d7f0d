"""Where every box stands on the field, how sure that is, and whether it can be a man of the play."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from vision.records import BALL, Detections

FOOT_TO_BODY_YD = 0.2
"""The lower edge of a box is the nearer foot; the body stands this much farther from the camera."""
LOW_EDGE = 0.0
"""The detector draws the lower edge this share of the height too low (six rendered clips: -0.01 to 0.005)."""
SIDE_SD, FOOT_SD = 0.045, 0.042
"""Spread of a box's middle and of its lower edge as shares of its height (the detector's own scatter)."""
RUNNING_LIFT, FASTEST_YD_PER_S = 0.0045, 9.0
"""A runner's lower foot leaves the ground, so the lower edge of his box stands too high: by this share of his
height for every yd/s, up to that speed (24,000 clear boxes of nineteen rendered games, both views: 0 at rest,
0.015 at 3 to 4.5 yd/s, 0.025 to 0.04 above 6; the flight of a stride has no other way)."""
COVERED_SD = 1.2
"""How much more a fully covered box scatters (as a share of its own spread)."""
CUT_SD = 2.5
"""How much less sure the feet below the picture are (a man may crouch)."""
WIDE, CUT_SIDE_SD = 0.47, 0.8
"""Width of a man's box as a share of its height (the middle of 371 boxes of four rendered games that the
picture's side cuts lies 0.05 to 0.18 of the height too far inside, so a man who leaves seems to stop), and
the share of what is lacking by which the middle of a cut one is unsure."""
COMMON_SD_YD = 0.5
"""Most of a camera's own error, a direction, that counts as a box's."""
MAN_YD = 1.95
SAME_MAN = (0.45, 0.12, 0.06)
"""Overlap (IoU) above the first, middles nearer than the second and both edges moved the same way by less
than the third (shares of the height): one man with two boxes. A man behind another stands higher in the
picture from head to foot. Of such weaker boxes 1 in 10 is a man's own, of the others of that overlap a half
(fifteen rendered plays, two views, real detector)."""


@dataclass(frozen=True)
class Places:
    """One row a detection (same rows). NaN / False where there is no camera or no ground under the box.

    xy_field_yd (N,2), covariance (N,2,2) yd^2; tall_yd (N,) height of the box as a man standing there;
    covered (N,) greatest share of the box hidden by a nearer box; by_whom (N,) its row or -1;
    inside (N,) on the field or just beside it; edge (N,) 0..1 closeness to the picture's border (1 = cut);
    duplicate (N,): a surer box is of the same man (`SAME_MAN`). over_surer (N,): overlap (IoU) with the surer
    box most like it. hides_legs (N,): covered, or cut by the lower border. left_out (N,): variance (yd^2) of
    the camera's error that the covariance does without (see `_less_common`). lift_yd (N,2): how far the place
    of a man moves for every yd/s he runs (see `RUNNING_LIFT` and `as_running`); 0 where his feet are cut off.
    """

    xy_field_yd: np.ndarray
    covariance: np.ndarray
    tall_yd: np.ndarray
    covered: np.ndarray
    inside: np.ndarray
    edge: np.ndarray
    valid: np.ndarray
    duplicate: np.ndarray
    over_surer: np.ndarray
    hides_legs: np.ndarray
    left_out: np.ndarray
    lift_yd: np.ndarray

    def as_running(self, speed_yd_per_s: np.ndarray) -> Places:
        """The same with the feet of men of these speeds (N,) on the ground."""
        return replace(self, xy_field_yd=self.of_runners(slice(None), speed_yd_per_s))

    def of_runners(self, rows: Any, speed_yd_per_s: np.ndarray) -> np.ndarray:
        """Places (..., 2) of boxes if their men run at these speeds (rows and speeds broadcast)."""
        moved = np.minimum(speed_yd_per_s, FASTEST_YD_PER_S)[..., None] * self.lift_yd[rows]
        return np.asarray(self.xy_field_yd[rows] + moved)


def find_places(detections: Detections, cameras: Any, standard: Any) -> Places:
    """Places of all boxes of a clip. cameras: `.camera(frame)` -> camera or None where lost."""
    n = len(detections)
    xy, cov = np.full((n, 2), np.nan), np.full((n, 2, 2), np.nan)
    tall, covered = np.full(n, np.nan), np.zeros(n)
    duplicate, hides, over = np.zeros(n, bool), np.zeros(n, bool), np.zeros(n)
    valid, left_out, lift = np.zeros(n, bool), np.zeros(n), np.zeros((n, 2))
    boxes = detections.xyxy_px.astype(float)
    for f in np.unique(detections.frame):
        rows = detections.rows(int(f))
        covered[rows], double, same = _overlaps(boxes[rows], detections.confidence[rows])
        duplicate[rows], over[rows] = same, double
        camera = cameras.camera(int(f))
        if camera is not None:
            xy[rows], cov[rows], tall[rows], valid[rows], left_out[rows] = _on_ground(
                boxes[rows], camera, detections.height_px, detections.width_px
            )
            lift[rows] = _lift(boxes[rows], camera, detections.height_px)
            hides[rows] = (covered[rows] > 0.2) | (boxes[rows, 3] > detections.height_px - 3)
    valid &= detections.kind != BALL
    cov = cov * (1 + COVERED_SD * covered)[:, None, None] ** 2
    width, length = float(standard.width_yd), float(standard.length_yd)
    with np.errstate(invalid="ignore"):
        inside = (xy[:, 1] > -0.4) & (xy[:, 1] < width + 0.4) & (xy[:, 0] > -11) & (xy[:, 0] < length + 11)
    edge = _edge(boxes, detections.width_px, detections.height_px)
    return Places(xy, cov, tall, covered, inside & valid, edge, valid, duplicate, over, hides, left_out, lift)


def _whole_men(boxes: np.ndarray, camera: Any, height_px: int) -> tuple[np.ndarray, np.ndarray]:
    """Boxes cut by the picture's lower border drawn out to where an upright man's feet would be; which
    were cut. Else the feet of men at the near bench seem to stand yards inside the field."""
    cut = boxes[:, 3] > height_px - 3
    if not cut.any():
        return boxes, cut
    out = boxes.copy()
    middle = (boxes[cut, 0] + boxes[cut, 2]) / 2
    low = boxes[cut, 3]
    exact = replace(camera, covariance=None)  # places alone: a camera's own doubt is dear to compute
    for _ in range(4):
        xy, ok, _ = exact.to_field(np.column_stack([middle, low]))
        head, seen = camera.project(np.column_stack([xy, np.full(len(xy), MAN_YD)]))
        reach = boxes[cut, 1] + low - head[:, 1]
        low = np.where(ok & seen & np.isfinite(reach), np.maximum(boxes[cut, 3], reach), low)
    out[cut, 3] = low
    return out, cut


def _with_hidden_halves(boxes: np.ndarray, high: np.ndarray, width_px: int) -> tuple[np.ndarray, np.ndarray]:
    """Boxes cut by the picture's sides drawn out to the usual width of men so `high` (N,), and what was
    lacking (N,) in pixels, 0 where nothing is cut."""
    lacking = np.maximum(WIDE * high - (boxes[:, 2] - boxes[:, 0]), 0.0)
    left, right = boxes[:, 0] < 2, boxes[:, 2] > width_px - 3
    out = boxes.copy()
    out[left, 0] -= lacking[left]
    out[right, 2] += lacking[right]
    return out, np.where(left | right, lacking, 0.0)


def _on_ground(
    boxes: np.ndarray, camera: Any, height_px: int, width_px: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    boxes, cut = _whole_men(boxes, camera, height_px)
    high = boxes[:, 3] - boxes[:, 1]
    boxes, lacking = _with_hidden_halves(boxes, high, width_px)
    foot = np.column_stack([(boxes[:, 0] + boxes[:, 2]) / 2, boxes[:, 3] - LOW_EDGE * high])
    sd = np.column_stack([np.maximum(SIDE_SD * high, 1.0), np.maximum(FOOT_SD * high, 1.0)])
    sd[cut, 1] *= CUT_SD
    sd[:, 0] = np.hypot(sd[:, 0], CUT_SIDE_SD * lacking)
    xy, valid, cov = camera.to_field(foot, sd)
    exact = replace(camera, covariance=None).to_field(foot, sd)[2]
    cov, left_out = _less_common(exact, cov - exact)
    valid = valid & np.isfinite(cov).all((1, 2)) & (high > 2)
    away = xy - np.asarray(camera.centre_field_yd)[:2]
    away = away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
    xy = xy + FOOT_TO_BODY_YD * away
    head, ok = camera.project(np.column_stack([xy, np.full(len(xy), MAN_YD)]))
    tall = np.where(ok & valid, MAN_YD * high / np.maximum(foot[:, 1] - head[:, 1], 1.0), np.nan)
    valid = valid & (cov[:, 0, 0] + cov[:, 1, 1] < 60) & (tall > 0.2) & (tall < 4.5)
    xy[~valid], cov[~valid] = np.nan, np.nan
    return xy, cov + 0.01 * np.eye(2), tall, valid, left_out


def _lift(boxes: np.ndarray, camera: Any, height_px: int) -> np.ndarray:
    """(N,2) yards a place moves when the lower edge goes down by `RUNNING_LIFT` of the box's height."""
    exact = replace(camera, covariance=None)
    middle, low = (boxes[:, 0] + boxes[:, 2]) / 2, boxes[:, 3]
    here, ok, _ = exact.to_field(np.column_stack([middle, low]))
    there, also, _ = exact.to_field(np.column_stack([middle, low + RUNNING_LIFT * (low - boxes[:, 1])]))
    known = ok & also & (low <= height_px - 3)
    return np.where(known[:, None], there - here, 0.0)


def _less_common(own: np.ndarray, common: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Covariances (N,2,2) of boxes with the camera's part held to `COMMON_SD_YD` a direction, and the mean
    variance (N,) left out. All men of a frame share the camera's error and it lasts: it moves the picture on
    the field and hardly says who is who, but counted as each box's own it would hide everybody."""
    size = np.trace(common, axis1=1, axis2=2) / 2
    kept = np.minimum(1.0, COMMON_SD_YD**2 / np.maximum(np.nan_to_num(size), 1e-9))
    return own + kept[:, None, None] * common, np.nan_to_num((1 - kept) * size)


def _overlaps(boxes: np.ndarray, confidence: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share of each box under one nearer box, its overlap (IoU) with the surer box most like it, and
    whether a surer box is of the same man (see `SAME_MAN`)."""
    a, b = boxes[:, None], boxes[None]
    w = np.minimum(a[..., 2], b[..., 2]) - np.maximum(a[..., 0], b[..., 0])
    h = np.minimum(a[..., 3], b[..., 3]) - np.maximum(a[..., 1], b[..., 1])
    inter = np.clip(w, 0, None) * np.clip(h, 0, None)
    area = np.maximum((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1]), 1e-6)
    np.fill_diagonal(inter, 0)
    iou = inter / (area[:, None] + area[None] - inter)
    share = np.where(b[..., 3] > a[..., 3], inter / area[:, None], 0)
    surer = confidence[None] > confidence[:, None]
    high = np.maximum(boxes[:, 3] - boxes[:, 1], 1.0)
    up, low, side = ((a - b) / high[None, :, None])[..., [1, 3, 0]].transpose(2, 0, 1)
    side = (side + (a[..., 2] - b[..., 2]) / high[None]) / 2
    shift = np.where(up * low > 0, np.minimum(np.abs(up), np.abs(low)), 0)
    same = surer & (iou > SAME_MAN[0]) & (np.abs(side) < SAME_MAN[1]) & (shift < SAME_MAN[2])
    return share.max(1), np.where(surer, iou, 0).max(1), same.any(1)


def _edge(boxes: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
    """1 where a box touches the border, falling to 0 a box width inside."""
    wide = np.maximum(boxes[:, 2] - boxes[:, 0], 1)
    right, low = width_px - 1 - boxes[:, 2], height_px - 1 - boxes[:, 3]
    room = np.minimum.reduce([boxes[:, 0], right, low, boxes[:, 1]])
    return np.asarray(np.clip(1 - room / wide, 0, 1))
