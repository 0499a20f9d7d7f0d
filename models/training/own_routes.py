"""From your own labels to a route classifier with honest figures: a worked example, cell by cell.

The `# %%` marks make this file a notebook in editors that know them (Jupyter with jupytext, VS Code, Spyder);
it also runs whole, without labels on simulated ones:

    python -m models.training.own_routes --data labels.parquet --folds 5 --out mine
    python -m models.training.own_routes --out try

`--data` is a labelled table (see `models.routes.research`) or a folder that `underneath export` wrote after
labels were taken in. Into the folder `--out` go own_routes.npz (for `--weights`), figures.json and card.md.
The same data, folds and seed give the same figures.
"""

# %% What is needed
from __future__ import annotations

import argparse
import hashlib
import json
from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from models.evaluation.routes import bootstrap_interval, calibration_error, paired_test, report
from models.routes.baselines import fit_baselines
from models.routes.classifier import RouteClassifier
from models.routes.features import to_grid
from models.routes.fitting import Recipe
from models.routes.labels import LABELS
from models.routes.research import (
    Labelled,
    check_labels,
    check_split,
    fold_of,
    from_export,
    read_labelled,
    train,
)


# %% 1. Labels: one row per man and moment, in yards from the ball's spot; one route per man
def labels_of(source: str | Path | None, seed: int = 0, routes: int = 360) -> Labelled:
    """A labelled table, an exported season, or (None) simulated routes of six games."""
    if source is None:
        return read_labelled(simulated_table(routes, seed))
    path = Path(source)
    return read_labelled(from_export(path)) if path.is_dir() else read_labelled(path)


def simulated_table(routes: int, seed: int) -> pd.DataFrame:
    """A labelled table to try the rest on: four routes, six games, twenty samples a second."""
    from models.synthetic.playsim_sampler import sample_routes

    drawn = sample_routes(seed + 11, routes * 2, prior=dict.fromkeys(("go", "slant", "corner", "hitch"), 1.0))
    parts = []
    for i in range(routes):
        steps = np.arange(6, len(drawn.t_s), 3)
        parts.append(pd.DataFrame({
            "play_id": f"p{drawn.group[i]}", "player_id": f"r{i}", "t_s": drawn.t_s[steps],
            "depth_play_yd": drawn.path_yd[i, steps, 0].astype(float),
            "lateral_play_yd": drawn.path_yd[i, steps, 1].astype(float), "route": str(drawn.label[i]),
            "game": f"g{drawn.group[i] % 6}", "throw_s": drawn.throw_s[i], "number": int(drawn.number[i]),
        }))  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def data_hash(data: Labelled) -> str:
    """A hash of paths and labels, for the card."""
    digest = hashlib.sha256()
    for path, label in zip(data.paths, data.label, strict=True):
        digest.update(np.asarray(path.depth_lateral_play_yd, np.float32).tobytes())
        digest.update(str(label).encode())
    return digest.hexdigest()[:16]


