"""Fine-tune the detector on labelled frames (rendered, or a user's own corrected ones).

Recipe (film nobody has seen is the judge, so the recipe is gentle): start from weights that have
seen real people, keep the first layers as they are, keep every batch-norm fixed (renders must not
move the statistics), AdamW at 3e-4 with warm-up and cosine, an exponential mean of the weights,
wide hue jitter, film faults (noise, blur, blocks, low resolution) drawn anew for every picture, and a
few pictures of bare texture in which any box is false. Losses: `models.training.detector_losses`.

    python -m models.training.train_detector --data DIR --start START.pt --out DIR --minutes 4
"""

from __future__ import annotations

import argparse
import json
import math
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import torch
from torch import nn

from models.detector import CORNER_PX
from models.detector.network import BALL, BALL_PREFIX, EDGE, PLATT, FilmDetector, read_state
from models.detector.storage import pack
from models.training.augment import cut_windows, photometric, random_windows, textures
from models.training.detector_losses import (
    PeopleLoss,
    Student,
    TeacherLoss,
    ball_loss,
    ball_shape,
    deployable,
    hold_norms,
)
from models.training.frames import CANVAS_H, CANVAS_W, FrameCache, load_cache
from models.training.negatives import load_negatives, paste, scene, veil
from models.training.style_mixing import StyleMixer

KEEP_EVERY_S = 60.0


@dataclass(frozen=True)
class Recipe:
    """Every setting of a run; written into the log beside the result."""

    width_px: int = 1280
    height_px: int = 736
    batch: int = 20
    rate: float = 3e-4
    frozen_layers: int = 6
    slow_layers: int = 10
    slow_factor: float = 0.3
    hue: float = 0.35
    wild: bool = True
    faults: bool = True
    veil_share: float = 0.25
    norms_held: bool = True
    scales: tuple[float, float] = (0.75, 1.6)
    minutes: float = 4.0
    steps: int | None = None
    weight_decay: float = 0.02
    ema: float = 0.998
    empty_share: float = 0.08
    paste_share: float = 0.4
    ball_weight: float = 0.3
    ball_rate: float = 2e-3
    ball_width: int | None = None
    ball_pixels: bool | None = None
    ball_share: float = 1.0
    mix_style: float = 0.0
    teacher_weight: float = 0.0
    seed: int = 7


def freeze_and_group(model: nn.Module, recipe: Recipe) -> list[dict[str, Any]]:
    """Parameter groups: frozen layers out, slow layers at a fraction of the rate, no norm trained."""
    slow, fast, ball = [], [], []
    for name, parameter in model.named_parameters():
        if name.startswith(BALL_PREFIX):
            ball.append(parameter)
            continue
        layer = int(name.split(".")[2])
        if layer < recipe.frozen_layers or ".dfl." in name:
            parameter.requires_grad_(False)
        elif layer < recipe.slow_layers:
            slow.append(parameter)
        else:
            fast.append(parameter)
    return [
        {"params": slow, "lr": recipe.rate * recipe.slow_factor, "top": recipe.rate * recipe.slow_factor},
        {"params": fast, "lr": recipe.rate, "top": recipe.rate},
        {"params": ball, "lr": recipe.ball_rate, "top": recipe.ball_rate},
    ]


