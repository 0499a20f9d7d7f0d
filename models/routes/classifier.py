"""`RouteClassifier`: paths in, calibrated route probabilities out; saved without pickles."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import torch

from models.routes.features import Grid, RoutePath, hand_features, sequence_features, to_grid
from models.routes.labels import LABELS, UNKNOWN, load_taxonomy
from models.routes.net import FoldedNet, RouteNet

SHIPPED = Path(__file__).resolve().parents[1] / "weights" / "routes.npz"
PARTNER = "partner:"
"""what the names of a second network's arrays begin with"""


@dataclass(frozen=True)
class RoutePrediction:
    """labels: names in the order of the columns; probability (N, K) rows sum to 1; usable (N,) False = the
    path could not be judged; threshold: below it the answer is `unknown`."""

    labels: tuple[str, ...]
    probability: np.ndarray
    usable: np.ndarray
    threshold: float

    @property
    def answer(self) -> np.ndarray:
        """(N,) label, or `unknown`."""
        best = self.probability.argmax(1)
        name = np.array(self.labels, dtype=object)[best]
        sure = self.usable & (self.probability.max(1) >= self.threshold)
        return np.where(sure, name, UNKNOWN)

    @property
    def best(self) -> np.ndarray:
        """(N,) most likely label, threshold ignored."""
        return np.array(self.labels, dtype=object)[self.probability.argmax(1)]

    def ranked(self, row: int, count: int = 3) -> list[tuple[str, float]]:
        order = np.argsort(-self.probability[row])[:count]
        return [(self.labels[k], float(self.probability[row, k])) for k in order]


@dataclass
class RouteClassifier:
    """A trained network with its scaling, temperatures and thresholds (one each per head).

    partner: a second network, whose probabilities are averaged with this one's (None = alone)."""

    net: RouteNet
    label_sets: dict[str, tuple[str, ...]]
    hand_mean: np.ndarray
    hand_sd: np.ndarray
    temperature: dict[str, float]
    threshold: dict[str, float]
    about: dict[str, Any] = field(default_factory=dict)
    partner: RouteClassifier | None = None
    _folded: tuple[Any, FoldedNet] | None = field(default=None, repr=False, compare=False)

    @classmethod
    def load(cls, path: str | Path | None = None) -> RouteClassifier:
        """Shipped weights, or a file of `save`. Raises FileNotFoundError / ValueError with the cure."""
        path = Path(path or SHIPPED)
        if not path.is_file():
            raise FileNotFoundError(
                f"{path}: no route weights there; train with models.training.train_routes"
            )
        with np.load(path, allow_pickle=False) as data:
            if "config" not in data:
                raise ValueError(f"{path}: not a route weights file (no 'config' inside)")
            model = cls._from_arrays(data, "")
            if f"{PARTNER}config" in data:
                model.partner = cls._from_arrays(data, PARTNER)
        return model

    @classmethod
    def _from_arrays(cls, data: Any, prefix: str) -> RouteClassifier:
        """One network of an opened file of `save`."""
        config = json.loads(str(data[f"{prefix}config"]))
        net = RouteNet(**config["net"])
        mine = f"{prefix}net:"
        tensors = {k[len(mine) :]: data[k] for k in data.files if k.startswith(mine)}
        net.load_state_dict({k: torch.from_numpy(v.astype(_dtype(v))) for k, v in tensors.items()})
        net.eval()
        sets = {k: tuple(v) for k, v in config["label_sets"].items()}
        mean, sd = data[f"{prefix}hand_mean"], data[f"{prefix}hand_sd"]
        return cls(net, sets, mean, sd, config["temperature"], config["threshold"], config.get("about", {}))

    def save(self, path: str | Path) -> Path:
        """Write everything to one .npz (half-precision weights, JSON settings; no pickles)."""
        path = Path(path)
        arrays = self._arrays("") | (self.partner._arrays(PARTNER) if self.partner is not None else {})
        np.savez_compressed(path, **arrays)
        return path

    def _arrays(self, prefix: str) -> dict[str, Any]:
        config = {
            "net": self.net.settings,
            "label_sets": self.label_sets,
            "temperature": self.temperature,
            "threshold": self.threshold,
            "about": self.about,
        }
        weights = {k: _small(v.detach().cpu().numpy()) for k, v in self.net.state_dict().items()}
        return {
            f"{prefix}config": json.dumps(config),
            f"{prefix}hand_mean": self.hand_mean,
            f"{prefix}hand_sd": self.hand_sd,
            **{f"{prefix}net:{k}": v for k, v in weights.items()},
        }

    def logits(self, grid: Grid, batch: int = 512) -> dict[str, np.ndarray]:
        """Raw scores of this network (without its partner) per head, (N, K)."""
        parts: dict[str, list[np.ndarray]] = {name: [] for name in self.label_sets}
        answering = self._answering()
        with torch.inference_mode():
            for at in range(0, len(grid.side), batch):
                rows = grid.rows(np.arange(at, min(at + batch, len(grid.side))))
                hand = (hand_features(rows) - self.hand_mean) / self.hand_sd
                out = answering(
                    torch.from_numpy(sequence_features(rows)),
                    torch.from_numpy(np.clip(hand, -6, 6).astype(np.float32)),
                )
                for name, value in out.items():
                    parts[name].append(value.numpy())
        return {
            k: np.concatenate(v) if v else np.zeros((0, len(self.label_sets[k]))) for k, v in parts.items()
        }

    def _answering(self) -> FoldedNet:
        """The network folded for answering, once for every state of its weights."""
        state = (id(self.net), *(t._version for t in self.net.state_dict().values()))
        if self._folded is None or self._folded[0] != state:
            self._folded = state, FoldedNet(self.net)
        return self._folded[1]

    def predict_grid(self, grid: Grid, taxonomy: str = "trade") -> RoutePrediction:
        """As `predict`, from a prepared grid."""
        if taxonomy in self.label_sets:
            p = _softmax(self.logits(grid)[taxonomy] / self.temperature[taxonomy])
            if self.partner is not None:
                p = (p + self.partner.predict_grid(grid, taxonomy).probability) / 2
            return RoutePrediction(self.label_sets[taxonomy], p, grid.usable, self.threshold[taxonomy])
        target = load_taxonomy(taxonomy)
        fine = self.predict_grid(grid, "trade")
        p = np.zeros((len(fine.probability), len(target.labels)))
        for k, name in enumerate(fine.labels):
            theirs = target.mapping.get(name)
            if theirs is not None:
                p[:, target.labels.index(theirs)] += fine.probability[:, k]
        p = (p + 1e-9) / (p + 1e-9).sum(1, keepdims=True)
        return RoutePrediction(target.labels, p, fine.usable, fine.threshold)

    def predict(self, paths: Sequence[RoutePath], taxonomy: str = "trade") -> RoutePrediction:
        """Probabilities for paths. taxonomy: 'trade' (our 19 labels), another trained head ('twelve'), or the
        name or path of a taxonomy file, whose probabilities are sums of ours."""
        return self.predict_grid(to_grid(paths), taxonomy)


def _softmax(z: np.ndarray) -> np.ndarray:
    e = np.exp(z - z.max(1, keepdims=True)) if len(z) else z
    return e / e.sum(1, keepdims=True) if len(z) else z


def _small(a: np.ndarray) -> np.ndarray:
    return a.astype(np.float16) if a.dtype == np.float32 else a


def _dtype(a: np.ndarray) -> Any:
    return np.float32 if a.dtype == np.float16 else a.dtype


__all__ = ["LABELS", "RouteClassifier", "RoutePath", "RoutePrediction"]
