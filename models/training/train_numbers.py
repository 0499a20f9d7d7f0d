"""Train the reader of painted field numbers on crops of painted textures: one small experiment.

Crops are cut from the renderer's painted fields (all fonts, sizes, colours, wear and other sports'
lines come with it), shifted, sheared and scaled as an imperfect camera leaves them, seen at the
resolution wide film has (foreshortened: 3 to 14 picture pixels a yard up, 5 to 25 across), covered in
part, shadowed, blurred, with noise. Numbers are read upright; far ones are turned before.

    python -m models.training.train_numbers --out DIR --looks 150 --minutes 2
"""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch.nn import functional as F

from models.marks.numbers import CROP_H, CROP_HEIGHT_YD, CROP_W, CROP_WIDTH_YD, NUMBERS, NumberNet, normalise
from models.synthetic.field_paint import paint_field
from models.synthetic.looks import random_look

PPY = 14.0


def cut(
    texture: np.ndarray,
    extent: tuple[float, ...],
    x: float,
    y: float,
    near: bool,
    turf: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """One degraded grey crop (CROP_H, CROP_W) uint8 around the field place (x, y)."""
    over = 2
    w, h = CROP_W * over, CROP_H * over
    gx, gy = np.meshgrid((np.arange(w) + 0.5) / w - 0.5, 0.5 - (np.arange(h) + 0.5) / h)
    gx, gy = gx * CROP_WIDTH_YD, gy * CROP_HEIGHT_YD
    scale, shear, turn = rng.normal(1, 0.05, 2), rng.normal(0, 0.06), rng.normal(0, 0.03)
    sign = 1.0 if near else -1.0
    fx = x + sign * (gx * scale[0] + (shear + turn) * gy) + rng.normal(0, 0.25)
    fy = y + sign * (gy * scale[1] - turn * gx) + rng.normal(0, 0.35)
    u = (fx - extent[0]) / (extent[2] - extent[0]) * texture.shape[1] - 0.5
    v = (fy - extent[1]) / (extent[3] - extent[1]) * texture.shape[0] - 0.5
    rgba = cv2.remap(texture, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR).astype(np.float32)
    alpha = rgba[..., 3:] / 255 * rng.uniform(0.35, 1.0)
    worn = cv2.resize(rng.random((6, 12)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)[
        ..., None
    ]
    alpha = alpha * np.clip(1 - rng.uniform(0, 0.9) * worn, 0.1, 1)
    rgb = turf * (1 - alpha) + rgba[..., :3] * alpha
    grey = rgb @ np.array([0.299, 0.587, 0.114])
    if rng.random() < 0.35:  # a hard shadow
        a, b = rng.normal(0, 1, 2)
        grey = np.where(a * gx + b * gy * 2 > rng.normal(0, 2), grey, grey * rng.uniform(0.35, 0.75))
    for _ in range(int(rng.integers(0, 3))):  # legs and men in the way
        cx, cw = rng.uniform(0, w), rng.uniform(4, 26)
        cv2.rectangle(
            grey,
            (int(cx), int(rng.uniform(-h, h * 0.5))),
            (int(cx + cw), int(rng.uniform(h * 0.3, h))),
            float(rng.uniform(10, 240)),
            -1,
        )
    across, up = np.exp(rng.uniform(np.log(5), np.log(25))), np.exp(rng.uniform(np.log(3), np.log(14)))
    size = (max(12, round(CROP_WIDTH_YD * across)), max(8, round(CROP_HEIGHT_YD * up)))
    grey = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), rng.uniform(0.3, 2.2))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    small = small + rng.normal(0, rng.uniform(1, 9), small.shape)
    if rng.random() < 0.5:
        ok, data = cv2.imencode(
            ".jpg", np.clip(small, 0, 255).astype(np.uint8), [1, int(rng.integers(25, 85))]
        )
        small = cv2.imdecode(data, 0) if ok else small
    return np.clip(
        cv2.resize(np.asarray(small, np.float32), (CROP_W, CROP_H), interpolation=cv2.INTER_LINEAR), 0, 255
    )


def crops_of_look(
    rng: np.random.Generator, per_number: int = 2
) -> tuple[list[np.ndarray], list[int], list[int]]:
    """Crops, number labels and arrow labels of one random look."""
    look = random_look(rng)
    f = look.field
    texture, extent, drawn = paint_field(f, ppy=PPY)
    turf = np.array(f.turf, float) * 255
    images, numbers, arrows = [], [], []
    arrow_at = {(round(a[0]), round(a[1])): a[2] for a in drawn["arrows"]}
    placed = drawn["numerals"]
    for x, y, text, _, _, near in placed:
        k = NUMBERS.index(text) if text in NUMBERS else NUMBERS.index("middle")
        beside = [d for (ax, ay), d in arrow_at.items() if abs(ax - x) < 4 and abs(ay - y) < 2.5]
        side = 0 if not beside else (1 if (beside[0] < 0) == bool(near) else 2)
        for _ in range(per_number):
            images.append(cut(texture, extent, x, y, bool(near), turf, rng))
            numbers.append(k)
            arrows.append(side)
    length = 110.0 if f.standard == "canadian" else 100.0
    rows = sorted({round(p[1], 2) for p in placed}) or [8.0]
    taken = {p[0] for p in placed}
    for _ in range(10):  # lines without a number, emblems, other sports' paint
        x, y = float(rng.choice(np.arange(-10, length + 11, 5))), float(rng.choice(rows))
        if x in taken:
            y = float(rng.uniform(14, extent[3] - 20))
        images.append(cut(texture, extent, x, y, bool(rng.random() < 0.5), turf, rng))
        numbers.append(0)
        arrows.append(0)
    return images, numbers, arrows


