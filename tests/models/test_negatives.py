"""Hard negatives from photographs: pieces are pasted where nobody stands, bare scenes hold no boxes."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from models.training.frames import FrameCache
from models.training.negatives import load_negatives, paste, scene
from models.training.train_detector import Recipe, make_batch


@pytest.fixture
def photographs(tmp_path: Path) -> torch.Tensor:
    rng = np.random.default_rng(0)
    for k in range(3):
        cv2.imwrite(str(tmp_path / f"{k}.png"), rng.integers(0, 255, (90, 140, 3), dtype=np.uint8))
    return load_negatives(tmp_path, torch.device("cpu"))


def test_pieces_never_cover_a_man(photographs: torch.Tensor) -> None:
    torch.manual_seed(0)
    boxes = torch.tensor([[100.0, 60.0, 130.0, 140.0], [300.0, 20.0, 330.0, 100.0]])
    changed = torch.zeros(240, 400, dtype=torch.bool)
    for _ in range(60):
        image = torch.full((3, 240, 400), 0.5)
        paste(image, boxes, photographs)
        changed |= (image != 0.5).any(0)
    for x0, y0, x1, y1 in boxes.int().tolist():
        assert not bool(changed[y0:y1, x0:x1].any())
    assert float(changed.float().mean()) > 0.5  # elsewhere nearly everything was pasted over some time


def test_a_bare_picture_has_no_boxes(photographs: torch.Tensor) -> None:
    torch.manual_seed(1)
    cache = FrameCache(torch.full((1, 3, 720, 1280), 128, dtype=torch.uint8))
    cache.boxes, cache.kinds = [torch.tensor([[600.0, 300.0, 660.0, 420.0]])], [torch.tensor([0])]
    index = torch.zeros(6, dtype=torch.long)
    small = {"width_px": 320, "height_px": 192}
    _, bare = make_batch(cache, index, Recipe(empty_share=1.0, **small), photographs=photographs)  # type: ignore[arg-type]
    _, full = make_batch(cache, index, Recipe(empty_share=0.0, **small), photographs=photographs)  # type: ignore[arg-type]
    assert len(bare["cls"]) == 0 and len(full["cls"]) >= 3


def test_scenes_differ_and_an_empty_folder_is_refused(photographs: torch.Tensor, tmp_path: Path) -> None:
    torch.manual_seed(2)
    a, b = scene(photographs, 60, 100), scene(photographs, 60, 100)
    assert a.shape == (3, 60, 100) and not torch.equal(a, b)
    (tmp_path / "none").mkdir()
    with pytest.raises(ValueError, match="no readable pictures"):
        load_negatives(tmp_path / "none", torch.device("cpu"))
