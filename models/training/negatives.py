"""Hard negatives from photographs without people: whole pictures, and pieces pasted where nobody stands.

Rendered film has no trees, gravel, brick or crowded stands as a real lens sees them; a detector that has
never seen them calls them men. A folder of pictures (any licence that allows training: name it in the card)
is cut into pieces at random scales. Any box in them is false.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import torch

SIZE = 512
PICTURES = (".jpg", ".jpeg", ".png")


def load_negatives(folder: Path, device: torch.device) -> torch.Tensor:
    """(N, 3, 512, 512) uint8 RGB: every picture of a folder, stretched to a square. ValueError when empty."""
    files = sorted(p for p in Path(folder).iterdir() if p.suffix.lower() in PICTURES)
    read = (cv2.imread(str(p)) for p in files)
    squares = [
        cv2.resize(bgr, (SIZE, SIZE), interpolation=cv2.INTER_AREA)[:, :, ::-1]
        for bgr in read
        if bgr is not None
    ]
    if not squares:
        raise ValueError(f"{folder}: no readable pictures; expected .jpg or .png without people in them")
    return torch.from_numpy(np.stack(squares).transpose(0, 3, 1, 2).copy()).to(device)


def piece(photographs: torch.Tensor, height: int, width: int) -> torch.Tensor:
    """(3, height, width) float 0..1: a random cut of a random picture at a random scale, perhaps mirrored."""
    photo = photographs[int(torch.randint(len(photographs), ()))]
    side = int(torch.randint(64, SIZE + 1, ()))
    y, x = (int(torch.randint(0, SIZE - side + 1, ())) for _ in range(2))
    cut = photo[:, y : y + side, x : x + side].float()[None] / 255
    if float(torch.rand(())) < 0.5:
        cut = cut.flip(3)
    out = torch.nn.functional.interpolate(cut, (height, width), mode="bilinear", antialias=True)[0]
    return (out * float(torch.empty(()).uniform_(0.5, 1.2))).clamp(0, 1)


def scene(photographs: torch.Tensor, height: int, width: int) -> torch.Tensor:
    """(3, height, width): a picture of nothing but pieces, one to six beside each other."""
    out = piece(photographs, height, width)
    for _ in range(int(torch.randint(0, 6, ()))):
        h, w = int(torch.randint(height // 6, height, ())), int(torch.randint(width // 8, width, ()))
        y, x = int(torch.randint(0, height - h + 1, ())), int(torch.randint(0, width - w + 1, ()))
        out[:, y : y + h, x : x + w] = piece(photographs, h, w)
    return out


def paste(image: torch.Tensor, boxes: torch.Tensor, photographs: torch.Tensor, tries: int = 8) -> None:
    """Paste pieces into (3, H, W) in place, nowhere near a box (N, 4) xyxy px."""
    height, width = image.shape[1:]
    for _ in range(tries):
        h = int(torch.randint(24, max(25, height // 2), ()))
        w = int(torch.randint(24, max(25, width // 2), ()))
        y, x = int(torch.randint(0, height - h + 1, ())), int(torch.randint(0, width - w + 1, ()))
        if len(boxes):
            apart = (
                (boxes[:, 0] > x + w + 3)
                | (boxes[:, 2] < x - 3)
                | (boxes[:, 1] > y + h + 3)
                | (boxes[:, 3] < y - 3)
            )
            if not bool(apart.all()):
                continue
        image[:, y : y + h, x : x + w] = piece(photographs, h, w)


def veil(image: torch.Tensor, photographs: torch.Tensor) -> None:
    """Print the grain of a photograph over (3, H, W) in place, people and all: no flat surface stays flat."""
    height, width = image.shape[1:]
    grain = piece(photographs, height, width)
    grain = grain if float(torch.rand(())) < 0.3 else grain.mean(0, keepdim=True)
    depth = float(torch.empty(()).uniform_(0.2, 0.9))
    image.mul_(
        (
            1 + depth * (grain - grain.mean((1, 2), keepdim=True)) / grain.std().clamp_min(0.05) * 0.3
        ).clamp_min(0.2)
    )
    image.clamp_(0, 1)
