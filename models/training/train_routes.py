"""One experiment: train the shipped route classifier on a pool of simulated routes.

    python -m models.training.route_pool POOL --workers 16
    python -m models.training.train_routes POOL --steps 40000 --out models/weights/routes.npz

Runs on a GPU where there is one. A running mean of the weights is kept (an exponential one, Polyak and
Juditsky, 1992, from memory) and saved, calibrated on routes of other seeds. Judged on unseen seeds of the
same programs, unseen whole plays, styles of running that training never drew, and routes of a drawing program
(`playsim_feet`) that training never meets, whose maker had read none of the others.
"""

from __future__ import annotations

import argparse
import copy
import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch

from models.routes.baselines import baseline_accuracy, fit_baselines
from models.routes.classifier import RouteClassifier
from models.routes.fitting import Batch, calibrate
from models.routes.labels import LABELS, load_taxonomy
from models.routes.net import CHANNELS, RouteNet
from models.routes.whole import join_sets, whole_routes
from models.synthetic.playsim_feet import sample_feet
from models.synthetic.playsim_sampler import Style, sample_routes
from models.training.route_faults import FaultSeries
from models.training.route_pool import DRAW, FAULTS, ROUND, Pool, batch_of

UNSEEN_SEED, TEST_SEED = 320_000, 700_000
"""first seed of the whole plays of validation and of the test"""
KEEP, SAY_EVERY = 0.9995, 5000
"""share of the running mean that stays at every step; steps between two lines of the log"""
STRANGE = {
    "short and slow": Style(0.78, 0.86, 1.3, 7.0, 0.25),
    "deep and fast": Style(1.28, 1.12, 0.6, 11.5, 0.05),
    "untidy": Style(1.0, 1.0, 2.6, 8.0, 0.2),
}


def score(model, data: Batch) -> dict[str, float]:
    out = {}
    for head, y in data[1].items():
        ok = y >= 0
        if not ok.any():
            continue
        p = model.predict_grid(data[0], head)
        right = p.probability.argmax(1) == y
        sure = p.probability.max(1) >= p.threshold
        out[head] = float(right[ok].mean())
        out[head + " answered"] = float(sure[ok].mean())
        out[head + " right when answered"] = float(right[ok & sure].mean())
    return out


def validation() -> Batch:
    """The routes on which temperatures and thresholds are chosen: other seeds of what training draws."""
    drawn = [draw(77_001, 6000 if name == "sampler" else 2000) for name, draw in DRAW.items()]
    unseen = [whole_routes(UNSEEN_SEED, 150)] * 2
    return batch_of(join_sets([*drawn, *unseen]), 77_002, 1.0, FaultSeries.load(FAULTS))


def figures(model: RouteClassifier) -> dict[str, dict[str, float]]:
    """Scores on unseen seeds: test -> figure -> value."""
    faults = FaultSeries.load(FAULTS)
    out = {}
    for k, (name, draw) in enumerate({**DRAW, "feet (never met)": sample_feet}.items()):
        drawn = draw(88_000 + 10 * k, 6000)
        out[f"{name}, clean"] = score(model, batch_of(drawn, 88_001 + 10 * k, 0.0))
        out[f"{name}, faults"] = score(model, batch_of(drawn, 88_001 + 10 * k, 1.0, faults))
    whole = whole_routes(TEST_SEED, 240)
    out["whole plays, clean"] = score(model, batch_of(whole, 88_004, 0.0))
    out["whole plays, faults"] = score(model, batch_of(whole, 88_004, 1.0, faults))
    for name, style in STRANGE.items():
        out[name] = score(model, batch_of(sample_routes(88_010, 4000, style), 88_011, 1.0, faults))
    return out


def fit_pool(pool: Pool, args: argparse.Namespace) -> RouteClassifier:
    """Train on the pool's device for `args.steps` steps. The network returned is the running mean."""
    torch.manual_seed(args.seed)
    device = pool.hand.device
    model = _fresh(pool, args) if args.start is None else RouteClassifier.load(args.start)
    net = model.net.to(device).train()
    model.net = copy.deepcopy(net).eval()
    shift, scale = (
        torch.tensor(a, dtype=torch.float32, device=device) for a in (model.hand_mean, model.hand_sd)
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=args.rate, weight_decay=args.decay)
    plan = torch.optim.lr_scheduler.OneCycleLR(optimiser, args.rate, total_steps=args.steps, pct_start=0.1)
    began, loss_sum = time.perf_counter(), torch.zeros((), device=device)
    for step, rows in zip(range(1, args.steps + 1), _batches(len(pool), args.batch, device), strict=False):
        hand = ((pool.hand[rows].float() - shift) / scale).clamp(-6, 6)
        out = net(pool.sequence[rows].float(), hand)
        loss = torch.zeros((), device=device)
        for name, z in out.items():
            target = getattr(pool, name)[rows].long()
            loss = loss + torch.nn.functional.cross_entropy(
                z, target, ignore_index=-1, label_smoothing=args.smoothing
            )
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        plan.step()
        _keep(model.net, net, min(KEEP, 1 - 1 / step))
        loss_sum += loss.detach()
        if step % SAY_EVERY == 0:
            took = time.perf_counter() - began
            print(f"step {step}: loss {float(loss_sum) / SAY_EVERY:.4f} ({took:.0f} s)", flush=True)
            loss_sum.zero_()
    model.net.cpu()
    return model


