"""Train the reader of jersey numbers on made crops: one small experiment, minutes on a CPU.

python -m models.training.jersey_views VIEWS.npz
python -m models.training.jersey_crops TRAIN.npz --views VIEWS.npz --fonts FONTS --leave REGEX
python -m models.training.jersey_crops HELD.npz --views OTHER_VIEWS.npz --fonts FONTS --keep REGEX
python -m models.training.train_jerseys --data TRAIN.npz ... --held HELD.npz --out DIR --minutes 8
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch.nn import functional as F

from models.jerseys.reader import PLACES_SIDE, WIDTHS, JerseyNet

SEEN_FROM, SEEN_FULL = 0.22, 0.45
"""Visible share of the lesser digit from which a number starts to count as seen, and counts whole."""
READ_FROM = 0.3
WHERE_COUNTS = 0.3
Data = dict[str, torch.Tensor]


def load_crops(files: Sequence[Path]) -> Data:
    """Tensors of made crops: images (N,S,S,3) uint8, tens, ones, seen 0..1 (aim), read (N,) bool, tens_at
    and ones_at: the network's place that holds the digit's middle, -1 where it is not seen."""
    packs = [np.load(f, allow_pickle=False) for f in files]
    join = lambda name: np.concatenate([p[name] for p in packs])  # noqa: E731
    number, share = join("number").astype(np.int64), join("seen")
    known, where = np.maximum(number, 0), join("where")
    return {
        "images": torch.from_numpy(join("images")),
        "tens": torch.from_numpy(known // 10),
        "ones": torch.from_numpy(known % 10),
        "seen": torch.from_numpy(
            np.clip((share - SEEN_FROM) / (SEEN_FULL - SEEN_FROM), 0, 1).astype(np.float32)
        ),
        "read": torch.from_numpy((number >= 0) & (share >= READ_FROM)),
        "side_px": torch.from_numpy(join("side_px")),
        "tens_at": _cells(where[:, 0]),
        "ones_at": _cells(where[:, 1]),
    }


def _cells(at: np.ndarray) -> torch.Tensor:
    """Places (N,) of points (N,2) given as shares of the crop; -1 for NaN."""
    cell = np.clip(np.nan_to_num(at, nan=0.0) * PLACES_SIDE, 0, PLACES_SIDE - 1).astype(np.int64)
    return torch.from_numpy(np.where(np.isnan(at[:, 0]), -1, cell[:, 1] * PLACES_SIDE + cell[:, 0]))


def jitter(images: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """(B,S,S,3) uint8 -> float: shifted a little, channels mixed, now and then negative, with noise."""
    n = len(images)
    rand = lambda *shape: torch.rand(*shape, generator=generator, device=images.device)  # noqa: E731
    dy, dx = (int(v) for v in torch.randint(-2, 3, (2,), generator=generator, device=images.device))
    x = torch.roll(images, (dy, dx), (1, 2)).float()
    order = torch.randperm(3, generator=generator, device=images.device)
    mix = rand(n, 1, 1, 1) < 0.3
    x = torch.where(mix, x[..., order], x)
    x = torch.where(rand(n, 1, 1, 1) < 0.1, 255 - x, x)
    return x + rand(n, 1, 1, 1) * 6 * torch.randn(x.shape, generator=generator, device=x.device)


def loss_of(net: JerseyNet, x: torch.Tensor, d: Data, pick: torch.Tensor) -> torch.Tensor:
    """Seen: logistic loss on its soft aim. Digits: only where both can be read. Where: the place at which
    the head of each digit should look."""
    seen, tens, ones, where = net(x)
    out = F.binary_cross_entropy_with_logits(seen[:, 0], d["seen"][pick])
    for k, name in ((1, "tens_at"), (2, "ones_at")):
        there = d[name][pick] >= 0
        if bool(there.any()):
            out = out + WHERE_COUNTS * F.cross_entropy(where[there, k], d[name][pick][there])
    use = d["read"][pick]
    if bool(use.any()):
        for logits, name in ((tens, "tens"), (ones, "ones")):
            out = out + F.cross_entropy(logits[use], d[name][pick][use])
    return out


def as_input(x: torch.Tensor) -> torch.Tensor:
    """As `models.jerseys.crops.normalise`, on a tensor of any device (a test holds them together)."""
    size = x.shape[1]
    low, high = size // 6, size - size // 6
    middle = x[:, low:high, low:high].mean(3)
    mean, spread = middle.mean((1, 2)), middle.std((1, 2), correction=0) + 4.0
    return (
        ((x - mean[:, None, None, None]) / spread[:, None, None, None])
        .permute(0, 3, 1, 2)
        .contiguous(memory_format=torch.channels_last)
    )


def train(
    data: Data, minutes: float, batch: int = 96, rate: float = 3e-3, seed: int = 3,
    widths: Sequence[int] = WIDTHS,
) -> tuple[JerseyNet, int]:  # fmt: skip
    """A network trained for some minutes (one-cycle cosine), and the number of its steps."""
    torch.manual_seed(seed)
    device = data["images"].device
    generator = torch.Generator(device).manual_seed(seed)
    net = JerseyNet(widths).to(device, memory_format=torch.channels_last).train()  # type: ignore[call-overload]
    mean = {k: v.detach().clone() for k, v in net.state_dict().items()}
    optimizer = torch.optim.AdamW(net.parameters(), rate, weight_decay=0.02)
    began, step = time.monotonic(), 0
    while (spent := (time.monotonic() - began) / (minutes * 60)) < 1:
        for group in optimizer.param_groups:
            group["lr"] = rate * min(1.0, spent / 0.05 + 0.05) * 0.5 * (1 + math.cos(math.pi * spent))
        pick = torch.randint(len(data["tens"]), (batch,), generator=generator, device=device)
        loss = loss_of(net, as_input(jitter(data["images"][pick], generator)), data, pick)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        optimizer.step()
        step += 1
        with torch.no_grad():  # running mean of the weights, shorter at the start
            keep = min(0.998, step / (step + 9))
            for k, v in net.state_dict().items():
                mean[k] = mean[k] * keep + v * (1 - keep) if v.is_floating_point() else v.clone()
        if step % 200 == 0:
            print(f"step {step}, {spent:.0%}, loss {float(loss.detach()):.3f}", flush=True)
    net.load_state_dict(mean)
    return net.eval().cpu(), step


@torch.inference_mode()
def outputs(net: JerseyNet, data: Data) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Logits of all crops of a set."""
    rows = [net(as_input(part.float())) for part in data["images"].split(256)]
    seen, tens, ones = (torch.cat([r[k] for r in rows]) for k in range(3))
    return seen[:, 0], tens, ones


