"""Spend the detector's pixels where the men are: on film whose players fill only a band of the picture.

School film is often shot from low down: stands and sky above, bare turf below, the men in a third of the
height and 20 to 40 pixels tall. The band that holds them is looked at larger, at no higher cost: every shape
of input has about the area of one whole 16:9 picture at 1280 px.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from models.detector.agreement import agree
from models.detector.crowd import shipped
from models.detector.detector import INPUT_WIDTH_PX, KINDS, Boxes, Detector
from models.detector.kits import official_share, with_kits

SHAPES = ((1920, 480), (1600, 576))
"""Width and height of the inputs for a band, the closest look first; 0.92 megapixels each, as 1280 x 720."""
WHOLE_EVERY = 15
"""Frames from one look at the whole picture to the next: half a second of film."""
SURE = 0.35
MARGIN = 0.5
"""Room above and below the men, in heights of a man."""
STILL_WIDTHS_PX = ((100, (1600, 1920)), (140, (1280, 1600)))
"""Widths of the looks at a still, each as it is and mirrored, for men up to so many pixels tall at the
detector's width; larger ones are looked at once. Chosen on 600 rendered frames: at 64 to 90 px (3,604 men)
AP50 by the first look .953, by 1280 and 1600 px .968, by 1600 and 1920 px .969, AP50-95 .645, .730, .738; at
90 to 130 px .947, .965, .962; .697, .754, .749; at more (80 men) .968, .962, .954."""
UNKNOWN_PX = 120
"""Height that men are taken for where fewer than `FEW` are found."""
FEW = 4
FAINT = 0.01
"""A look at a still counts boxes down to this confidence: other looks may be surer of the same man."""
PLAYER = KINDS.index("player")


class BandDetector:
    """Detects frame after frame of one clip; remembers where the men of the last frames were.

    The whole picture is looked at when nothing is known, every ``WHOLE_EVERY`` frames, and after a frame in
    which a player touches the border of the band.
    """

    def __init__(self, detector: Detector) -> None:
        self.detector = detector
        self.recent: deque[tuple[float, float, float]] = deque(maxlen=WHOLE_EVERY)
        self.since_whole = WHOLE_EVERY

    def detect(self, bgr: np.ndarray, least: float = 0.05) -> Boxes:
        """Boxes of the next frame ((H, W, 3) uint8 BGR), in its own pixels."""
        band = None if self.since_whole >= WHOLE_EVERY else self._band(bgr.shape[0], bgr.shape[1])
        if band is None:
            boxes = self.detector.detect([bgr], least)[0]
            self.since_whole = 1
        else:
            top, bottom, width = band
            boxes = self.detector.detect([bgr[top:bottom]], least, width)[0]
            boxes = Boxes(
                boxes.xyxy_px + np.array([0, top, 0, top], np.float32), boxes.confidence, boxes.kind
            )
            self.since_whole += 1
            if self._touched(boxes, top, bottom, bgr.shape[0]):
                self.since_whole = WHOLE_EVERY
        self._remember(boxes)
        return boxes

    def _remember(self, boxes: Boxes) -> None:
        men = _men(boxes)
        if len(men) >= 4:
            height = float(np.median(men[:, 3] - men[:, 1]))
            self.recent.append((float(men[:, 1].min()), float(men[:, 3].max()), height))

    def _touched(self, boxes: Boxes, top: int, bottom: int, height_px: int) -> bool:
        men = _men(boxes)
        over = (men[:, 1] <= top + 2) & (top > 0)
        under = (men[:, 3] >= bottom - 2) & (bottom < height_px)
        return bool((over | under).any())

    def _band(self, height_px: int, width_px: int) -> tuple[int, int, int] | None:
        """Top and bottom row and input width of the closest look that holds the men; None: the whole."""
        if not self.recent:
            return None
        rows = np.array(self.recent)
        room = float(MARGIN * np.median(rows[:, 2]))
        low = max(0.0, float(rows[:, 0].min()) - room)
        high = min(float(height_px), float(rows[:, 1].max()) + room)
        for wide, tall in SHAPES:
            held = int(tall * width_px / wide)
            if wide > INPUT_WIDTH_PX and held < height_px and high - low <= held:
                top = int(np.clip((low + high - held) / 2, 0, height_px - held))
                return top, top + held, wide
        return None


def _men(boxes: Boxes) -> np.ndarray:
    """(N, 4) boxes of those who are surely players."""
    return boxes.xyxy_px[(boxes.confidence >= SURE) & (boxes.kind == PLAYER)]


def detect_still(detector: Detector, bgr: np.ndarray, least: float = 0.05) -> Boxes:
    """Boxes of a picture by itself ((H, W, 3) uint8 BGR). Unless its men are tall it is looked at four times
    more, larger and mirrored, these looks agree on every man, and `models.detector.crowd` says how likely he
    is one whole man; players in officials' dress are officials."""
    boxes = detector.detect([bgr], least)[0]
    widths = _widths(detector, bgr, _men(boxes))
    if not widths:
        return with_kits(bgr, boxes)
    boxes, share = _several(detector, bgr, widths, least)
    return with_kits(bgr, boxes, share)


