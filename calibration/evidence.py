"""What was seen in the frames of one clip: marks on some frames, background motion between all.

A mark finder is any object with ``find(bgr) -> FrameMarks``; the learned one lives in models.marks
(imports go one way). Every pixel here is a pixel of the film's own picture.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from calibration.flow import BackgroundFlow, FlowLink
from calibration.standards import FieldStandard, get_standard


def _empty(columns: int) -> np.ndarray:
    return np.zeros((0, columns))


@dataclass(frozen=True)
class FrameMarks:
    """Marks found in one frame.

    line_px, boundary_px, tick_px: (N, 5) ridge points x, y, nx, ny, score; (nx, ny) is the direction
        in which the ridge is sharp. row_px, side_px, numeral_px: (N, 3) x, y, score.
    line_map, boundary_map: (h, w) uint8 probability * 255 at ``map_scale`` pixels of the picture per
        cell (cell centre c -> pixel (c + 0.5) * map_scale - 0.5), or None.
    click_px: (N, 4) u, v, x_field_yd, y_field_yd named by a person.
    grey: (h, w) uint8 picture at ``grey_scale`` picture pixels per grey pixel, for reading numbers.
    """

    width_px: int
    height_px: int
    line_px: np.ndarray = field(default_factory=lambda: _empty(5))
    boundary_px: np.ndarray = field(default_factory=lambda: _empty(5))
    tick_px: np.ndarray = field(default_factory=lambda: _empty(5))
    row_px: np.ndarray = field(default_factory=lambda: _empty(3))
    side_px: np.ndarray = field(default_factory=lambda: _empty(3))
    numeral_px: np.ndarray = field(default_factory=lambda: _empty(3))
    line_map: np.ndarray | None = None
    boundary_map: np.ndarray | None = None
    map_scale: float = 4.0
    grey: np.ndarray | None = None
    grey_scale: float = 1.0
    boxes_xyxy: np.ndarray = field(default_factory=lambda: _empty(4))
    click_px: np.ndarray = field(default_factory=lambda: _empty(4))

    @property
    def count(self) -> int:
        """Marks that carry place: crossings, and lines by their ridge points in tens."""
        return len(self.row_px) + len(self.side_px) + len(self.line_px) // 10

    @property
    def unit_px(self) -> float:
        """Picture pixels per pixel of a picture 1280 wide: the scale of localisation errors."""
        return max(self.width_px, self.height_px * 16 / 9) / 1280.0


class MarkFinder(Protocol):
    """What the collector needs of a finder."""

    def find(self, bgr: np.ndarray, boxes_xyxy: np.ndarray | None = None) -> FrameMarks: ...


def in_boxes(px: np.ndarray, boxes_xyxy: np.ndarray) -> np.ndarray:
    """(N,) bool: which pixels (N, 2) lie inside any of the boxes (M, 4); all False without boxes."""
    if not len(boxes_xyxy) or not len(px):
        return np.zeros(len(px), bool)
    return np.asarray(
        (
            (px[:, None, 0] > boxes_xyxy[:, 0])
            & (px[:, None, 0] < boxes_xyxy[:, 2])
            & (px[:, None, 1] > boxes_xyxy[:, 1])
            & (px[:, None, 1] < boxes_xyxy[:, 3])
        ).any(1)
    )


@dataclass
class ClipEvidence:
    """Everything seen in one clip. marks: by frame; links[i]: motion from frame i - 1 to i (links[0]
    None)."""

    width_px: int
    height_px: int
    marks: dict[int, FrameMarks] = field(default_factory=dict)
    links: list[FlowLink | None] = field(default_factory=list)
    feet_px: dict[int, np.ndarray] = field(default_factory=dict)
    reader: Any = None

    def __len__(self) -> int:
        return len(self.links)


class EvidenceCollector:
    """Takes each decoded frame once, in order; decides itself where to look for marks.

    The finder runs on the first frame, then on every ``every``-th frame, and at once after a cut.
    Background motion is measured between all neighbouring frames with the men's boxes left out.
    """

    def __init__(
        self, standard: str | FieldStandard, mark_finder: MarkFinder | None, every: int = 15
    ) -> None:
        self.standard = get_standard(standard)
        self.mark_finder = mark_finder
        self.every = every
        self.evidence: ClipEvidence | None = None
        self._flow = BackgroundFlow()
        self._since = 10**6

    def add(self, frame_index: int, bgr: np.ndarray, boxes_xyxy: np.ndarray | None = None) -> None:
        """Take frame ``frame_index`` (0, 1, 2, ...). boxes_xyxy: (N, 4) pixels of people, or None.

        Raises ValueError when frames do not come in order or change their size.
        """
        if self.evidence is None:
            self.evidence = ClipEvidence(bgr.shape[1], bgr.shape[0], reader=self.mark_finder)
        ev = self.evidence
        if frame_index != len(ev.links):
            raise ValueError(
                f"frames must come in order: expected frame {len(ev.links)}, found {frame_index}"
            )
        if (bgr.shape[1], bgr.shape[0]) != (ev.width_px, ev.height_px):
            raise ValueError(
                f"frame {frame_index}: picture is {bgr.shape[1]}x{bgr.shape[0]}, the clip began with "
                f"{ev.width_px}x{ev.height_px}"
            )
        boxes = np.zeros((0, 4)) if boxes_xyxy is None else np.asarray(boxes_xyxy, float).reshape(-1, 4)
        link = self._flow.step(bgr, boxes)
        ev.links.append(link)
        self._since += 1
        if self.mark_finder is not None and (link is None or self._since >= self.every):
            ev.marks[frame_index] = self.mark_finder.find(bgr, boxes)
            ev.feet_px[frame_index] = np.column_stack([boxes[:, [0, 2]].mean(1), boxes[:, 3]])
            self._since = 0
