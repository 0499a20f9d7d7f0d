"""The researcher's path: labelled paths in, a retrained classifier and honest figures out.

A labelled table (CSV or Parquet) has one row per man and moment, in the play frame:

    play_id, player_id, t_s (from the snap), depth_play_yd, lateral_play_yd, route
    optional: game, throw_s, end_s, room_right_yd, room_left_yd, number

`from_export` makes the same from an exported season (tracks, plays, players, routes). Splits are by game
(or by play where no game is given): routes of one play never stand on both sides of a split.

    python -m models.routes.research evaluate --labels FILE --taxonomy twelve
    python -m models.routes.research train --labels FILE --folds 5 --out mine.npz
"""

from __future__ import annotations

import argparse
import difflib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import torch

from models.evaluation.routes import bootstrap_interval, paired_test, report
from models.routes.baselines import baseline_accuracy, fit_baselines
from models.routes.classifier import RouteClassifier
from models.routes.features import Grid, RoutePath, to_grid
from models.routes.fitting import Recipe, fit
from models.routes.labels import LABELS, load_taxonomy

NEEDED = ("play_id", "player_id", "t_s", "depth_play_yd", "lateral_play_yd", "route")
LEAST_PER_CLASS = 5


@dataclass(frozen=True)
class Labelled:
    """paths, label (N,) str, play (N,) str, game (N,) str: one entry per route."""

    paths: tuple[RoutePath, ...]
    label: np.ndarray
    play: np.ndarray
    game: np.ndarray

    def __len__(self) -> int:
        return len(self.paths)

    def rows(self, which: np.ndarray) -> Labelled:
        keep = np.arange(len(self))[which]
        return Labelled(
            tuple(self.paths[i] for i in keep), self.label[keep], self.play[keep], self.game[keep]
        )


def read_labelled(source: str | Path | pd.DataFrame) -> Labelled:
    """A labelled table from a CSV or Parquet file, or a frame. Raises ValueError naming missing columns."""
    if isinstance(source, pd.DataFrame):
        table = source
    else:
        path = Path(source)
        table = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
    missing = [c for c in NEEDED if c not in table.columns]
    if missing:
        raise ValueError(
            f"labelled table: missing columns {', '.join(missing)}; "
            f"found {', '.join(map(str, table.columns))}"
        )
    table = table[table["route"].notna() & (table["route"].astype(str) != "") & (table["route"] != "unknown")]
    paths, label, play, game = [], [], [], []
    for (play_id, _), rows in table.groupby(["play_id", "player_id"], sort=True):
        rows = rows.sort_values("t_s").drop_duplicates("t_s")
        names = rows["route"].astype(str).unique()
        if len(names) > 1:
            raise ValueError(f"play {play_id}: one man has two routes, {', '.join(names)}")
        first: dict[str, Any] = rows.iloc[0].to_dict()
        value: dict[str, Any] = {
            k: float(first.get(k, np.nan)) for k in ("throw_s", "end_s", "room_right_yd", "room_left_yd")
        }
        number = first.get("number", -1)
        paths.append(
            RoutePath(
                rows["t_s"].to_numpy(float),
                rows[["depth_play_yd", "lateral_play_yd"]].to_numpy(float),
                **value,
                number=-1 if pd.isna(number) else int(number),
            )
        )
        label.append(names[0])
        play.append(str(play_id))
        game.append(str(first.get("game", play_id)))
    return Labelled(tuple(paths), np.array(label, object), np.array(play, object), np.array(game, object))


def from_export(folder: str | Path, game: str = "") -> pd.DataFrame:
    """A labelled table from an exported season folder (tracks, plays, players, routes as Parquet or CSV).

    The ball's lateral spot is taken from the quarterback's place at the snap; plays without a line, a
    direction or a quarterback are left out.
    """
    folder = Path(folder)

    def table(name: str) -> pd.DataFrame:
        for path in (folder / f"{name}.parquet", folder / f"{name}.csv"):
            if path.is_file():
                return pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
        raise FileNotFoundError(
            f"{folder}: expected {name}.parquet or {name}.csv (write it with: underneath export)"
        )

    tracks, plays, players, routes = (table(n) for n in ("tracks", "plays", "players", "routes"))
    parts = []
    for _, play in plays.iterrows():
        here = tracks[(tracks["play_id"] == play["play_id"]) & tracks["t_s"].between(-1.0, 6.5)]
        men = players[players["play_id"] == play["play_id"]]
        backs = men.loc[men["role"] == "QB", "player_id"]
        named = routes[routes["play_id"] == play["play_id"]].set_index("player_id")["route"]
        qb = here[here["player_id"].isin(backs) & (here["t_s"].abs() < 0.15)]
        if not len(named) or not len(qb) or pd.isna(play["los_field_yd"]) or play["direction"] not in (1, -1):
            continue
        spot, direction = float(qb["y_field_yd"].median()), int(play["direction"])
        rows = here[here["player_id"].isin(named.index)].drop_duplicates(["player_id", "t_s"]).copy()
        rows["depth_play_yd"] = direction * (rows["x_field_yd"] - play["los_field_yd"])
        rows["lateral_play_yd"] = -direction * (rows["y_field_yd"] - spot)
        rows["route"] = rows["player_id"].map(named)
        rows["throw_s"] = play["throw_s"] - play["snap_s"]
        rows["end_s"] = np.nanmin([play["arrival_s"], play["end_s"], np.inf]) - play["snap_s"]
        rows["game"] = game or str(play.get("game", play["play_id"]))
        parts.append(rows)
    if not parts:
        raise ValueError(f"{folder}: no play with routes, a line of scrimmage and a quarterback")
    return pd.concat(parts, ignore_index=True)


