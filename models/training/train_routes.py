"""One experiment: train the shipped route classifier on simulated routes.

    python -m models.training.train_routes --routes 30000 --epochs 16 --seed 0 --out models/weights/routes.npz

Every epoch sees freshly simulated bodies of the same plans' distribution and fresh tracker faults; with
`--curves N` and `--bends N` also N routes drawn the second and the third way (`playsim_curves`,
`playsim_bends`), with `--whole N` also the men of N whole simulated plays, each epoch anew through a
tracker's faults. Judged on: unseen seeds of the same simulators, unseen whole plays, styles of running that
training never drew, and routes of a fourth drawing program (`playsim_knots`) that it never meets.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import time
from pathlib import Path

import numpy as np
import torch

from models.routes.baselines import baseline_accuracy, fit_baselines
from models.routes.classifier import RouteClassifier
from models.routes.features import Grid
from models.routes.fitting import Batch, Recipe, calibrate, fit, mix_with
from models.routes.labels import LABELS, load_taxonomy
from models.routes.made import coarse_labels, observe, to_arrival
from models.routes.whole import join_sets, whole_routes
from models.synthetic.playsim_bends import sample_bends
from models.synthetic.playsim_curves import sample_curves
from models.synthetic.playsim_knots import sample_knots
from models.synthetic.playsim_sampler import RouteSet, Style, sample_routes
from models.training.route_faults import FaultSeries

WHOLE_SEED, UNSEEN_SEED, WHOLE_ROUTES = 300_000, 320_000, 11_000
"""first seed of the whole plays trained on and of those of validation (700_000 on the test); an epoch looks
at the men of few plays several times, to about so many routes, every time through other faults"""

STRANGE = {
    "short and slow": Style(0.78, 0.86, 1.3, 7.0, 0.25),
    "deep and fast": Style(1.28, 1.12, 0.6, 11.5, 0.05),
    "untidy": Style(1.0, 1.0, 2.6, 8.0, 0.2),
}


def batch_of(routes: RouteSet, seed: int, strength: float, faults: FaultSeries | None = None) -> Batch:
    grid = observe(routes, seed, strength, faults=faults)
    twelve = load_taxonomy("twelve").labels
    fine = np.array([LABELS.index(str(x)) for x in routes.label])
    names = coarse_labels(routes, to_arrival(routes, seed + 2), seed + 1)
    coarse = np.array([twelve.index(str(x)) if x else -1 for x in names])
    coarse[
        ~routes.pro
    ] = -1  # the coarse set is a professional league's: the book's shapes do not count there
    return grid, {"trade": fine, "twelve": coarse}


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


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--routes", type=int, default=30000)
    parser.add_argument("--epochs", type=int, default=16)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--width", type=int, default=56)
    parser.add_argument("--hidden", type=int, default=128)
    parser.add_argument("--out", type=Path, default=Path("models/weights/routes.npz"))
    parser.add_argument("--curves", type=int, default=0, help="routes drawn the second way, an epoch")
    parser.add_argument("--bends", type=int, default=0, help="routes drawn the third way, an epoch")
    parser.add_argument("--whole", type=int, default=0, help="whole simulated plays to train on as well")
    parser.add_argument("--start", type=Path, default=None, help="go on from these weights")
    parser.add_argument(
        "--mix", type=float, default=1.0, help="share of the new weights; the rest stays that of --start"
    )
    parser.add_argument(
        "--rest",
        nargs="*",
        default=[],
        help="weights that make the rest, not --start's: FILE, or SHARE:FILE ...",
    )
    parser.add_argument("--faults", type=Path, default=None, help="file of models.training.route_faults")
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument(
        "--risk", type=float, default=0.47, help="answers are right so often just above the threshold"
    )
    parser.add_argument(
        "--baselines", action="store_true", help="also fit and print the scikit-learn baselines"
    )
    return parser


def main(argv: list[str] | None = None) -> int:
    args = _parser().parse_args(argv)
    recipe = Recipe(
        seed=args.seed,
        epochs=args.epochs,
        width=args.width,
        hidden=args.hidden,
        rate=args.rate,
        risk=args.risk,
    )
    start = RouteClassifier.load(args.start) if args.start else None
    faults = FaultSeries.load(args.faults) if args.faults else None
    torch.set_num_threads(1)  # repeats exactly, and faster than two beside other work
    began = time.perf_counter()
    whole, unseen = [], []
    if args.whole:
        men = whole_routes(WHOLE_SEED, args.whole)
        whole = [men] * max(1, WHOLE_ROUTES // len(men))
        unseen = [whole_routes(UNSEEN_SEED, min(150, max(1, args.whole // 7)))] * 2

    def make(epoch: int) -> Batch:
        seed = args.seed * 1000 + epoch
        routes = join_sets([sample_routes(seed, args.routes), *_others(args, seed), *whole])
        return batch_of(routes, seed + 500, 1.0, faults)

    others = _others(args, 77_003, 3000)
    validation = batch_of(join_sets([sample_routes(77_001, 6000), *others, *unseen]), 77_002, 1.0, faults)
    model = fit(
        make, validation, {"trade": LABELS, "twelve": load_taxonomy("twelve").labels}, recipe, print, start
    )
    if start is not None and args.mix < 1.0:
        _mix(model, start, args.mix, args.rest)
        calibrate(model, validation, args.risk)
    seconds = time.perf_counter() - began
    figures = _figures(model, args.whole > 0)
    for name, values in figures.items():
        print(f"{name}: " + ", ".join(f"{k} {v:.3f}" for k, v in values.items()))
    if args.baselines:
        figures["baselines, twelve"] = _baselines(make(0), batch_of(sample_routes(88_001, 6000), 88_002, 1.0))
    model.about = {
        "recipe": recipe.__dict__,
        "routes": args.routes,
        "curves": args.curves,
        "bends": args.bends,
        "mix": args.mix,
        "rest": [Path(part).name for part in args.rest],
        "whole_plays": args.whole,
        "seconds": round(seconds),
        "figures": figures,
        "data_hash": _hash(make(0)[0]),
    }
    model.save(args.out)
    args.out.with_suffix(".json").write_text(json.dumps(model.about, indent=1))
    print(f"wrote {args.out} after {seconds:.0f} s of training")
    return 0


def _mix(model: RouteClassifier, start: RouteClassifier, share: float, rest: list[str]) -> None:
    """Weights in place: share of the trained ones, and of those in `rest` ("SHARE:FILE"; a bare file takes
    what is left; without any, those training started from). Raises ValueError where they do not make one."""
    parts = [(part.partition(":")[0::2] if ":" in part else ("", part)) for part in rest]
    named = sum(float(own) for own, _ in parts if own)
    parts = [(own or str(1.0 - share - named), path) for own, path in parts] or [(str(1.0 - share), "")]
    if abs(share + sum(float(own) for own, _ in parts) - 1.0) > 1e-6:
        raise ValueError(f"--mix {share} and the shares of --rest {' '.join(rest)} do not add up to 1")
    total = share
    for own, path in parts:
        mix_with(model, RouteClassifier.load(path) if path else start, total / (total + float(own)))
        total += float(own)


def _others(args: argparse.Namespace, seed: int, most: int | None = None) -> list[RouteSet]:
    """Routes drawn the second and the third way, where they are asked for; at most so many of each."""
    ways = ((sample_curves, args.curves), (sample_bends, args.bends))
    return [draw(seed, min(n, most or n)) for draw, n in ways if n]


def _figures(model: RouteClassifier, whole: bool) -> dict[str, dict[str, float]]:
    """Scores on unseen seeds: test -> figure -> value."""
    figures = {
        "same simulator, tracker faults": score(model, batch_of(sample_routes(88_001, 6000), 88_002, 1.0)),
        "same simulator, clean": score(model, batch_of(sample_routes(88_001, 6000), 88_003, 0.0)),
    }
    others = (
        (sample_curves, 88_020, "second way of drawing", "second way"),
        (sample_bends, 88_030, "third way", "third way"),
        (sample_knots, 88_040, "fourth way (unmet)", "fourth way"),
    )
    for draw, seed, way, way_clean in others:
        drawn = draw(seed, 6000)
        figures[f"{way}, tracker faults"] = score(model, batch_of(drawn, seed + 1, 1.0))
        figures[f"{way_clean}, clean"] = score(model, batch_of(drawn, seed + 1, 0.0))
    if whole:
        figures["whole plays, tracker faults"] = score(
            model, batch_of(whole_routes(700_000, 120), 88_004, 1.0)
        )
    for name, style in STRANGE.items():
        figures[name] = score(model, batch_of(sample_routes(88_010, 4000, style), 88_011, 1.0))
    return figures


def _baselines(train: Batch, test: Batch) -> dict[str, float]:
    ok, good = train[1]["twelve"] >= 0, test[1]["twelve"] >= 0
    few = np.flatnonzero(ok)[:12000]
    fitted = fit_baselines(train[0].rows(few), train[1]["twelve"][few])
    out = baseline_accuracy(fitted, test[0].rows(good), test[1]["twelve"][good])
    for name, value in out.items():
        print(f"baseline {name}: twelve {value:.3f}")
    return out


def _hash(grid: Grid) -> str:
    return hashlib.sha256(np.round(grid.path_yd, 2).tobytes()).hexdigest()[:16]


if __name__ == "__main__":
    raise SystemExit(main())