def _look_job(job: tuple[int, int]) -> tuple[list[np.ndarray], list[int], list[int]]:
    cv2.setNumThreads(1)
    return crops_of_look(np.random.default_rng(list(job)))


Crops = tuple[np.ndarray, np.ndarray, np.ndarray]


def make_crops(looks: int, seed: int, workers: int = 1) -> Crops:
    """(N, H, W) uint8, number (N,), arrow (N,)."""
    jobs = [(seed, k) for k in range(looks)]
    if workers > 1:
        with mp.get_context("spawn").Pool(workers) as pool:
            rows = pool.map(_look_job, jobs, chunksize=4)
    else:
        rows = [_look_job(job) for job in jobs]
    join = lambda i: [v for row in rows for v in row[i]]  # noqa: E731
    return np.array(join(0), np.uint8), np.array(join(1)), np.array(join(2))


def fit_temperature(logits: torch.Tensor, labels: torch.Tensor) -> float:
    """Temperature that minimises the negative log-likelihood (Guo et al. 2017), by a line search."""
    ts = np.exp(np.linspace(np.log(0.5), np.log(4), 40))
    return float(ts[int(np.argmin([float(F.cross_entropy(logits / t, labels)) for t in ts]))])


def train_reader(
    crops: Crops, held: Crops, minutes: float, device: torch.device, seed: int = 3
) -> tuple[dict[str, torch.Tensor], dict[str, Any]]:
    """Train on crops; returns the tensors to ship (float16, temperature among them) and the scores on
    ``held``."""
    torch.manual_seed(seed)
    data = torch.from_numpy(normalise(crops[0]))[:, None].to(device)
    ys, zs = torch.from_numpy(crops[1]).to(device), torch.from_numpy(crops[2]).to(device)
    net = NumberNet().to(device)
    optimizer = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=0.02)
    began, step = time.monotonic(), 0
    while (spent := (time.monotonic() - began) / (minutes * 60)) < 1:
        net.train()
        for group in optimizer.param_groups:
            group["lr"] = 2e-3 * 0.5 * (1 + np.cos(np.pi * spent))
        pick = torch.randint(len(data), (128,), device=device)
        batch = torch.roll(data[pick], (int(torch.randint(-2, 3, ())), int(torch.randint(-3, 4, ()))), (2, 3))
        batch = batch * (0.8 + 0.4 * torch.rand(128, 1, 1, 1, device=device)) + 0.15 * torch.randn_like(batch)
        batch = torch.where(torch.rand(128, 1, 1, 1, device=device) < 0.12, -batch, batch)  # dark numbers
        a, b = net(batch)
        loss = F.cross_entropy(a, ys[pick], label_smoothing=0.03) + 0.5 * F.cross_entropy(b, zs[pick])
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        optimizer.step()
        step += 1
    net = net.eval().cpu()
    with torch.inference_mode():
        a, b = net(torch.from_numpy(normalise(held[0]))[:, None])
    labels = torch.from_numpy(held[1])
    temperature = fit_temperature(a, labels)
    said, sure = a.argmax(1), (a / temperature).softmax(1).max(1).values
    right = (said == labels).numpy()
    scores: dict[str, Any] = {
        "crops": len(held[0]),
        "trained_on": len(data),
        "steps": step,
        "temperature": round(temperature, 3),
        "number_right": round(float(right.mean()), 4),
        "number_right_when_sure_0.9": round(float(right[(sure > 0.9).numpy()].mean()), 4),
        "share_sure_0.9": round(float((sure > 0.9).float().mean()), 4),
        "arrow_right": round(float((b.argmax(1).numpy() == held[2]).mean()), 4),
        "per_number": {
            n: round(float(right[held[1] == i].mean()), 4)
            for i, n in enumerate(NUMBERS)
            if (held[1] == i).any()
        },
    }
    state = {k: (v.half() if v.is_floating_point() else v) for k, v in net.state_dict().items()}
    return state | {"temperature": torch.tensor(temperature)}, scores


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--looks", type=int, default=150)
    parser.add_argument("--minutes", type=float, default=2.0)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = parser.parse_args()
    crops = make_crops(args.looks, args.seed, args.workers)
    held = make_crops(max(10, args.looks // 6), args.seed + 10_000, args.workers)
    state, scores = train_reader(crops, held, args.minutes, torch.device(args.device), args.seed)
    args.out.mkdir(parents=True, exist_ok=True)
    torch.save(state, args.out / "numbers.pt")
    (args.out / "numbers.json").write_text(json.dumps(scores, indent=1))
    print(json.dumps(scores, indent=1))


if __name__ == "__main__":
    main()