def check_labels(label: np.ndarray, labels: Sequence[str]) -> np.ndarray:
    """Indices into labels. Raises ValueError with the nearest names, or naming too small classes."""
    unknown = sorted(set(label) - set(labels))
    if unknown:
        near = difflib.get_close_matches(str(unknown[0]), list(labels), n=3, cutoff=0.3)
        raise ValueError(
            f"labels not in the set: {', '.join(map(str, unknown))}; nearest to {unknown[0]!r}: "
            f"{', '.join(near) or 'none'}; the set: {', '.join(labels)}"
        )
    few = [f"{k} ({v})" for k, v in Counter(label).items() if v < LEAST_PER_CLASS]
    if few:
        raise ValueError(
            f"too few samples (at least {LEAST_PER_CLASS} each): {', '.join(few)}; merge or drop them"
        )
    return np.array([list(labels).index(x) for x in label])


def check_split(train: Labelled, test: Labelled) -> None:
    """Refuse a split with the same play on both sides."""
    both = set(train.play) & set(test.play)
    if both:
        raise ValueError(f"the same play is in training and test: {', '.join(sorted(both)[:5])}")


def fold_of(game: np.ndarray, folds: int, seed: int = 0) -> np.ndarray:
    """Fold number of each route; whole games (or plays) go into one fold."""
    names = np.unique(game.astype(str))
    if len(names) < folds:
        raise ValueError(f"{folds} folds need at least {folds} games; found {len(names)}")
    order = np.random.default_rng(seed).permutation(len(names))
    place = dict(zip(names[order], np.arange(len(names)) % folds, strict=True))
    return np.array([place[str(g)] for g in game])