# %% 2. Folds by game: every route is judged by a model that saw no play of its game
def out_of_fold(
    data: Labelled, labels: tuple[str, ...], folds: int, recipe: Recipe
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """The retrained network's probabilities (N,K), and for every model whether it was right (N,) bool.

    shipped: the classifier as it comes, choosing among these labels only; judged where they are the
    program's own names.
    """
    y, fold, grid = (
        check_labels(data.label, labels),
        fold_of(data.game, folds, recipe.seed),
        to_grid(data.paths),
    )
    probability = np.zeros((len(data), len(labels)))
    right = {"random forest, hand features": np.zeros(len(data), bool)}
    for k in range(folds):
        inside, outside = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
        check_split(data.rows(inside), data.rows(outside))
        model = train(data.rows(inside), labels, recipe, say=lambda _: None)
        probability[outside] = model.predict_grid(grid.rows(outside), "own").probability
        for name, (make, estimator) in fit_baselines(grid.rows(inside), y[inside], recipe.seed).items():
            right.setdefault(name, np.zeros(len(data), bool))
            right[name][outside] = estimator.predict(make(grid.rows(outside))) == y[outside]
    right["retrained"] = probability.argmax(1) == y
    if set(labels) <= set(LABELS):
        said = RouteClassifier.load().predict_grid(grid, "trade")
        columns = [said.labels.index(name) for name in labels]
        right["shipped"] = said.probability[:, columns].argmax(1) == y
    return probability, right


# %% 3. Figures: accuracy with an interval from drawing whole games anew, and paired comparisons
def figures_of(
    data: Labelled, labels: tuple[str, ...], probability: np.ndarray, right: dict[str, np.ndarray]
) -> dict[str, Any]:
    """Everything a paper's table needs; counts are added over folds, ratios computed last.

    The paired test (exact McNemar) looks only at routes on which one of two models is right.
    """
    y, game = check_labels(data.label, labels), data.game.astype(str)
    sheet = report(labels, y, probability)
    out: dict[str, Any] = {
        "n": len(data), "games": len(set(game)), "plays": len(set(data.play)),
        "calibration error": calibration_error(probability.max(1), right["retrained"]),
        "accuracy": {}, "against retrained": {},
        "per class": {
            name: {"n": int(sheet.confusion[k].sum()), "precision": float(sheet.precision[k]),
                   "recall": float(sheet.recall[k]), "F1": float(sheet.f1[k])}
            for k, name in enumerate(labels)
        },
        "confusion": sheet.confusion.tolist(),
    }  # fmt: skip
    for name, hits in right.items():
        low, high = bootstrap_interval(hits, game)
        out["accuracy"][name] = {"value": float(hits.mean()), "low": low, "high": high}
        if name != "retrained":
            out["against retrained"][name] = paired_test(right["retrained"], hits)
    return out


# %% 4. The model that is kept learns from all games; its card says what the figures are of
def card_of(figures: dict[str, Any], data: Labelled, recipe: Recipe, folds: int) -> str:
    """The model card as Markdown."""
    counts = ", ".join(f"{k} {v}" for k, v in Counter(map(str, data.label)).most_common())
    lines = [
        "# Route classifier on own labels",
        f"Data: {figures['n']} routes of {figures['plays']} plays and {figures['games']} games "
        f"(hash {data_hash(data)}): {counts}.",
        f"Recipe: {json.dumps(asdict(recipe))}; start: the shipped network.",
        f"Figures: {folds} folds by game, no play on both sides; intervals: games drawn anew 1,000 times.",
        "The weights beside this card were trained on all games; the figures are of models that were not.",
        "",
        "| model | right | 95 % interval | only retrained right / only this | p |",
        "|---|---|---|---|---|",
    ]
    for name, a in figures["accuracy"].items():
        test = figures["against retrained"].get(name)
        pair = f"{test['only_a']} / {test['only_b']} | {test['p']:.3g}" if test else "– | –"
        lines.append(f"| {name} | {a['value']:.3f} | {a['low']:.3f}–{a['high']:.3f} | {pair} |")
    lines += ["", f"Calibration error {figures['calibration error']:.3f}.", "",
              "| route | n | precision | recall | F1 |", "|---|---|---|---|---|"]  # fmt: skip
    for name, c in figures["per class"].items():
        lines.append(f"| {name} | {c['n']} | {c['precision']:.2f} | {c['recall']:.2f} | {c['F1']:.2f} |")
    return "\n".join(lines) + "\n"


def run(
    source: str | Path | None, out: Path, folds: int = 3, recipe: Recipe | None = None, routes: int = 360
) -> dict[str, Any]:
    """All steps; returns the figures, writes weights, figures and card."""
    recipe = recipe or Recipe(epochs=14, rate=1.5e-3, batch=64)
    data = labels_of(source, recipe.seed, routes)
    names = set(map(str, data.label))
    labels = tuple(x for x in LABELS if x in names) if names <= set(LABELS) else tuple(sorted(names))
    probability, right = out_of_fold(data, labels, folds, recipe)
    figures = figures_of(data, labels, probability, right)
    out.mkdir(parents=True, exist_ok=True)
    train(data, labels, recipe, say=lambda _: None).save(out / "own_routes.npz")
    (out / "figures.json").write_text(json.dumps(figures, indent=1))
    (out / "card.md").write_text(card_of(figures, data, recipe, folds), encoding="utf-8")
    return figures


# %% 5. Run it
def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--data", help="labelled table or exported season; simulated labels when left out")
    parser.add_argument("--out", type=Path, default=Path("own_routes"))
    parser.add_argument("--folds", type=int, default=3)
    parser.add_argument("--epochs", type=int, default=14)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--routes", type=int, default=360, help="simulated routes when there is no --data")
    args = parser.parse_args(argv)
    recipe = Recipe(seed=args.seed, epochs=args.epochs, rate=1.5e-3, batch=64)
    run(args.data, args.out, args.folds, recipe, args.routes)
    print((args.out / "card.md").read_text(encoding="utf-8"))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
