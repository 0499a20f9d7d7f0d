"""Motion of the background between neighbouring frames.

Corners are followed by pyramidal Lucas-Kanade (cv2) on a reduced grey picture, men masked out; a
similarity found by RANSAC separates the background from whatever else moves. A camera that only
pans, tilts and zooms moves its whole background (stands included) as one: no field is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

WIDTH_PX = 640


@dataclass(frozen=True)
class FlowLink:
    """Matched background points from the previous frame to this one, in picture pixels.

    before_px, after_px: (N, 2). moved_px: median displacement. share: inliers among followed points.
    """

    before_px: np.ndarray
    after_px: np.ndarray
    share: float

    @property
    def moved_px(self) -> float:
        return float(np.median(np.hypot(*(self.after_px - self.before_px).T))) if len(self.before_px) else 0.0


class BackgroundFlow:
    """Feed frames one by one; ``step`` returns the link from the previous frame, None at a start or cut.

    Corners are looked for on every ``renew``-th frame and followed in between, but for those that men
    walk over.
    """

    def __init__(self, corners: int = 120, minimum: int = 14, renew: int = 5) -> None:
        self.corners = corners
        self.minimum = minimum
        self.renew = renew
        self._grey: np.ndarray | None = None
        self._points = np.zeros((0, 2), np.float32)
        self._age = 0
        self._scale = 1.0

    def _free(self, shape: tuple[int, ...], boxes: np.ndarray) -> np.ndarray:
        """Mask (uint8) of the picture without men."""
        mask = np.full(shape, 255, np.uint8)
        mask[: max(3, shape[0] // 60)] = 0
        for x0, y0, x1, y1 in boxes / self._scale:
            pad = 0.08 * (y1 - y0) + 2
            a, b = max(0, int(x0 - pad)), max(0, int(y0 - pad))
            mask[b : max(b, int(y1 + pad) + 1), a : max(a, int(x1 + pad) + 1)] = 0
        return mask

    def _find(self, grey: np.ndarray, mask: np.ndarray) -> np.ndarray:
        """Corners from every part of the picture, not from the brightest stand only."""
        quality = cv2.cornerMinEigenVal(grey, 5)
        quality[mask == 0] = 0
        peak = (quality >= cv2.dilate(quality, np.ones((7, 7), np.uint8))) & (quality > 1e-5)
        rows, cols = np.nonzero(peak)
        value = quality[rows, cols]
        h, w = grey.shape
        cell = (rows * 3 // h) * 4 + cols * 4 // w
        order = np.lexsort((-value, cell))
        starts = np.searchsorted(cell[order], np.arange(12))
        rank = np.arange(len(order)) - starts[cell[order]]
        best = value.max() if len(value) else 0.0
        keep = order[(rank < self.corners // 12) & (value[order] > 1e-3 * best)]
        return np.column_stack([cols[keep], rows[keep]]).astype(np.float32)

    def step(self, bgr: np.ndarray, boxes: np.ndarray) -> FlowLink | None:
        """Take the next frame."""
        self._scale = bgr.shape[1] / WIDTH_PX
        size = (WIDTH_PX, round(bgr.shape[0] / self._scale))
        grey = cv2.cvtColor(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2GRAY)
        link, points = self._link(grey) if self._grey is not None else (None, None)
        self._grey = grey
        mask = self._free(grey.shape, boxes)
        self._age += 1
        if points is None or self._age >= self.renew or len(points) < self.corners // 2:
            self._points, self._age = self._find(grey, mask), 0
        else:
            at = np.clip(np.round(points).astype(int), 0, [grey.shape[1] - 1, grey.shape[0] - 1])
            self._points = points[mask[at[:, 1], at[:, 0]] > 0]
        return link

    def _link(self, grey: np.ndarray) -> tuple[FlowLink | None, np.ndarray | None]:
        before = self._points
        if len(before) < self.minimum or self._grey is None:
            return None, None
        lk = {"winSize": (13, 13), "maxLevel": 3, "criteria": (3, 12, 0.03)}
        after, ok, _ = cv2.calcOpticalFlowPyrLK(self._grey, grey, before, None, **lk)  # type: ignore[call-overload]
        back, ok2, _ = cv2.calcOpticalFlowPyrLK(grey, self._grey, after, None, **lk)  # type: ignore[call-overload]
        good = (ok.ravel() > 0) & (ok2.ravel() > 0) & (np.abs(back - before).max(1) < 0.5)
        if good.sum() < self.minimum:
            return None, None
        a, b = before[good], after[good]
        still = np.hypot(*(b - a).T) < 0.05  # burnt-in marks stand still while the picture moves
        if still.mean() < 0.5 and np.median(np.hypot(*(b - a).T)) > 0.6:
            a, b = a[~still], b[~still]
        if len(a) < self.minimum:
            return None, None
        cv2.setRNGSeed(3)
        _, inlier = cv2.estimateAffinePartial2D(
            a, b, method=cv2.RANSAC, ransacReprojThreshold=0.8, maxIters=200
        )
        if inlier is None or inlier.sum() < self.minimum or inlier.mean() < 0.3:
            return None, None
        keep = inlier.ravel() > 0
        up = self._scale
        before_px = (a[keep].astype(float) + 0.5) * up - 0.5
        after_px = (b[keep].astype(float) + 0.5) * up - 0.5
        return FlowLink(before_px, after_px, float(inlier.mean())), b[keep]