def own_recipe(routes: int, seed: int = 0, epochs: int = 14, device: str = "cpu") -> Recipe:
    """Settings for retraining on so many routes: small batches for few, larger ones (and faster epochs) for
    many."""
    batch = min(256, max(64, routes // 100))
    return Recipe(seed=seed, epochs=epochs, rate=1.5e-3, batch=batch, device=device)


def train(
    data: Labelled,
    labels: Sequence[str],
    recipe: Recipe | None = None,
    start: RouteClassifier | None = None,
    head: str = "own",
    say: Callable[[str], None] = print,
) -> RouteClassifier:
    """Retrain on own labels, starting from the shared layers of the shipped networks (both of them; their
    answers are averaged) or of `start`; a fifth of the games is kept for calibration. Same data, recipe and
    start give the same weights."""
    recipe = recipe or own_recipe(len(data))
    y = check_labels(data.label, labels)
    fold = fold_of(data.game, min(5, max(2, len(np.unique(data.game.astype(str))))), recipe.seed)
    grid = to_grid(data.paths)
    keep, held = np.flatnonzero((fold != 0) & grid.usable), np.flatnonzero((fold == 0) & grid.usable)
    check_split(data.rows(keep), data.rows(held))
    part: Grid = grid.rows(keep)
    start = start or RouteClassifier.load()
    fitted = [
        fit(
            lambda epoch: (part, {head: y[keep]}),
            (grid.rows(held), {head: y[held]}),
            {head: tuple(labels)},
            recipe,
            say,
            network,
        )
        for network in (start, start.partner)
        if network is not None
    ]
    return replace(fitted[0], partner=fitted[1]) if len(fitted) > 1 else fitted[0]


def cross_validate(
    data: Labelled,
    labels: Sequence[str],
    folds: int = 5,
    recipe: Recipe | None = None,
    taxonomy: str = "",
    say: Callable[[str], None] = print,
) -> dict[str, Any]:
    """Figures by game folds: retrained network, shipped network (if a taxonomy names the labels), baselines,
    and a paired test of retrained against the forest."""
    y = check_labels(data.label, labels)
    fold = fold_of(data.game, folds, (recipe or Recipe()).seed)
    grid = to_grid(data.paths)
    probability = np.zeros((len(data), len(labels)))
    forest = np.zeros(len(data), bool)
    base: dict[str, list[tuple[int, float]]] = {}
    for k in range(folds):
        inside, outside = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
        check_split(data.rows(inside), data.rows(outside))
        model = train(data.rows(inside), labels, recipe, say=lambda _: None)
        probability[outside] = model.predict_grid(grid.rows(outside), "own").probability
        fitted = fit_baselines(grid.rows(inside), y[inside])
        for name, value in baseline_accuracy(fitted, grid.rows(outside), y[outside]).items():
            base.setdefault(name, []).append((len(outside), value))
        make, estimator = fitted["random forest, hand features"]
        forest[outside] = estimator.predict(make(grid.rows(outside))) == y[outside]
        say(
            f"fold {k}: n {len(outside)}, "
            f"retrained {np.mean(probability[outside].argmax(1) == y[outside]):.3f}"
        )
    right = probability.argmax(1) == y
    out = {
        "report": report(tuple(labels), y, probability),
        "interval": bootstrap_interval(right, data.game.astype(str)),
        "baselines": {n: float(sum(c * v for c, v in rows) / len(data)) for n, rows in base.items()},
        "against forest": paired_test(right, forest),
    }
    if taxonomy:
        out["shipped"] = evaluate(data, taxonomy)["report"].accuracy
    return out


def evaluate(data: Labelled, taxonomy: str = "trade", model: RouteClassifier | None = None) -> dict[str, Any]:
    """The shipped (or a given) classifier on labelled routes."""
    model = model or RouteClassifier.load()
    labels = model.label_sets.get(taxonomy) or load_taxonomy(taxonomy).labels
    unknown = sorted(set(map(str, data.label)) - set(labels))
    if unknown:
        check_labels(data.label, labels)
    y = np.array([labels.index(str(x)) for x in data.label])
    said = model.predict(data.paths, taxonomy)
    right = said.probability.argmax(1) == y
    sure = said.usable & (said.probability.max(1) >= said.threshold)
    return {
        "report": report(tuple(labels), y, said.probability),
        "answered": float(sure.mean()),
        "right when answered": float(right[sure].mean()) if sure.any() else float("nan"),
        "interval": bootstrap_interval(right, data.game.astype(str)),
    }


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=["evaluate", "train"], help=argparse.SUPPRESS)
    parser.add_argument("--labels", "--data", dest="data", required=True, metavar="FILE", help="a table")
    parser.add_argument("--taxonomy", default="", help="name of the labels' set, e.g. twelve, or its file")
    parser.add_argument("--weights", default=None, help="evaluate: weights to score (the shipped ones)")
    parser.add_argument("--folds", type=int, default=0, help="train: first score by so many folds of games")
    parser.add_argument("--epochs", type=int, default=14, help="train: passes over the labels (14)")
    parser.add_argument("--seed", type=int, default=0, help="train: same seed, same weights")
    parser.add_argument(
        "--device",
        choices=["cpu", "cuda"],
        default="cpu",
        help="train: cuda is fast, but never repeats exactly",
    )
    parser.add_argument("--out", default="own_routes.npz", help="train: file to write")
    args = parser.parse_args(argv)
    if args.device == "cuda" and not torch.cuda.is_available():
        parser.error("no GPU here that PyTorch can use: leave --device out")
    data = read_labelled(args.data)
    if args.what == "evaluate":
        out = evaluate(data, args.taxonomy or "trade", RouteClassifier.load(args.weights))
        print(out["report"].text())
        print(
            f"interval {out['interval'][0]:.3f}-{out['interval'][1]:.3f}, answered {out['answered']:.3f}, "
            f"right when answered {out['right when answered']:.3f}"
        )
        return 0
    labels = (
        load_taxonomy(args.taxonomy).labels if args.taxonomy else tuple(sorted(set(map(str, data.label))))
    )
    if not args.taxonomy and set(labels) <= set(LABELS):
        labels = tuple(x for x in LABELS if x in labels)
    recipe = own_recipe(len(data), args.seed, args.epochs, args.device)
    if args.folds:
        out = cross_validate(data, labels, args.folds, recipe, args.taxonomy)
        print(out["report"].text())
        for name, value in {**out["baselines"], "shipped": out.get("shipped", float("nan"))}.items():
            print(f"{name}: {value:.3f}")
        print(
            f"retrained interval {out['interval'][0]:.3f}-{out['interval'][1]:.3f}; "
            f"against the forest {out['against forest']}"
        )
    train(data, labels, recipe).save(args.out)
    print(f"wrote {args.out}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
