"""Windows cut from frames kept at 1920 px: the places of the plain canvas, and finer where it shows."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from models.training.frames import CANVAS_H, CANVAS_W, LabelledFrame, cache_frames
from models.training.train_detector import Recipe, make_batch

CPU = torch.device("cpu")


@pytest.fixture
def frame(tmp_path: Path) -> LabelledFrame:
    """A 1080p picture: a smooth ground, a white box on whole pixels, and stripes of one pixel."""
    y, x = np.mgrid[0:1080, 0:1920].astype(np.float32)
    bgr = np.stack([60 + 40 * np.sin(x / 200), 90 + 40 * np.cos(y / 150), 50 + 0 * x], -1)
    bgr[300:600, 900:1050] = 255
    bgr[700:1000:2, 300:1600] = 255
    cv2.imwrite(str(tmp_path / "p.png"), bgr.astype(np.uint8))
    box = np.array([[900, 300, 1050, 600]], np.float32)
    return LabelledFrame(tmp_path / "p.png", box, np.array([0]))


def windows(frame: LabelledFrame, fine: bool, scale: float) -> tuple[torch.Tensor, dict[str, torch.Tensor]]:
    """One window with nothing drawn over it, at a scale of the canvas; the same draw for both caches."""
    cache = cache_frames([frame], CPU, fine)
    recipe = Recipe(
        width_px=640, height_px=384, scales=(scale, scale), wild=False, faults=False, hue=0.0, empty_share=0.0
    )
    torch.manual_seed(3)
    return make_batch(cache, torch.zeros(8, dtype=torch.long), recipe)


def white_extent(image: torch.Tensor) -> np.ndarray:
    """(x0, y0, x1, y1) px of the white box in (3, H, W), from its half-bright rows and columns."""
    bright = image.amin(0)[: image.shape[1]].numpy()
    rows = np.flatnonzero((bright > bright.max() * 0.8).sum(1) > 20)
    columns = np.flatnonzero((bright > bright.max() * 0.8).sum(0) > 20)
    return np.array([columns[0], rows[0], columns[-1] + 1, rows[-1] + 1], float)


def test_boxes_stay_where_the_men_are(tmp_path: Path) -> None:
    bgr = np.zeros((1080, 1920, 3), np.uint8)
    bgr[300:600, 900:1050] = 255
    cv2.imwrite(str(tmp_path / "p.png"), bgr)
    alone = LabelledFrame(tmp_path / "p.png", np.array([[900, 300, 1050, 600]], np.float32), np.array([0]))
    checked = 0
    for fine in (False, True):
        for scale in (0.8, 1.0, 1.6, 2.4):
            images, batch = windows(alone, fine, scale)
            for i, box in zip(batch["batch_idx"].int().tolist(), batch["bboxes"].numpy(), strict=True):
                centre, size = box[:2] * [640, 384], box[2:] * [640, 384]
                said = np.concatenate([centre - size / 2, centre + size / 2])
                if said.min() <= 0 or (said[2:] >= [640, 384]).any():
                    continue
                np.testing.assert_allclose(said, white_extent(images[i]), atol=1.6)
                checked += 1
    assert checked > 30


def test_a_fine_cache_shows_more_of_large_windows_only(frame: LabelledFrame) -> None:
    """Stripes of one pixel at 1920 are grey on the canvas; a window at twice the canvas shows them again."""
    assert cache_frames([frame], CPU, True).images.shape[2:] == (1080, 1920)
    assert cache_frames([frame], CPU).images.shape[2:] == (CANVAS_H, CANVAS_W)
    contrast = {}
    for fine in (False, True):
        images, _ = windows(frame, fine, 2.9)
        contrast[fine] = float((images[:, :, 1:] - images[:, :, :-1]).abs().mean())
    assert contrast[True] > 1.5 * contrast[False]
    plain, fine = windows(frame, False, 0.9)[0], windows(frame, True, 0.9)[0]
    assert float((plain - fine).abs().mean()) < 0.02