def make_batch(
    cache: FrameCache,
    index: torch.Tensor,
    recipe: Recipe,
    augment: bool = True,
    photographs: torch.Tensor | None = None,
) -> tuple[torch.Tensor, dict[str, torch.Tensor]]:
    """Windows of cached frames with film faults, and their boxes in Ultralytics' batch form.

    ``batch["ignored"]`` (M, 5): picture, centre and size of balls that count neither way (see ``ball_loss``).
    """
    device = cache.images.device
    n, out_hw = len(index), (recipe.height_px, recipe.width_px)
    scales = recipe.scales if augment else (1.0, 1.0)
    canvas_hw = (CANVAS_H, CANVAS_W)
    theta, forward = random_windows(n, canvas_hw, out_hw, torch.device("cpu"), scales)
    images = cut_windows(cache.images[index.to(device)], canvas_hw, theta, forward, out_hw)
    empty = (torch.rand(n) < recipe.empty_share) if augment else torch.zeros(n, dtype=torch.bool)
    pasted = torch.rand(n) < (recipe.paste_share if augment and photographs is not None else 0.0)
    size = torch.tensor([recipe.width_px, recipe.height_px] * 2, dtype=torch.float32)
    which, kinds, boxes, ignored = [], [], [], []
    for i, frame in enumerate(index.tolist()):
        kind = cache.kinds[frame]
        cut, keep, unclear = _cut_boxes(cache.boxes[frame], kind, forward[i], size)
        unclear = cut[unclear]
        if len(cache.ignored):
            hidden = cache.ignored[frame]
            unclear = torch.cat([unclear, _cut_boxes(hidden, hidden[:, 0] * 0, forward[i], size)[0]])
        if bool(empty[i]):
            keep, unclear = torch.zeros_like(keep), unclear[:0]
            bare = photographs is None or float(torch.rand(())) < 0.3
            images[i] = textures(1, *out_hw, device)[0] if bare else scene(photographs, *out_hw)  # type: ignore[arg-type]
        elif bool(pasted[i]) and photographs is not None:
            paste(images[i], cut, photographs)
        if augment and recipe.wild and photographs is not None and float(torch.rand(())) < recipe.veil_share:
            veil(images[i], photographs)
        cut = cut[keep]
        boxes.append(_shares(cut, size))
        kinds.append(kind[keep])
        which.append(torch.full((len(cut),), i))
        ignored.append(torch.cat([torch.full((len(unclear), 1), float(i)), _shares(unclear, size)], 1))
    if augment:
        images = photometric(images, recipe.hue, recipe.wild, recipe.faults)
    batch = {
        "batch_idx": torch.cat(which).float(),
        "cls": torch.cat(kinds).float(),
        "bboxes": torch.cat(boxes),
        "ignored": torch.cat(ignored),
    }
    return images, {k: v.to(device) for k, v in batch.items()}


def _shares(xyxy: torch.Tensor, size: torch.Tensor) -> torch.Tensor:
    """(N, 4) centre and size as shares of the picture."""
    return torch.cat([(xyxy[:, :2] + xyxy[:, 2:]) / 2, xyxy[:, 2:] - xyxy[:, :2]], 1) / size