class CarefulDetector:
    """Looks at every frame of a clip several times, as at a still; the frame before tells how large."""

    def __init__(self, detector: Detector) -> None:
        self.detector = detector
        self.men = np.zeros((0, 4), np.float32)

    def detect(self, bgr: np.ndarray, least: float = 0.05) -> Boxes:
        """Boxes of the next frame ((H, W, 3) uint8 BGR), in its own pixels."""
        if len(self.men) < FEW:
            self.men = _men(self.detector.detect([bgr], least)[0])
        widths = _widths(self.detector, bgr, self.men)
        if widths:
            boxes = _several(self.detector, bgr, widths, least)[0]
        else:
            boxes = self.detector.detect([bgr], least)[0]
        self.men = _men(boxes)
        return boxes


def film_eye(detector: Detector) -> BandDetector | CarefulDetector:
    """What looks at one clip's frames, as the detector's size asks."""
    return CarefulDetector(detector) if detector.careful else BandDetector(detector)


def _several(
    detector: Detector, bgr: np.ndarray, widths: tuple[int, ...], least: float
) -> tuple[Boxes, np.ndarray]:
    """Boxes that the looks at a picture agree on, and (N,) `official_share` of each."""
    seen = agree(looks_at_still(detector, bgr, widths))
    confidence = shipped().confidence(seen, (bgr.shape[1], bgr.shape[0]))
    best = np.argsort(-confidence, kind="stable")[: int((confidence >= least).sum())]
    seen = seen.rows(best)
    return seen.boxes(confidence[best]), official_share(seen.chance)


def _widths(detector: Detector, bgr: np.ndarray, men: np.ndarray) -> tuple[int, ...]:
    """The widths of `STILL_WIDTHS_PX` for these men (N, 4) px of a picture."""
    scale = detector.input_width_px() / bgr.shape[1]
    tall = float(np.median(men[:, 3] - men[:, 1])) * scale if len(men) >= FEW else UNKNOWN_PX
    return next((widths for most_px, widths in STILL_WIDTHS_PX if tall < most_px), ())


def looks_at_still(
    detector: Detector, bgr: np.ndarray, widths: tuple[int, ...], least: float = FAINT
) -> list[Boxes]:
    """Boxes of a picture at each width (px), as it is and mirrored, all in the picture's pixels."""
    looks = []
    for width in widths:
        mirrored = detector.detect([np.ascontiguousarray(bgr[:, ::-1])], least, width)[0]
        corners = mirrored.xyxy_px.copy()
        corners[:, [0, 2]] = bgr.shape[1] - 1 - corners[:, [2, 0]]
        looks += [
            detector.detect([bgr], least, width)[0],
            Boxes(corners, mirrored.confidence, mirrored.kind),
        ]
    return looks
