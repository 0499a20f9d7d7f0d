"""Teach the ball's head alone: the people's network stays as it is, bit for bit.

    python -m models.training.train_ball --data FOLDER [--data ...] --start detector.pt --out OUT --minutes 4

Everything that was measured with the people's boxes (chances, a tracker's faults, stored passes) stays true,
because only the tensors `ball.*` of the start state are replaced. Loss and peaks follow CenterNet (Zhou et
al., arXiv 1904.07850); see ``models.detector.network.BallHead``.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import torch
from torch import nn

from models.detector.network import BALL_PREFIX, COARSE, FINE, read_state
from models.training.detector_losses import Student, ball_loss
from models.training.frames import FrameCache, load_cache
from models.training.negatives import load_negatives
from models.training.train_detector import (
    Recipe,
    learning_rate,
    make_batch,
    minutes_until,
    sampling_weights,
    write_state,
)


@dataclass(frozen=True)
class BallRecipe:
    """Every setting of a run beside the pictures' own (`Recipe`)."""

    minutes: float = 4.0
    steps: int | None = None
    rate: float = 2e-3
    weight_decay: float = 0.01
    ema: float = 0.998
    width: int = 24
    pixels: bool = True


def train_ball(
    cache: FrameCache,
    start: dict[str, torch.Tensor],
    recipe: BallRecipe,
    pictures: Recipe,
    log: list[dict[str, float]],
    photographs: torch.Tensor | None = None,
) -> dict[str, torch.Tensor]:
    """The start state with a ball's head learnt anew (mean weights); people's tensors are the same objects.

    cache: labelled frames on the training device. photographs: pictures without people, or None."""
    torch.manual_seed(pictures.seed)
    device = cache.images.device
    student = Student(start, recipe.width, recipe.pixels).to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    student.eval().requires_grad_(False)
    head = student.ball.requires_grad_(True)
    mean = {k: v.clone() for k, v in head.state_dict().items()}
    optimizer = torch.optim.AdamW(head.parameters(), recipe.rate, weight_decay=recipe.weight_decay)
    weights = sampling_weights(cache, pictures.ball_share)
    began, step, progress = time.monotonic(), 0, 0.0
    while progress < 1.0:
        index = torch.multinomial(weights, pictures.batch, replacement=True)
        with torch.no_grad():
            images, batch = make_batch(cache, index, pictures, photographs=photographs)
            images = images.contiguous(memory_format=torch.channels_last)
            with torch.autocast(device.type, dtype=torch.bfloat16):
                student.people(images)
        for group in optimizer.param_groups:
            group["lr"] = recipe.rate * learning_rate(progress)
        with torch.autocast(device.type, dtype=torch.bfloat16):
            answer = head(student.seen.pop(FINE), student.seen.pop(COARSE), images)
        loss = ball_loss(answer.float(), batch)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(list(head.parameters()), 10.0)
        optimizer.step()
        step += 1
        with torch.no_grad():
            share = 1 - min(recipe.ema, step / (step + 50))
            for k, v in head.state_dict().items():
                mean[k].lerp_(v, share)
        spent = time.monotonic() - began
        progress = step / recipe.steps if recipe.steps else spent / (recipe.minutes * 60)
        if step % 50 == 0 or progress >= 1:
            now = round(float(loss.detach()), 4)
            log.append({"step": step, "seconds": round(spent, 1), "ball_loss": now})
            print(log[-1], flush=True)
    kept = {k: v for k, v in start.items() if not k.startswith(BALL_PREFIX)}
    return kept | {f"{BALL_PREFIX}{k}": v for k, v in mean.items()}


def build_parser() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("--data", type=Path, required=True, action="append", help="folder of labelled frames")
    add("--start", type=Path, required=True, help="weights whose people's network stays")
    add("--negatives", type=Path, help="folder of photographs without people")
    add("--out", type=Path, required=True)
    add("--name", default="ball")
    add("--minutes", type=float, default=4.0)
    add("--steps", type=int)
    add("--until", type=float, help="end at this time (seconds since 1970), in place of minutes")
    add("--batch", type=int, default=24)
    add("--rate", type=float, default=2e-3)
    add("--width", type=int, default=24, help="channels of the ball's head")
    add("--pixels", action=argparse.BooleanOptionalAction, default=True, help="it sees the picture itself")
    add("--ball-share", type=float, default=4.0, help="weight of frames with a ball")
    add("--scales", type=float, nargs=2, default=(0.75, 1.6), help="of the windows")
    add("--tame", action="store_true", help="without the changes no camera makes")
    add("--seed", type=int, default=7)
    add("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    return parser


def main() -> None:
    args = build_parser().parse_args()
    start, device = read_state(args.start), torch.device(args.device)
    photographs = load_negatives(args.negatives, device) if args.negatives else None
    args.out.mkdir(parents=True, exist_ok=True)
    cache = load_cache(args.data, device)
    print(f"{len(cache.boxes)} frames on {device}", flush=True)
    minutes = minutes_until(args.until) if args.until else args.minutes
    recipe = BallRecipe(minutes, args.steps, args.rate, width=args.width, pixels=args.pixels)
    pictures = Recipe(
        batch=args.batch,
        scales=tuple(args.scales),
        ball_share=args.ball_share,
        wild=not args.tame,
        seed=args.seed,
    )
    log: list[dict[str, float]] = []
    state = train_ball(cache, start, recipe, pictures, log, photographs)
    write_state(state, args.out / f"{args.name}.pt")
    done: dict[str, Any] = {"recipe": asdict(recipe), "pictures": asdict(pictures), "log": log[-3:]}
    (args.out / f"{args.name}.json").write_text(json.dumps(done | {"frames": len(cache.boxes)}, indent=1))


if __name__ == "__main__":
    main()
