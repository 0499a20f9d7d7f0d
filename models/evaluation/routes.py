"""How good is a route classifier: pure figures, and a command that judges one on simulated whole plays.

    python -m models.evaluation.routes --plays 150 --standard ncaa [--weights FILE]

Accuracies carry n; intervals are a bootstrap over games (or plays), because routes of one game are alike.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import binomtest


@dataclass(frozen=True)
class Report:
    """labels; confusion (K, K) rows = truth; precision, recall, f1 (K,) NaN when undefined; accuracy;
    ece = expected calibration error of the top answer in ten equal bins; n."""

    labels: tuple[str, ...]
    confusion: np.ndarray
    precision: np.ndarray
    recall: np.ndarray
    f1: np.ndarray
    accuracy: float
    ece: float
    n: int

    def text(self) -> str:
        head = f"n {self.n}  accuracy {self.accuracy:.3f}  calibration error {self.ece:.3f}"
        rows = [head, f"{'route':15s}{'n':>6s}{'precision':>11s}{'recall':>8s}{'F1':>7s}  mostly taken for"]
        for k, name in enumerate(self.labels):
            count = int(self.confusion[k].sum())
            if not count:
                continue
            wrong = self.confusion[k].copy()
            wrong[k] = 0
            most = f"{self.labels[wrong.argmax()]} {wrong.max() / count:.0%}" if wrong.max() else ""
            rows.append(
                f"{name:15s}{count:6d}{self.precision[k]:11.2f}{self.recall[k]:8.2f}{self.f1[k]:7.2f}  {most}"
            )
        return "\n".join(rows)


def calibration_error(confidence: np.ndarray, right: np.ndarray, bins: int = 10) -> float:
    """Mean over equal-width bins of |share right - mean confidence|, weighted by count (Guo et al. 2017)."""
    place = np.minimum((np.asarray(confidence) * bins).astype(int), bins - 1)
    total = 0.0
    for b in range(bins):
        rows = place == b
        if rows.any():
            total += rows.mean() * abs(float(np.mean(right[rows])) - float(np.mean(confidence[rows])))
    return float(total)


def report(labels: tuple[str, ...], truth: np.ndarray, probability: np.ndarray) -> Report:
    """truth (N,) indices into labels; probability (N, K)."""
    k = len(labels)
    guess = probability.argmax(1) if len(truth) else np.zeros(0, int)
    confusion = np.zeros((k, k), int)
    np.add.at(confusion, (truth, guess), 1)
    hit = np.diag(confusion).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        precision, recall = hit / confusion.sum(0), hit / confusion.sum(1)
        f1 = 2 * hit / (confusion.sum(0) + confusion.sum(1))
    right = guess == truth
    ece = calibration_error(probability.max(1), right) if len(truth) else float("nan")
    return Report(
        labels,
        confusion,
        precision,
        recall,
        f1,
        float(right.mean()) if len(truth) else float("nan"),
        ece,
        len(truth),
    )


def coverage_curve(confidence: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share answered and accuracy of the answered, as the threshold falls from the surest route down."""
    order = np.argsort(-np.asarray(confidence), kind="stable")
    count = np.arange(1, len(order) + 1)
    return count / len(order), np.cumsum(np.asarray(right, float)[order]) / count


def bootstrap_interval(
    right: np.ndarray, group: np.ndarray, seed: int = 0, rounds: int = 1000, level: float = 0.95
) -> tuple[float, float]:
    """Interval of the accuracy, groups (games or plays) drawn with replacement; counts added, ratio last."""
    rng = np.random.default_rng(seed)
    names, index = np.unique(group, return_inverse=True)
    hits = np.bincount(index, np.asarray(right, float))
    sizes = np.bincount(index).astype(float)
    picks = rng.integers(0, len(names), (rounds, len(names)))
    ratios = hits[picks].sum(1) / sizes[picks].sum(1)
    tail = 50 * (1 - level)
    low, high = np.percentile(ratios, [tail, 100 - tail])
    return float(low), float(high)


