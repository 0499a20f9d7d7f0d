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
    """Feed frames one by one; ``step`` returns the link from the previous frame, None at a start or cut."""

    def __init__(self, corners: int = 160, minimum: int = 14) -> None:
        self.corners = corners
        self.minimum = minimum
        self._grey: np.ndarray | None = None
        self._points: np.ndarray | None = None
        self._scale = 1.0

    def _find(self, grey: np.ndarray, boxes: np.ndarray) -> np.ndarray:
        mask = np.full(grey.shape, 255, np.uint8)
        mask[: max(3, grey.shape[0] // 60)] = 0
        for x0, y0, x1, y1 in boxes / self._scale:
            pad = 0.08 * (y1 - y0) + 2
            a, b = max(0, int(x0 - pad)), max(0, int(y0 - pad))
            mask[b : max(b, int(y1 + pad) + 1), a : max(a, int(x1 + pad) + 1)] = 0
        found = []
        h, w = grey.shape
        for r in range(2):  # corners from every part of the picture, not from the brightest stand only
            for c in range(3):
                cell = np.zeros_like(mask)
                cell[r * h // 2 : (r + 1) * h // 2, c * w // 3 : (c + 1) * w // 3] = 255
                pts = cv2.goodFeaturesToTrack(grey, self.corners // 6, 0.01, 6, mask=cv2.min(mask, cell), blockSize=5)
                if pts is not None:
                    found.append(pts.reshape(-1, 2))
        return np.concatenate(found).astype(np.float32) if found else np.zeros((0, 2), np.float32)

    def step(self, bgr: np.ndarray, boxes: np.ndarray) -> FlowLink | None:
        """Take the next frame."""
        self._scale = bgr.shape[1] / WIDTH_PX
        size = (WIDTH_PX, round(bgr.shape[0] / self._scale))
        shrink = bgr[::2, ::2] if self._scale >= 3 else bgr
        grey = cv2.cvtColor(cv2.resize(shrink, size, interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2GRAY)
        link = self._link(grey) if self._grey is not None else None
        self._grey = grey
        self._points = self._find(grey, boxes)
        return link

    def _link(self, grey: np.ndarray) -> FlowLink | None:
        before = self._points
        if before is None or len(before) < self.minimum or self._grey is None:
            return None
        lk = {"winSize": (15, 15), "maxLevel": 3, "criteria": (3, 20, 0.03)}
        after, ok, _ = cv2.calcOpticalFlowPyrLK(self._grey, grey, before, None, **lk)  # type: ignore[call-overload]
        back, ok2, _ = cv2.calcOpticalFlowPyrLK(grey, self._grey, after, None, **lk)  # type: ignore[call-overload]
        good = (ok.ravel() > 0) & (ok2.ravel() > 0) & (np.abs(back - before).max(1) < 0.5)
        if good.sum() < self.minimum:
            return None
        a, b = before[good], after[good]
        still = np.hypot(*(b - a).T) < 0.05  # burnt-in marks stand still while the picture moves
        if still.mean() < 0.5 and np.median(np.hypot(*(b - a).T)) > 0.6:
            a, b = a[~still], b[~still]
        if len(a) < self.minimum:
            return None
        cv2.setRNGSeed(3)
        _, inlier = cv2.estimateAffinePartial2D(a, b, method=cv2.RANSAC, ransacReprojThreshold=0.8, maxIters=300)
        if inlier is None or inlier.sum() < self.minimum or inlier.mean() < 0.3:
            return None
        keep = inlier.ravel() > 0
        up = self._scale
        before_px = (a[keep].astype(float) + 0.5) * up - 0.5
        after_px = (b[keep].astype(float) + 0.5) * up - 0.5
        return FlowLink(before_px, after_px, float(inlier.mean()))
