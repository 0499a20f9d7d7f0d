"""The detector as the program uses it: pictures in, boxes of whole men out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.detector.network import KINDS, WeightsError, edge_px, file_hash
from models.detector.runtime import Backend, make_backend, prepare, select_boxes

WEIGHTS = Path(__file__).resolve().parents[1] / "weights"
SHIPPED = WEIGHTS / "detector.pt"
SIZES = {
    "small": SHIPPED,
    "fast": SHIPPED,
    "careful": SHIPPED,
    "nano": WEIGHTS / "detector_nano.pt",
}
"""Weights by name. Each is read where its file is present; small is the program's own, fast the same on
smaller pictures, careful the same at several looks a frame."""
CAREFUL = "careful"
WIDTH_SHARES = {"fast": 0.65}
"""Share of the usual input width (1280 to 832 px). On two cores in bf16 35 ms a picture, against 150; AP50 on
46 and 55 frames of tuning film .915 and .924 against .951 and .969. A network of a fifth of the size (nano,
31 ms at 1280 px) came to .77 and .82 after six minutes of training: a smaller picture is the better bargain.
"""
INPUT_WIDTH_PX = 1280
"""Width at which pictures of any size go in, as in the last training. On film 960 px wide (a game, 9 frames)
1280 gains 0.06 AP75 over 960, at 1.8 times the cost."""


@dataclass(frozen=True)
class Boxes:
    """One picture's detections, best first.

    xyxy_px (N, 4) float32: amodal box of the whole man in picture pixels, (0, 0) the middle of the first one
    (may pass behind others, cut at the picture's edge); confidence (N,) float32 0..1; kind (N,) uint8:
    0 player, 1 official, 2 ball, 3 other person (bench, coach, chain crew).
    """

    xyxy_px: np.ndarray
    confidence: np.ndarray
    kind: np.ndarray

    def __len__(self) -> int:
        return len(self.confidence)

    def at_least(self, confidence: float) -> Boxes:
        """Only the boxes at or above a confidence."""
        return self.rows(self.confidence >= confidence)

    def rows(self, which: np.ndarray) -> Boxes:
        """Only some of the boxes, or all in another order: a mask (N,) or row numbers (M,)."""
        return Boxes(self.xyxy_px[which], self.confidence[which], self.kind[which])


def weights_of(size: str = "small") -> Path:
    """Weights file of a size. Raises WeightsError naming the sizes that are there."""
    path = SIZES.get(size)
    if path is not None and path.exists():
        return path
    there = ", ".join(name for name, file in SIZES.items() if file.exists()) or "none"
    if path is None:
        raise WeightsError(f"detector {size!r} is not known; there: {there}")
    raise WeightsError(
        f"detector {size}: {path} does not come with this copy; there: {there}. DEVELOPERS.md says how to "
        "train it"
    )


def hash_of(path: Path, size: str = "small") -> str:
    """What tells one detector's answers from another's: the file's hash, and the name of another way to
    look."""
    return file_hash(path) + (f"-{size}" if size in WIDTH_SHARES or size == CAREFUL else "")


class Detector:
    """Detector with loaded weights. ``Detector.load()`` takes the shipped ones."""

    def __init__(
        self,
        backend: Backend,
        width_px: int | None,
        weights_hash: str,
        width_share: float = 1.0,
        edge: np.ndarray | None = None,
        careful: bool = False,
    ) -> None:
        self.backend = backend
        self.width_px = width_px
        self.weights_hash = weights_hash
        self.width_share = width_share
        self.edge = np.zeros(2, np.float32) if edge is None else edge
        self.careful = careful

    def input_width_px(self, width_px: int | None = None) -> int:
        """Width at which pictures go in when ``width_px`` is asked for (None: the detector's own)."""
        asked = width_px or self.width_px or INPUT_WIDTH_PX
        return asked if self.width_share == 1.0 else max(32, round(asked * self.width_share / 32) * 32)

    @classmethod
    def load(
        cls,
        weights: Path | None = None,
        backend: str = "auto",
        width_px: int | None = None,
        threads: int | None = None,
        size: str = "small",
    ) -> Detector:
        """Load weights (tensors only; anything else is refused with WeightsError).

        width_px: input width; None: `INPUT_WIDTH_PX`. size: which of `SIZES`, where no file is named.
        """
        size = "small" if weights else size
        path = Path(weights) if weights else weights_of(size)
        made = make_backend(backend, path, threads)
        share = WIDTH_SHARES.get(size, 1.0)
        return cls(made, width_px, hash_of(path, size), share, edge_px(path), size == CAREFUL)

    def detect(
        self, frames: Sequence[np.ndarray], least: float = 0.05, width_px: int | None = None
    ) -> list[Boxes]:
        """Boxes of each picture ((H, W, 3) uint8 BGR, all of one size) at or above ``least``.

        width_px: input width of this call, before the detector's share of it; None: the detector's own.
        """
        if not len(frames):
            return []
        width = self.input_width_px(width_px)
        prepared = [prepare(f, width) for f in frames]
        scale = prepared[0][1]
        raw = self.backend(np.stack([p[0] for p in prepared]))
        picture_h, picture_w = frames[0].shape[:2]
        out = []
        for xyxy, confidence, kind in select_boxes(raw, least):
            px = (xyxy.numpy() / scale).astype(np.float32) - np.tile(self.edge, 2)
            px[:, [0, 2]] = px[:, [0, 2]].clip(0, picture_w)
            px[:, [1, 3]] = px[:, [1, 3]].clip(0, picture_h)
            out.append(Boxes(px, confidence.numpy().astype(np.float32), kind.numpy().astype(np.uint8)))
        return out


__all__ = ["INPUT_WIDTH_PX", "KINDS", "SHIPPED", "SIZES", "Boxes", "Detector", "hash_of", "weights_of"]
