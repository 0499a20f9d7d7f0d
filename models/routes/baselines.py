"""Plain opponents for the network, kept beside it and always printed.

- two-segment naive Bayes: stem length and headings as in Hochstedler and Gagnon (2017);
- random forest on the hand features.
"""

from __future__ import annotations

import numpy as np
from sklearn.ensemble import RandomForestClassifier
from sklearn.naive_bayes import GaussianNB

from models.routes.features import Grid, hand_features, two_segments


def naive_bayes_features(grid: Grid) -> np.ndarray:
    """Stem length, stem heading, branch heading, branch length, start depth (N, 5)."""
    b = two_segments(grid)
    return np.stack([b.stem_yd, b.stem_deg, b.after_deg, b.after_yd, grid.start_yd[:, 0]], axis=1)


def fit_baselines(grid: Grid, y: np.ndarray, seed: int = 0, trees: int = 150) -> dict[str, tuple]:
    """{name: (feature function, fitted estimator)}."""
    forest = RandomForestClassifier(trees, min_samples_leaf=2, random_state=seed, n_jobs=1)
    return {
        "naive Bayes, two segments": (naive_bayes_features, GaussianNB().fit(naive_bayes_features(grid), y)),
        "random forest, hand features": (hand_features, forest.fit(hand_features(grid), y)),
    }


def baseline_accuracy(baselines: dict[str, tuple], grid: Grid, y: np.ndarray) -> dict[str, float]:
    return {name: float((model.predict(make(grid)) == y).mean()) for name, (make, model) in baselines.items()}