def _fresh(pool: Pool, args: argparse.Namespace) -> RouteClassifier:
    """An untrained network, scaled to the pool's features."""
    sets = {"trade": LABELS, "twelve": load_taxonomy("twelve").labels}
    some = pool.hand[:200_000].float()
    mean, sd = some.mean(0).cpu().numpy(), some.std(0).cpu().numpy() + 1e-3
    heads = {k: len(v) for k, v in sets.items()}
    net = RouteNet(len(mean), heads, args.width, args.hidden, args.dropout, CHANNELS)
    return RouteClassifier(net, sets, mean, sd, dict.fromkeys(sets, 1.0), dict.fromkeys(sets, 0.0))


def _batches(count: int, size: int, device: torch.device) -> Iterator[torch.Tensor]:
    """Rows of one batch after the other, all rows once before any comes again."""
    size = min(size, count)
    while True:
        order = torch.randperm(count, device=device)
        for at in range(0, count - size + 1, size):
            yield order[at : at + size]


@torch.no_grad()
def _keep(kept: RouteNet, net: RouteNet, share: float) -> None:
    """The running mean one step on; counts and running statistics of the batches as they are."""
    old: list[torch.Tensor] = list(kept.parameters())
    new: list[torch.Tensor] = list(net.parameters())
    torch._foreach_lerp_(old, new, 1 - share)
    for a, b in zip(kept.buffers(), net.buffers(), strict=True):
        a.copy_(b)


def _baselines(train: Batch, test: Batch) -> dict[str, float]:
    ok, good = train[1]["twelve"] >= 0, test[1]["twelve"] >= 0
    few = np.flatnonzero(ok)[:12000]
    fitted = fit_baselines(train[0].rows(few), train[1]["twelve"][few])
    out = baseline_accuracy(fitted, test[0].rows(good), test[1]["twelve"][good])
    for name, value in out.items():
        print(f"baseline {name}: twelve {value:.3f}")
    return out


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("pool", type=Path, help="folder of models.training.route_pool")
    parser.add_argument("--out", type=Path, default=Path("models/weights/routes.npz"))
    parser.add_argument("--start", type=Path, default=None, help="go on from these weights")
    parser.add_argument("--partner", type=Path, default=None, help="weights to average the answers with")
    parser.add_argument("--leave-out", nargs="*", default=[], choices=list(ROUND), help="programs")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--steps", type=int, default=40000)
    parser.add_argument("--batch", type=int, default=2048)
    parser.add_argument("--rate", type=float, default=4e-3)
    parser.add_argument("--decay", type=float, default=1e-2)
    parser.add_argument("--smoothing", type=float, default=0.03)
    parser.add_argument("--dropout", type=float, default=0.15)
    parser.add_argument("--width", type=int, default=56)
    parser.add_argument("--hidden", type=int, default=128)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument(
        "--risk", type=float, default=0.34, help="answers are right so often just above the threshold"
    )
    parser.add_argument("--no-figures", action="store_true", help="do not score it afterwards")
    parser.add_argument(
        "--baselines", action="store_true", help="also fit and print the scikit-learn baselines"
    )
    return parser


def main(argv: list[str] | None = None) -> int:
    args = _parser().parse_args(argv)
    pool = Pool.load(args.pool, args.leave_out, args.device)
    print(f"{len(pool)} routes", flush=True)
    began = time.perf_counter()
    model = fit_pool(pool, args)
    seconds = time.perf_counter() - began
    calibrate(model, validation(), args.risk)
    model.partner = replace(RouteClassifier.load(args.partner), partner=None) if args.partner else None
    found = {} if args.no_figures else figures(model)
    for name, values in found.items():
        print(f"{name}: " + ", ".join(f"{k} {v:.3f}" for k, v in values.items()))
    if args.baselines:
        train = batch_of(join_sets([draw(99_001, 3000) for draw in DRAW.values()]), 99_002, 1.0)
        found["baselines, twelve"] = _baselines(train, batch_of(sample_routes(88_001, 6000), 88_002, 1.0))
    settings = ("leave_out", "seed", "steps", "batch", "rate", "decay", "smoothing", "dropout", "risk")
    model.about = {
        **{name: getattr(args, name) for name in settings},
        "start": args.start.name if args.start else None,
        "partner": args.partner.name if args.partner else None,
        "routes": len(pool),
        "data_hash": pool.hash(),
        "seconds": round(seconds),
        "figures": found,
    }
    model.save(args.out)
    args.out.with_suffix(".json").write_text(json.dumps(model.about, indent=1))
    print(f"wrote {args.out} after {seconds:.0f} s of training")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
