"""Train the mark network on labelled frames: one experiment, read from top to bottom.

Starts from weights that have seen real photographs (backbone layers 0..6 of a yolov8s), keeps the
backbone's batch-norms fixed and its rate low, and draws film faults anew for every picture: hue
±0.35, exposure, blur or halos, sensor noise, low resolution, 8x8 blocks, and before these the "wild"
changes no camera makes and the grain of photographs (models.training.augment, models.training.negatives),
so that less of what is learnt belongs to the renderer.
Losses: weighted cross-entropy on soft ridge masks; penalty-reduced focal loss on heat maps with
offsets by L1 (Zhou, Wang, Krähenbühl: Objects as Points, 2019). Hidden marks carry no loss.

    python -m models.training.train_marks --data DIR --start START.pt --out DIR --minutes 4

After it the reader of painted numbers is trained too (models.training.train_numbers; its crops are made by
other processes meanwhile) and put into the same file under ``reader.``.

Writes OUT/marks.pt (float16 tensors only) and OUT/marks.json (recipe, losses, scores on looks kept apart).
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import json
import math
import os
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

from models.marks.decode import peaks
from models.marks.network import CHANNELS, MASKS, POINTS, STRIDE, MarkNet, save_marks
from models.training.augment import cut_windows, photometric, random_windows
from models.training.marks_data import (
    CANVAS_H,
    CANVAS_W,
    IGNORED,
    PRESENT,
    RIDGE_SD_PX,
    STEP_PX,
    MarkCache,
    cache_marks,
    read_frames,
)
from models.training.negatives import load_negatives, veil
from models.training.train_numbers import Crops, make_crops, train_reader

TARGET_SHIFT = torch.tensor([1 / CANVAS_W, 1 / CANVAS_H])
"""Half a canvas pixel in grid_sample's coordinates. The cache keeps every second pixel (1, 3, 5, ...), which
grid_sample takes for the mean of two (0.5, 2.5, ...): targets are asked for that much further up and left."""

KEEP_EVERY_S = 45.0


@dataclass(frozen=True)
class Recipe:
    """Every setting of a run; written into the log beside the result."""

    width_px: int = 960
    height_px: int = 544
    batch: int = 32
    rate: float = 1.5e-3
    backbone_factor: float = 0.12
    hue: float = 0.35
    scales: tuple[float, float] = (0.9, 2.2)
    minutes: float = 4.0
    steps: int | None = None
    weight_decay: float = 0.02
    mean_decay: float = 0.998
    validation_share: float = 0.08
    wild: bool = True
    veil_share: float = 0.25
    seed: int = 11


def make_batch(
    cache: MarkCache,
    index: torch.Tensor,
    recipe: Recipe,
    augment: bool = True,
    photographs: torch.Tensor | None = None,
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """(images (B,3,H,W) 0..1, ridge targets (B,3,h,w), seen (B,1,h,w), heat (B,3,h,w), points).

    points: (M, 5) of sample, x, y (window pixels), class, state. photographs: see models.training.negatives.
    """
    device = cache.images.device
    n, out_hw = len(index), (recipe.height_px, recipe.width_px)
    canvas_hw = (CANVAS_H, CANVAS_W)
    theta, forward = random_windows(n, canvas_hw, out_hw, device, recipe.scales if augment else (1, 1))
    at = index.to(device)
    images = cut_windows(cache.images[at], canvas_hw, theta, forward, out_hw)
    if augment:
        if recipe.wild and photographs is not None:
            for image in images:
                if float(torch.rand(())) < recipe.veil_share:
                    veil(image, photographs)
        images = photometric(images, recipe.hue, recipe.wild)
    small = F.affine_grid(theta, [n, 1, out_hw[0] // STRIDE, out_hw[1] // STRIDE], align_corners=False)
    small = small - TARGET_SHIFT.to(device)
    far = F.grid_sample(
        cache.distances[at].float() * STEP_PX, small, padding_mode="border", align_corners=False
    )
    seen = F.grid_sample(cache.seen[at].float(), small, padding_mode="zeros", align_corners=False)
    scale = (forward[:, 0, 0].abs() * forward[:, 1, 1]).sqrt().view(-1, 1, 1, 1)
    ridge = torch.exp(-0.5 * ((far * scale - 0.5).clamp_min(0) / RIDGE_SD_PX) ** 2)
    rows = []
    for i, k in enumerate(index.tolist()):
        p = cache.points[k]
        xy = (p[:, :2] + 0.5) * forward[i, [0, 1], [0, 1]] + forward[i, :, 2] - 0.5
        inside = (xy > -4).all(1) & (xy[:, 0] < out_hw[1] + 4) & (xy[:, 1] < out_hw[0] + 4)
        rows.append(torch.cat([torch.full((len(p), 1), float(i), device=device), xy, p[:, 2:]], 1)[inside])
    points = torch.cat(rows)
    return (
        images,
        ridge,
        (seen > 0.5).float(),
        *draw_heat(points, n, (out_hw[0] // STRIDE, out_hw[1] // STRIDE)),
    )


def draw_heat(points: torch.Tensor, n: int, hw: tuple[int, int]) -> tuple[torch.Tensor, torch.Tensor]:
    """Heat targets (n, 3, h, w): 1 at the cell nearest a present mark, falling off; -1 where ignored."""
    device, reach = points.device, 3
    heat = torch.zeros(n, len(POINTS), *hw, device=device)
    if not len(points):
        return heat, points
    cells = (points[:, 1:3] - (STRIDE - 1) / 2) / STRIDE
    middle = cells.round()
    offsets = torch.stack(
        torch.meshgrid(*[torch.arange(-reach, reach + 1, device=device)] * 2, indexing="xy"), -1
    )
    at = (middle[:, None] + offsets.reshape(1, -1, 2)).long()
    fall = torch.exp(-0.5 * ((at - middle[:, None]) ** 2).sum(-1) / 1.1**2)
    inside = (at >= 0).all(-1) & (at[..., 0] < hw[1]) & (at[..., 1] < hw[0])
    flat = ((points[:, 0:1] * len(POINTS) + points[:, 3:4]).long() * hw[0] + at[..., 1]) * hw[1] + at[..., 0]
    present = (points[:, 4:5] == PRESENT) & inside
    heat.view(-1).scatter_reduce_(0, flat[present], fall[present], "amax")
    ignored = (points[:, 4:5] == IGNORED) & inside
    weak = flat[ignored]
    heat.view(-1)[weak] = torch.where(heat.view(-1)[weak] > 0.3, heat.view(-1)[weak], -1.0)
    return heat, points


def losses(
    out: torch.Tensor, ridge: torch.Tensor, seen: torch.Tensor, heat: torch.Tensor, points: torch.Tensor
) -> dict[str, torch.Tensor]:
    """Ridge, heat and offset losses (each a mean per positive)."""
    out = out.float()
    weight = seen * (1 + 5 * ridge)
    ridge_loss = (
        F.binary_cross_entropy_with_logits(out[:, : len(MASKS)], ridge, reduction="none") * weight
    ).sum()
    ridge_loss = ridge_loss / weight.sum().clamp_min(1) * 4
    logits = out[:, len(MASKS) : len(CHANNELS)]
    p = logits.sigmoid().clamp(1e-5, 1 - 1e-5)
    positive, asked = heat >= 0.999, heat >= 0
    gain = -(torch.log(p) * (1 - p) ** 2)[positive].sum()
    lose = -(torch.log(1 - p) * p**2 * (1 - heat.clamp_min(0)) ** 4)[asked & ~positive].sum()
    heat_loss = (gain + lose) / positive.sum().clamp_min(1)
    good = points[points[:, 4] == PRESENT]
    cells = (good[:, 1:3] - (STRIDE - 1) / 2) / STRIDE
    offset_loss = out.new_zeros(())
    h, w = out.shape[2:]
    for dx, dy in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)):
        at = cells.round() + torch.tensor([dx, dy], device=out.device)
        ok = (at >= 0).all(1) & (at[:, 0] < w) & (at[:, 1] < h)
        if ok.any():
            b, k, (x, y) = good[ok, 0].long(), good[ok, 3].long(), at[ok].long().T
            found = torch.stack(
                [out[b, len(CHANNELS) + 2 * k, y, x], out[b, len(CHANNELS) + 2 * k + 1, y, x]], 1
            )
            offset_loss = offset_loss + (found - (cells[ok] - at[ok])).abs().mean() / 5
    return {"ridge": ridge_loss, "heat": heat_loss, "offset": offset_loss}


def learning_rate(progress: float, warm: float = 0.05) -> float:
    """Factor on the top rate: linear warm-up, then half a cosine to 1 %."""
    if progress < warm:
        return max(progress / warm, 0.01)
    return 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * (progress - warm) / (1 - warm)))


def train(
    cache: MarkCache,
    index: np.ndarray,
    start: dict[str, torch.Tensor],
    recipe: Recipe,
    log: list[Any],
    photographs: torch.Tensor | None = None,
    keep: Callable[[MarkNet], None] | None = None,
) -> MarkNet:
    """Run the recipe on the frames ``index``; returns the net with the mean weights (eval mode).

    keep: called with the mean net about once a minute, so that a run cut short leaves something.
    """
    torch.manual_seed(recipe.seed)
    device = cache.images.device
    net = MarkNet()
    print(f"{net.take_start(start) if start else 0} tensors taken from the start state", flush=True)
    net = net.to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    groups = [
        {
            "params": list(net.model.parameters()),
            "top": recipe.rate * (recipe.backbone_factor if start else 1.0),
        },
        {"params": [p for k, p in net.named_parameters() if not k.startswith("model.")], "top": recipe.rate},
    ]
    optimizer = torch.optim.AdamW(groups, lr=recipe.rate, weight_decay=recipe.weight_decay)
    mean = copy.deepcopy(net).eval()
    began, step, progress = time.monotonic(), 0, 0.0
    kept = began
    order = torch.as_tensor(index)
    while progress < 1.0:
        net.train()
        if start:
            net.model.eval()  # the backbone's batch-norms keep the statistics of real photographs
        pick = order[torch.randint(len(order), (recipe.batch,))]
        with torch.no_grad():
            images, *targets = make_batch(cache, pick, recipe, photographs=photographs)
        for group in optimizer.param_groups:
            group["lr"] = group["top"] * learning_rate(progress)
        with torch.autocast(device.type, dtype=torch.bfloat16):
            out = net(images.contiguous(memory_format=torch.channels_last))
        parts = losses(out, *targets)
        optimizer.zero_grad(set_to_none=True)
        torch.stack(list(parts.values())).sum().backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimizer.step()
        step += 1
        with torch.no_grad():
            for target, source in zip(mean.state_dict().values(), net.state_dict().values(), strict=True):
                if target.is_floating_point():
                    target.lerp_(source, 1 - min(recipe.mean_decay, step / (step + 20)))
        spent = time.monotonic() - began
        progress = step / recipe.steps if recipe.steps else spent / (recipe.minutes * 60)
        if step % 50 == 0 or progress >= 1:
            row = {"step": step, "seconds": round(spent, 1)} | {
                k: round(float(v.detach()), 4) for k, v in parts.items()
            }
            log.append(row)
            print(row, flush=True)
        if keep is not None and time.monotonic() - kept > KEEP_EVERY_S:
            kept = time.monotonic()
            keep(mean)
    return mean


@torch.no_grad()
def score(net: MarkNet, cache: MarkCache, index: np.ndarray, radius_px: float = 3.0) -> dict[str, Any]:
    """Precision and recall of the points within ``radius_px`` canvas pixels; recall of the ridges."""
    device = cache.images.device
    counts: dict[str, dict[str, Any]] = {
        k: {"found": 0, "right": 0, "truth": 0, "error_px": []} for k in POINTS
    }
    ridge: dict[str, list[float]] = {k: [0.0, 0.0, 0.0, 0.0] for k in MASKS}
    at = TARGET_CENTRES.to(device)
    for k in index.tolist():
        image = F.pad(cache.images[k : k + 1].float() / 255, (0, 0, 0, (-CANVAS_H) % 32))
        with torch.autocast(device.type, dtype=torch.bfloat16):
            out = net(image)[0].float()
        out = out[:, : CANVAS_H // STRIDE]
        far = F.grid_sample(cache.distances[k : k + 1].float() * STEP_PX, at, align_corners=False)[0]
        seen = F.grid_sample(cache.seen[k : k + 1].float(), at, align_corners=False)[0, 0] > 0.5
        for i, name in enumerate(MASKS):
            p = out[i].sigmoid() > 0.4
            ridge[name][0] += float((p & (far[i] < 2.5) & seen).sum())
            ridge[name][1] += float(((far[i] < 2.5) & seen).sum())
            ridge[name][2] += float((p & (far[i] < 7) & seen).sum())
            ridge[name][3] += float((p & seen).sum())
        raw, truth = out.cpu().numpy(), cache.points[k].cpu().numpy()
        for i, name in enumerate(POINTS):
            _match(
                counts[name],
                peaks(raw, name),
                truth[truth[:, 2] == i],
                radius_px * (3 if name == "numeral" else 1),
            )
    result: dict[str, Any] = {"frames": len(index), "radius_px": radius_px}
    for name, c in counts.items():
        result[name] = {
            "precision": round(c["right"] / max(c["found"], 1), 4),
            "recall": round(c["right"] / max(c["truth"], 1), 4),
            "median_error_px": round(float(np.median(c["error_px"])), 3) if c["error_px"] else None,
            "truth": c["truth"],
        }
    for name, (hit, total, good, said) in ridge.items():
        result[name] = {"precision": round(good / max(said, 1), 4), "recall": round(hit / max(total, 1), 4)}
    return result


def _centres() -> torch.Tensor:
    h, w = CANVAS_H // STRIDE, CANVAS_W // STRIDE
    y, x = torch.meshgrid(
        (torch.arange(h) + 0.5) * 2 / h - 1, (torch.arange(w) + 0.5) * 2 / w - 1, indexing="ij"
    )
    return torch.stack([x, y], -1)[None] - TARGET_SHIFT


TARGET_CENTRES = _centres()


def _match(count: dict[str, Any], found: np.ndarray, truth: np.ndarray, radius: float) -> None:
    """Greedy matching, best score first; hits on ignored marks and marks off the picture do not count."""
    inside = (truth[:, 0] >= 0) & (truth[:, 1] >= 0) & (truth[:, 0] < CANVAS_W) & (truth[:, 1] < CANVAS_H)
    asked = truth[inside & (truth[:, 3] == PRESENT)]
    other = truth[~(inside & (truth[:, 3] == PRESENT))]
    count["truth"] += len(asked)
    free = np.ones(len(asked), bool)
    for x, y, _ in found:
        far = np.hypot(asked[:, 0] - x, asked[:, 1] - y) + np.where(free, 0, 1e9)
        if len(far) and far.min() <= radius:
            free[far.argmin()] = False
            count["right"] += 1
            count["found"] += 1
            count["error_px"].append(float(far.min()))
        elif not (len(other) and np.hypot(other[:, 0] - x, other[:, 1] - y).min() <= 3 * radius):
            count["found"] += 1


def split_by_look(looks: list[str], share: float) -> tuple[np.ndarray, np.ndarray]:
    """Indices for training and validation; a look is on one side only (by a hash of its name)."""
    held = {k for k in set(looks) if int(hashlib.sha256(k.encode()).hexdigest()[:8], 16) / 2**32 < share}
    mask = np.array([k in held for k in looks])
    return np.nonzero(~mask)[0], np.nonzero(mask)[0]


def _crops_meanwhile(looks: int) -> list[Future[Crops]] | None:
    """Start making the reader's crops (training, held apart) in the background; None when not wanted."""
    if not looks:
        return None
    pool = ThreadPoolExecutor(1)
    workers = max(1, (os.cpu_count() or 2) // 3)
    return [
        pool.submit(make_crops, n, seed, workers) for n, seed in ((looks, 3), (max(2, looks // 6), 10_003))
    ]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--labels",
        "--data",
        dest="data",
        type=Path,
        required=True,
        action="append",
        help="folder of labelled frames",
    )
    parser.add_argument(
        "--validation", type=Path, action="append", default=[], help="folders scored at the end"
    )
    parser.add_argument(
        "--from",
        "--start",
        dest="start",
        type=Path,
        help="start state (.pt of tensors); random when left out",
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--steps", type=int)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--width", type=int, default=Recipe.width_px, help="of a training window, px")
    parser.add_argument("--height", type=int, default=Recipe.height_px)
    parser.add_argument("--tame", action="store_true", help="without the wild changes")
    parser.add_argument("--negatives", type=Path, help="photographs whose grain is printed over frames")
    parser.add_argument("--limit", type=int, help="use this many frames at most")
    parser.add_argument(
        "--reader-looks", type=int, default=500, help="looks for the number reader's crops; 0: none"
    )
    parser.add_argument("--reader-minutes", type=float, default=0.75)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = parser.parse_args()
    from models.detector.storage import read_state

    recipe = Recipe(
        args.width, args.height, args.batch, minutes=args.minutes, steps=args.steps, wild=not args.tame
    )
    crops = _crops_meanwhile(args.reader_looks)
    device = torch.device(args.device)
    began = time.monotonic()
    frames = [f for folder in args.data for f in read_frames(folder)][: args.limit]
    cache = cache_marks(frames, device)
    print(f"{len(frames)} frames labelled in {time.monotonic() - began:.0f} s on {device}", flush=True)
    train_index, held_index = split_by_look(cache.looks, recipe.validation_share)
    start = read_state(args.start) if args.start else {}
    log: list[Any] = []
    photographs = load_negatives(args.negatives, device) if args.negatives else None
    args.out.mkdir(parents=True, exist_ok=True)
    net = train(
        cache, train_index, start, recipe, log, photographs, lambda n: save_marks(n, args.out / "marks.pt")
    )
    save_marks(net, args.out / "marks.pt")
    result: dict[str, Any] = {
        "recipe": asdict(recipe),
        "frames": len(train_index),
        "looks": len({cache.looks[i] for i in train_index}),
        "start": args.start.name if args.start else None,
        "log": log[:: max(1, len(log) // 20)],
        "scores": {},
    }
    result["scores"]["held_looks"] = score(net, cache, held_index[:400])
    result["scores"]["trained_looks"] = score(net, cache, train_index[:100])
    del cache
    for folder in args.validation:
        other = cache_marks(read_frames(folder), device)
        result["scores"][folder.name] = score(net, other, np.arange(len(other.looks)))
    (args.out / "marks.json").write_text(json.dumps(result, indent=1))
    print(json.dumps(result["scores"], indent=1), flush=True)
    if crops is not None:
        reader, result["scores"]["reader"] = train_reader(
            crops[0].result(), crops[1].result(), args.reader_minutes, device
        )
        save_marks(net, args.out / "marks.pt", reader)
        (args.out / "marks.json").write_text(json.dumps(result, indent=1))
        print(json.dumps(result["scores"]["reader"], indent=1), flush=True)


if __name__ == "__main__":
    main()
