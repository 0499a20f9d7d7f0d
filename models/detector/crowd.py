"""One man or two: how likely a box among its neighbours is a whole man, learnt from several looks.

Where men overlap, a detector's doubts tell little: a second box of one man and a man half hidden look alike
in confidence. What the looks agree on, how the box lies to a surer one and how tall men are in that part of
the picture tell more. A small network reads just these, so nothing of a picture's style can enter.
`models.training.train_crowd` trains it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
import torch
from torchvision.ops import box_iou

from models.detector.agreement import BALL, Agreement
from models.detector.detector import KINDS, WEIGHTS
from models.detector.storage import WeightsError

SHIPPED = WEIGHTS / "crowd.npz"
PEOPLE = (KINDS.index("player"), KINDS.index("official"))
SURE = 0.5
LIMIT = 5.0  # what is stranger than so many deviations counts as this strange
HEIGHT_ROUNDS, HEIGHT_SCALE = 5, 0.12


def describe(seen: Agreement, size_px: tuple[int, int]) -> np.ndarray:
    """(N, 24) float32, one row a box; size_px: width and height of the picture.

    Chance of his kind, of player, official and other person; least chance of a look, share of the looks that
    see him; spread of the four corners in heights; log of width by height, of height against what men there
    have, of height at 1280 px; of the surer box he overlaps most: IoU, its chance, foot and middle apart in
    his heights and widths, logs of heights' and widths' ratio; the next such IoU, the most with a less sure
    one, share of him inside surer ones; at the picture's side, at its lower edge.
    """
    n, (wide, tall) = len(seen.xyxy_px), size_px
    box, chance = seen.xyxy_px, seen.chance
    confidence, man = chance.max(1, initial=0.0), chance.argmax(1) != BALL
    look = seen.chances.sum(2)
    w, h = np.maximum(1.0, box[:, 2] - box[:, 0]), np.maximum(1.0, box[:, 3] - box[:, 1])
    middle, foot = (box[:, 0] + box[:, 2]) / 2, box[:, 3]
    iou = box_iou(torch.from_numpy(box), torch.from_numpy(box)).numpy()
    inside = iou * (w * h + (w * h)[:, None]) / (1 + iou) / (w * h)[:, None]
    others = man[None] & ~np.eye(n, dtype=bool)
    surer = others & (confidence[None] > confidence[:, None])
    over = np.where(surer, iou, 0.0)
    rows, j = np.arange(n), over.argmax(1) if n else np.zeros(0, int)
    best = over[rows, j]
    over[rows, j] = 0.0
    beside = best > 0
    columns = [
        *(confidence, chance[:, PEOPLE[0]], chance[:, PEOPLE[1]], chance[:, KINDS.index("other")]),
        *(look.min(1, initial=1.0), (look > 0).mean(1), *(seen.spread_px / h[:, None]).T),
        *(np.log(w / h), _taller(box, confidence, np.isin(chance.argmax(1), PEOPLE), tall)),
        np.log(h * 1280 / wide),
        *(best, confidence[j] * beside, beside * (foot - foot[j]) / h, beside * (middle - middle[j]) / w),
        *(beside * np.log(h / h[j]), beside * np.log(w / w[j]), over.max(1, initial=0.0)),
        *(np.where(others & ~surer, iou, 0.0).max(1, initial=0.0), np.where(surer, inside, 0.0).sum(1)),
        *((box[:, 0] < 2) | (box[:, 2] > wide - 3), box[:, 3] > tall - 3),
    ]
    return np.nan_to_num(np.column_stack(columns)).astype(np.float32)


def _taller(box: np.ndarray, confidence: np.ndarray, person: np.ndarray, tall: int) -> np.ndarray:
    """(N,) log of each height against that of sure men at the same row of the picture; 0 without five."""
    sure = person & (confidence > SURE)
    if sure.sum() < 5:
        return np.zeros(len(box))
    row, height = box[:, 3] / tall, np.log(np.maximum(1.0, box[:, 3] - box[:, 1]))
    ground = np.column_stack([np.ones(len(box)), row])
    weight = np.ones(int(sure.sum()))
    for _ in range(HEIGHT_ROUNDS):
        line = np.linalg.lstsq(ground[sure] * weight[:, None], height[sure] * weight, rcond=None)[0]
        off = height[sure] - ground[sure] @ line
        weight = 1 / np.sqrt(1 + np.square(off / HEIGHT_SCALE))
    return np.asarray(height - ground @ line)


@dataclass(frozen=True)
class Crowd:
    """The network: mean, deviation (F,) of the columns; weights and biases of its layers, inputs first."""

    mean: np.ndarray
    deviation: np.ndarray
    layers: tuple[tuple[np.ndarray, np.ndarray], ...]

    def chance(self, columns: np.ndarray) -> np.ndarray:
        """(N,) chance that a box is a whole man of its kind (IoU 0.5 or more), of rows of `describe`."""
        x = torch.from_numpy(((columns - self.mean) / self.deviation).clip(-LIMIT, LIMIT)).float()
        for k, (weight, bias) in enumerate(self.layers):
            x = torch.nn.functional.linear(x, torch.from_numpy(weight), torch.from_numpy(bias))
            x = torch.nn.functional.silu(x) if k < len(self.layers) - 1 else x
        return np.asarray(torch.sigmoid(x)[:, 0])

    def confidence(self, seen: Agreement, size_px: tuple[int, int]) -> np.ndarray:
        """(N,) of each box: the geometric mean of the looks' chance and this one; of a ball the former."""
        said = seen.chance.max(1, initial=0.0)
        people = np.isin(seen.chance.argmax(1), PEOPLE)
        if not people.any():
            return said
        return np.where(people, np.sqrt(said * self.chance(describe(seen, size_px))), said)

    def save(self, path: Path) -> None:
        """Write to one .npz (float32; no pickles)."""
        arrays = {"mean": self.mean, "deviation": self.deviation}
        for k, (weight, bias) in enumerate(self.layers):
            arrays |= {f"weight{k}": weight, f"bias{k}": bias}
        np.savez_compressed(path, **{k: np.asarray(v, np.float32) for k, v in arrays.items()})  # type: ignore[arg-type]

    @classmethod
    def load(cls, path: Path = SHIPPED) -> Crowd:
        """Read what `save` wrote. Raises WeightsError saying what is wrong with the file."""
        try:
            with np.load(path, allow_pickle=False) as data:
                count = sum(name.startswith("weight") for name in data.files)
                layers = tuple((data[f"weight{k}"], data[f"bias{k}"]) for k in range(count))
                return cls(data["mean"], data["deviation"], layers)
        except (OSError, ValueError, KeyError, EOFError, BadZipFile) as error:
            raise WeightsError(f"{path}: not a network of models.detector.crowd ({error})") from error


@cache
def shipped() -> Crowd:
    """The network that ships."""
    return Crowd.load()