def paired_test(right_a: np.ndarray, right_b: np.ndarray) -> dict[str, float]:
    """Two models on the same routes: exact McNemar test on those where only one is right."""
    a, b = np.asarray(right_a, bool), np.asarray(right_b, bool)
    if a.shape != b.shape:
        raise ValueError(f"the two models were judged on different routes: {a.shape} and {b.shape}")
    only_a, only_b = int((a & ~b).sum()), int((b & ~a).sum())
    p = float(binomtest(only_a, only_a + only_b, 0.5).pvalue) if only_a + only_b else 1.0
    return {"only_a": only_a, "only_b": only_b, "difference": float(a.mean() - b.mean()), "p": p}


def simulated_paths(
    first_seed: int, plays: int, standard: str = "ncaa", noise_yd: float = 0.0
) -> dict[str, Any]:
    """Eligible men of whole simulated plays: paths, labels, whether finished, play number, break truth."""
    from models.routes.features import RoutePath
    from models.synthetic.plays import FIELD_WIDTH_YD, simulate_play

    rng = np.random.default_rng(first_seed)
    out: dict[str, list[Any]] = {
        k: [] for k in ("path", "label", "finished", "play", "break_s", "stem", "turn")
    }
    for k in range(plays):
        play = simulate_play(first_seed + k, standard, "pass")
        width, spot = FIELD_WIDTH_YD[standard], play.spot_y_field_yd
        right, left = (spot, width - spot) if play.direction == 1 else (width - spot, spot)
        throw = play.events.get("throw_s", float("nan"))
        end = play.events.get("arrival_s", play.events.get("end_s", float("nan")))
        snap = int(np.searchsorted(play.t_s, 0.0))
        here = {p.id: play.to_play(p.xy_field_yd) for p in play.people if p.id in play.routes}
        roles = {p.id: p.role for p in play.people}
        for who, xy in here.items():
            lateral = xy[snap, 1]
            outer = [
                v
                for v, o in here.items()
                if roles[v] != "RB" and o[snap, 1] * lateral > 0 and abs(o[snap, 1]) >= abs(lateral)
            ]
            truth = play.routes[who]
            rows = play.t_s > -1.0
            seen = xy[rows] + rng.normal(0, noise_yd, xy[rows].shape) if noise_yd else xy[rows]
            number = 0 if roles[who] == "RB" else len(outer)
            out["path"].append(RoutePath(play.t_s[rows], seen, throw, end, right, left, number))
            for name, value in (
                ("label", truth.label),
                ("finished", truth.finished),
                ("play", first_seed + k),
                ("break_s", truth.break_s),
                ("stem", truth.stem_depth_play_yd),
                ("turn", truth.break_angle_deg),
            ):
                out[name].append(value)
    return out


def main(argv: list[str] | None = None) -> int:
    from models.routes.classifier import RouteClassifier

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--plays", type=int, default=120)
    parser.add_argument("--standard", default="ncaa")
    parser.add_argument("--noise", type=float, default=0.0, help="white noise on every sample, yd")
    parser.add_argument("--seed", type=int, default=500_000)
    parser.add_argument("--weights", default=None)
    args = parser.parse_args(argv)
    model = RouteClassifier.load(args.weights)
    data = simulated_paths(args.seed, args.plays, args.standard, args.noise)
    said = model.predict(data["path"])
    truth = np.array([said.labels.index(x) for x in data["label"]])
    done, group = np.array(data["finished"]), np.array(data["play"])
    right = said.probability.argmax(1) == truth
    print(report(said.labels, truth, said.probability).text())
    for name, rows in (("all", np.ones(len(truth), bool)), ("break run before the throw", done)):
        low, high = bootstrap_interval(right[rows], group[rows])
        sure = said.probability.max(1)[rows] >= said.threshold
        print(
            f"{name}: n {rows.sum()}, right {right[rows].mean():.3f} [{low:.3f}, {high:.3f}], answered "
            f"{sure.mean():.3f}, right when answered {right[rows][sure].mean():.3f}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