def fit_temperature(logits: Sequence[torch.Tensor], labels: Sequence[torch.Tensor]) -> float:
    """One temperature for both digits, the likeliest on held crops (Guo et al. 2017), by a line search."""
    tries = np.exp(np.linspace(np.log(0.6), np.log(3), 50))
    cost = [sum(float(F.cross_entropy(x / t, y)) for x, y in zip(logits, labels, strict=True)) for t in tries]
    return float(tries[int(np.argmin(cost))])


def score(net: JerseyNet, held: Data) -> dict[str, Any]:
    """Temperature, and how often single looks are right, by size on the film."""
    seen, tens, ones = outputs(net, held)
    use = held["read"]
    t = fit_temperature([tens[use], ones[use]], [held["tens"][use], held["ones"][use]])
    p_tens, p_ones = ((x / t).softmax(1).max(1) for x in (tens, ones))
    right = (p_tens.indices == held["tens"]) & (p_ones.indices == held["ones"])
    sure = p_tens.values * p_ones.values * seen.sigmoid()
    pairs = ((tens, "tens"), (ones, "ones"))
    nll = sum(float(F.cross_entropy(x[use] / t, held[name][use])) for x, name in pairs)
    whole, none = held["seen"] >= 1, held["seen"] <= 0
    out: dict[str, Any] = {
        "crops": len(seen), "temperature": round(t, 3),
        "digits_nll": round(nll, 3),
        "number_right_where_readable": round(float(right[use].float().mean()), 4),
        "seen_said_of_whole": round(float((seen[whole] > 0).float().mean()), 4),
        "seen_said_of_hidden": round(float((seen[none] > 0).float().mean()), 4),
    }  # fmt: skip
    for limit in (0.5, 0.9):
        said = sure > limit
        out[f"answered_at_{limit}"] = round(float(said.float().mean()), 4)
        out[f"right_at_{limit}"] = round(float((right & use)[said].float().mean()), 4)
    for low, high in ((21, 30), (30, 40), (40, 55), (55, 75), (75, 101)):
        rows = use & (held["side_px"] >= low) & (held["side_px"] < high)
        out[f"right_side_{low}_{high}_px"] = round(float(right[rows].float().mean()), 4)
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--data", type=Path, nargs="+", required=True)
    parser.add_argument("--held", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--batch", type=int, default=96)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--widths", type=int, nargs="+", default=WIDTHS, help="of the convolutions")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = parser.parse_args()
    data = {k: v.to(args.device) for k, v in load_crops(args.data).items()}
    net, steps = train(data, args.minutes, args.batch, seed=args.seed, widths=args.widths)
    scores = score(net, load_crops([args.held])) | {"steps": steps, "trained_on": len(data["tens"])}
    state = {k: (v.half() if v.is_floating_point() else v) for k, v in net.state_dict().items()}
    args.out.mkdir(parents=True, exist_ok=True)
    torch.save(state | {"temperature": torch.tensor(scores["temperature"])}, args.out / "jerseys.pt")
    (args.out / "jerseys.json").write_text(json.dumps(scores, indent=1))
    print(json.dumps(scores, indent=1))


if __name__ == "__main__":
    main()
