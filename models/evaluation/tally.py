"""Counts and samples of scored film: added over plays and films, turned into ratios last."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from models.evaluation.precision import average_precision
from models.evaluation.tracking import TrackCounts, add_counts


@dataclass
class Tally:
    """Counts and samples of one film (or, added up, of several); ``figures()`` names them, with n.

    answers: by figure, boxes as (confidence, right at each IoU step), for an average precision over the
    ``name/asked`` true boxes of `counts`.
    """

    counts: Counter[str] = field(default_factory=Counter)
    samples: dict[str, list[float]] = field(default_factory=dict)
    tracks: list[TrackCounts] = field(default_factory=list)
    answers: dict[str, list[tuple[float, tuple[bool, ...]]]] = field(default_factory=dict)

    def hit(self, name: str, right: bool) -> None:
        """One trial of a share."""
        self.counts[f"{name}/n"] += 1
        self.counts[f"{name}/right"] += int(right)

    def add(self, name: str, values: np.ndarray | list[float]) -> None:
        """Samples of an error."""
        self.samples.setdefault(name, []).extend(float(v) for v in values if np.isfinite(v))

    def __add__(self, other: Tally) -> Tally:
        samples = {k: list(v) for k, v in self.samples.items()}
        for name, values in other.samples.items():
            samples.setdefault(name, []).extend(values)
        counts = Counter(self.counts)
        counts.update(other.counts)
        names = self.answers | other.answers
        answers = {k: [*self.answers.get(k, []), *other.answers.get(k, [])] for k in names}
        return Tally(counts, samples, [*self.tracks, *other.tracks], answers)

    def figures(self) -> dict[str, dict[str, float]]:
        """Shares as {value, n}; errors as {median, p95, mean, n}; identities over clips as {value, n}."""
        out: dict[str, dict[str, float]] = {}
        for key, n in self.counts.items():
            name, kind = key.rsplit("/", 1)
            if kind == "n" and n:
                out[name] = {"value": self.counts[f"{name}/right"] / n, "n": n}
        for name, values in self.samples.items():
            v = np.asarray(values)
            if len(v):
                out[name] = {
                    "median": float(np.median(v)),
                    "p95": float(np.percentile(v, 95)),
                    "mean": float(v.mean()),
                    "n": len(v),
                }
        for name, boxes in self.answers.items():
            n = self.counts[f"{name}/asked"]
            sure, right = np.array([b[0] for b in boxes]), np.array([b[1] for b in boxes], bool)
            if n:
                out[name] = {"value": float(average_precision(sure, right, n).mean()), "n": n}
        if self.tracks:
            total, n = add_counts(self.tracks), len(self.tracks)
            out["HOTA in yards (1 yd gate)"] = {"value": total.hota_gate, "n": n}
            out["IDF1 in yards"] = {"value": total.idf1, "n": n}
        return out