def _cut_boxes(
    xyxy: torch.Tensor, kind: torch.Tensor, forward: torch.Tensor, size: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Boxes in the window, cut at its border (N, 4); which are to be found (N,) bool; and which are balls in
    the window too small to be asked for."""
    a, t = forward[[0, 1], [0, 1]], forward[:, 2]
    p, q = xyxy[:, :2] * a + t, xyxy[:, 2:] * a + t
    full = torch.cat([torch.minimum(p, q), torch.maximum(p, q)], 1)
    cut = torch.minimum(full.clamp_min(0), size)
    area = (full[:, 2:] - full[:, :2]).prod(1).clamp_min(1e-6)
    seen = (cut[:, 2:] - cut[:, :2]).clamp_min(0).prod(1) / area
    large = (cut[:, 2:] - cut[:, :2]).max(1).values >= torch.where(kind == BALL, 2.5, 7.0)
    return cut, (seen > 0.25) & large, (kind == BALL) & (seen > 0) & ~large


def sampling_weights(cache: FrameCache, ball_share: float) -> torch.Tensor:
    """(N,) weight of each frame in the draw: frames with a ball to be found count ``ball_share``."""
    with_ball = torch.tensor([bool((kind == BALL).any()) for kind in cache.kinds])
    return torch.where(with_ball, ball_share, 1.0)


def minutes_until(then_s: float) -> float:
    """Minutes left to a time (seconds since 1970), a fifth of one at least."""
    return max(0.2, (then_s - time.time()) / 60)


def learning_rate(progress: float, warm: float = 0.04) -> float:
    """Factor on the top rate: linear warm-up, then half a cosine to 2 %."""
    if progress < warm:
        return progress / warm
    return 0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * (progress - warm) / (1 - warm)))


def train(
    cache: FrameCache,
    start: dict[str, torch.Tensor],
    recipe: Recipe,
    log: list[dict[str, float]],
    photographs: torch.Tensor | None = None,
    teacher: dict[str, torch.Tensor] | None = None,
    keep: Path | None = None,
) -> Student:
    """Run the recipe on one device; returns the network with the mean weights (eval mode).

    photographs: pictures without people (see ``models.training.negatives``), or None. teacher: state of a
    larger detector whose answers are learnt too. keep: file written over once a minute.
    """
    torch.manual_seed(recipe.seed)
    device = cache.images.device
    student = Student(start, recipe.ball_width, recipe.ball_pixels)
    student = student.to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    people_loss = PeopleLoss(student.people)
    taught = TeacherLoss(teacher, device) if teacher is not None and recipe.teacher_weight else None
    optimizer = torch.optim.AdamW(freeze_and_group(student, recipe), weight_decay=recipe.weight_decay)
    mean = Student(start, recipe.ball_width, recipe.ball_pixels).eval()
    mean = mean.to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    mean.load_state_dict(student.state_dict())
    pairs = zip(mean.state_dict().values(), student.state_dict().values(), strict=True)
    targets, sources = zip(*[p for p in pairs if p[0].is_floating_point()], strict=True)
    weights = sampling_weights(cache, recipe.ball_share)
    mixer = StyleMixer(student.people, recipe.mix_style)
    began, step, progress, kept = time.monotonic(), 0, 0.0, 0.0
    while progress < 1.0:
        student.train()
        if recipe.norms_held:
            hold_norms(student)
        index = torch.multinomial(weights, recipe.batch, replacement=True)
        with torch.no_grad():
            images, batch = make_batch(cache, index, recipe, photographs=photographs)
        images = images.contiguous(memory_format=torch.channels_last)
        for group in optimizer.param_groups:
            group["lr"] = group["top"] * learning_rate(progress)
        with torch.autocast(device.type, dtype=torch.bfloat16):
            with mixer:
                answer, ball = student(images)
            extra = (
                taught(images, answer) * recipe.teacher_weight if taught else torch.zeros((), device=device)
            )
        people, parts = people_loss(as_float(answer), batch)
        thrown = recipe.ball_weight * recipe.batch * ball_loss(ball.float(), batch)
        loss = people + thrown + extra
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_([p for g in optimizer.param_groups for p in g["params"]], 10.0)
        optimizer.step()
        step += 1
        with torch.no_grad():
            torch._foreach_lerp_(targets, sources, 1 - min(recipe.ema, step / (step + 50)))
        spent = time.monotonic() - began
        progress = step / recipe.steps if recipe.steps else spent / (recipe.minutes * 60)
        if step % 50 == 0 or progress >= 1:
            row = {
                "step": step,
                "seconds": round(spent, 1),
                **{k: round(float(v), 4) for k, v in parts.items()},
                "ball_loss": round(float(thrown.detach()) / recipe.batch / recipe.ball_weight, 4),
                "teacher_loss": round(float(extra.detach()) / recipe.batch, 4),
            }
            log.append(row)
            print(row, flush=True)
        if keep is not None and spent - kept > KEEP_EVERY_S and step > 200:
            kept = spent
            save_state(deployable(mean), keep)
    return mean


def as_float(answer: Any) -> Any:
    """Every tensor of a nested answer in float32."""
    if isinstance(answer, dict):
        return {k: as_float(v) for k, v in answer.items()}
    return [as_float(v) for v in answer] if isinstance(answer, list) else answer.float()


def save_state(model: FilmDetector, path: Path) -> None:
    """Write the state dict as float16 tensors only: people's network under its own names, ``ball.*``."""
    state = dict(model.people.state_dict()) | {PLATT: model.platt, EDGE: torch.full((2,), CORNER_PX)}
    if model.ball is not None:
        state |= {f"{BALL_PREFIX}{k}": v for k, v in model.ball.state_dict().items()}
    write_state(state, path)


def write_state(state: dict[str, torch.Tensor], path: Path, compact: bool = False) -> None:
    """Write tensors only, as float16 (but for the fits of chances and edges, two numbers each).

    compact: kernels in eight bits (`models.detector.storage.pack`).
    """
    if compact:
        short = pack(state)
    else:
        fits = (PLATT, EDGE)
        short = {k: (v.half() if v.is_floating_point() and k not in fits else v) for k, v in state.items()}
    torch.save({k: v.cpu().contiguous() for k, v in short.items()}, path)


def build_parser() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add(
        "--labels",
        "--data",
        dest="data",
        metavar="FOLDER",
        type=Path,
        required=True,
        action="append",
        help="folder of labelled frames",
    )
    add(
        "--from",
        "--start",
        dest="start",
        metavar="WEIGHTS",
        type=Path,
        help="start state (.pt of tensors); random when left out",
    )
    add("--validation", type=Path, action="append", default=[], help="folders scored at the end")
    add("--negatives", type=Path, help="folder of photographs without people")
    add("--width", type=int, default=1280, help="width of the windows (height 0.575 of it)")
    add("--fine", action="store_true", help="keep frames at 1920 x 1080 px (6.2 MB each on the device)")
    add("--out", type=Path, required=True)
    add("--name", default="detector")
    add("--minutes", type=float, default=4.0)
    add("--steps", type=int)
    add("--until", type=float, help="end at this time (seconds since 1970), in place of minutes")
    add("--batch", type=int, default=20)
    add("--rate", type=float, default=3e-4, help="top learning rate")
    add("--hue", type=float, default=0.35)
    add("--tame", action="store_true", help="without the changes no camera makes")
    add("--spotless", action="store_true", help="without blur, noise, low resolution and blocks")
    add("--frozen", type=int, default=6)
    add("--slow", type=int, default=10, help="layers below it learn at 0.3 of the rate")
    add("--free-norms", action="store_true", help="train batch-norms too")
    add("--scales", type=float, nargs=2, default=(0.75, 1.6), help="of the windows")
    add("--ema", type=float, default=0.998)
    add("--ball-width", type=int, help="channels of the ball's head (as in the start state; 24)")
    add(
        "--ball-pixels",
        action=argparse.BooleanOptionalAction,
        help="the ball's head sees the picture itself (as in the start state; no)",
    )
    add("--ball-share", type=float, default=1.0, help="weight of frames with a ball")
    add("--ball-weight", type=float, default=0.3)
    add("--mix-style", type=float, default=0.0, help="chance of mixing early features' styles")
    add("--teacher", type=Path, help="weights of a larger detector to learn from")
    add("--teacher-weight", type=float, default=1.0)
    add("--seed", type=int, default=7)
    add("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    return parser


def recipe_of(args: argparse.Namespace, start: dict[str, torch.Tensor]) -> Recipe:
    """The recipe a command line asks for; the ball's head is the start state's where nothing else is said."""
    width, pixels = ball_shape(start)
    recipe = Recipe(
        minutes=args.minutes,
        steps=args.steps,
        batch=args.batch,
        hue=args.hue,
        wild=not args.tame,
        faults=not args.spotless,
        rate=args.rate,
        width_px=args.width,
        height_px=round(args.width * 0.575 / 32) * 32,
        frozen_layers=args.frozen if args.start else 0,
        norms_held=bool(args.start) and not args.free_norms,
        slow_layers=args.slow,
        scales=tuple(args.scales),
        ema=args.ema,
        ball_width=width if args.ball_width is None else args.ball_width,
        ball_pixels=pixels if args.ball_pixels is None else args.ball_pixels,
        ball_share=args.ball_share,
        ball_weight=args.ball_weight,
        mix_style=args.mix_style,
        teacher_weight=args.teacher_weight if args.teacher else 0.0,
        seed=args.seed,
    )
    if start and (recipe.ball_width, recipe.ball_pixels) != (width, pixels):
        print("the ball's head has another shape than the start state's: it begins anew", flush=True)
    return recipe


def main() -> None:
    args = build_parser().parse_args()
    from models.evaluation.detector import score_cache

    # small files first: a missing one must not cost the time of reading all the frames
    start = read_state(args.start) if args.start else {}
    teacher = read_state(args.teacher) if args.teacher else None
    recipe, device = recipe_of(args, start), torch.device(args.device)
    photographs = load_negatives(args.negatives, device) if args.negatives else None
    args.out.mkdir(parents=True, exist_ok=True)
    cache = load_cache(args.data, device, args.fine)
    print(f"{len(cache.boxes)} frames, {sum(len(b) for b in cache.boxes)} boxes on {device}", flush=True)
    if args.until:
        recipe = replace(recipe, minutes=minutes_until(args.until))
        print(f"{recipe.minutes:.2f} minutes", flush=True)
    log: list[dict[str, float]] = []
    kept = args.out / f"{args.name}_now.pt"
    student = train(cache, start, recipe, log, photographs, teacher, kept)
    model = deployable(student)
    save_state(model, args.out / f"{args.name}.pt")
    save_state(deployable(student, "many"), args.out / f"{args.name}_many.pt")
    result: dict[str, Any] = {
        "recipe": asdict(recipe),
        "frames": len(cache.boxes),
        "log": log[-3:],
        "scores": {},
    }
    del cache
    for folder in args.validation:
        result["scores"][folder.name] = score_cache(model, load_cache([folder], device), recipe)
        print(folder.name, json.dumps(result["scores"][folder.name]), flush=True)
    (args.out / f"{args.name}.json").write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
