"""Train the network that judges boxes among their neighbours (`models.detector.crowd`).

    python -m models.training.train_crowd SET ... [--out FILE] [--workers 2] [--seed 0]

SET: labelled pictures (`models.synthetic.dataset` or an Ultralytics folder). Each is looked at as stills with
small men are; a box is right where it overlaps a true man of its kind by 0.5 or more and no surer box has
him. The first fifth of the pictures is left out of the training and gives the printed figures.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import torch
from sklearn.metrics import average_precision_score, log_loss

from models.detector.agreement import Agreement, agree
from models.detector.band import STILL_WIDTHS_PX, looks_at_still
from models.detector.crowd import LIMIT, PEOPLE, SHIPPED, Crowd, describe
from models.detector.detector import Detector
from models.evaluation.detector import match_frame
from models.training.frames import LabelledFrame, read_folder
from models.training.judge_stills import stills_of_frames

HIDDEN, EPOCHS, BATCH, RATE, DECAY = 16, 40, 256, 3e-3, 1e-2
Rows = tuple[np.ndarray, np.ndarray, np.ndarray]


def right_boxes(seen: Agreement, true_xyxy: np.ndarray, true_kind: np.ndarray) -> np.ndarray:
    """(N,) bool: the surest box of its kind on a true man (M, 4), of those that overlap him by 0.5."""
    boxes, men = torch.from_numpy(seen.xyxy_px), torch.from_numpy(np.array(true_xyxy, float))
    kind, confidence = seen.chance.argmax(1), seen.chance.max(1, initial=0.0)
    right = match_frame(
        boxes, torch.from_numpy(kind), torch.from_numpy(confidence), men, torch.from_numpy(true_kind)
    )
    return np.asarray(right[:, 0])


def rows_of(seen: Agreement, size_px: tuple[int, int], true_xyxy: np.ndarray, true_kind: np.ndarray) -> Rows:
    """Columns (N, F), right (N,) and chance (N,) of a picture's boxes of people."""
    boxes = np.isin(seen.chance.argmax(1), PEOPLE)
    right = right_boxes(seen, true_xyxy, true_kind)
    return describe(seen, size_px)[boxes], right[boxes], seen.chance.max(1, initial=0.0)[boxes]


def look_at(frames: Sequence[LabelledFrame]) -> list[Rows]:
    """Rows of each picture; pictures without people give none."""
    torch.set_num_threads(1)
    detector, out = Detector.load(), []
    for still in stills_of_frames(frames, ""):
        seen = agree(looks_at_still(detector, still.bgr, STILL_WIDTHS_PX[0][1]))
        size = (still.bgr.shape[1], still.bgr.shape[0])
        rows = rows_of(seen, size, still.true_xyxy, still.true_kind)
        out.append(rows) if len(rows[0]) else None
    return out


def fit(columns: np.ndarray, right: np.ndarray, seed: int) -> Crowd:
    """The network of (N, F) columns and (N,) answers."""
    torch.manual_seed(seed)
    mean, deviation = columns.mean(0), columns.std(0) + 1e-6
    x = torch.from_numpy(((columns - mean) / deviation).clip(-LIMIT, LIMIT)).float()
    y = torch.from_numpy(right.astype(np.float32))
    widths = (x.shape[1], HIDDEN, HIDDEN, 1)
    linear = [torch.nn.Linear(a, b) for a, b in zip(widths, widths[1:], strict=False)]
    net = torch.nn.Sequential(linear[0], torch.nn.SiLU(), linear[1], torch.nn.SiLU(), linear[2])
    steps = EPOCHS * -(-len(x) // BATCH)
    step = torch.optim.AdamW(net.parameters(), RATE, weight_decay=DECAY)
    pace = torch.optim.lr_scheduler.OneCycleLR(step, RATE, total_steps=steps)
    for _ in range(EPOCHS):
        for batch in torch.randperm(len(x)).split(BATCH):
            step.zero_grad()
            loss = torch.nn.functional.binary_cross_entropy_with_logits(net(x[batch])[:, 0], y[batch])
            loss.backward()  # type: ignore[no-untyped-call]
            step.step()
            pace.step()
    layers = [(one.weight.detach().numpy(), one.bias.detach().numpy()) for one in linear]
    return Crowd(mean.astype(np.float32), deviation.astype(np.float32), tuple(layers))


def figures(crowd: Crowd, rows: Sequence[Rows]) -> str:
    """Average precision and logarithmic loss of the looks' chance and of the network's."""
    columns, right, said = (np.concatenate(parts) for parts in zip(*rows, strict=True))
    net = crowd.chance(columns)
    both = np.sqrt(np.maximum(0.0, said * net))
    ap = (average_precision_score(right, p) for p in (said, net, both))
    loss = (log_loss(right, p.clip(1e-6, 1 - 1e-6)) for p in (said, net))
    return (
        "average precision of the looks {:.4f}, network {:.4f}, both {:.4f}; loss {:.3f}, {:.3f}".format(
            *ap, *loss
        )
        + f" ({len(right)} boxes of {len(rows)} pictures)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("sets", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, default=SHIPPED)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    frames = [f for folder in args.sets for f in read_folder(folder)]
    shares = [frames[k :: args.workers] for k in range(args.workers)]
    with ProcessPoolExecutor(args.workers, multiprocessing.get_context("spawn")) as pool:
        rows = [r for part in pool.map(partial(look_at), shares) for r in part]
    held = len(rows) // 5
    columns, right, _ = (np.concatenate(p) for p in zip(*rows[held:], strict=True))
    crowd = fit(columns, right, args.seed)
    print("left out:", figures(crowd, rows[:held]))
    crowd.save(args.out)
    print(f"{args.out}: {len(rows) - held} pictures")


if __name__ == "__main__":
    main()
