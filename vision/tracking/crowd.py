"""How far men stand from each other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def to_others(xy: np.ndarray, ranks: Sequence[int]) -> np.ndarray:
    """(len(ranks),N) distance of every man to his nearest (1), second nearest (2) ... other man; inf where
    there are not so many. xy (N,2): places of one moment."""
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=-1)
    np.fill_diagonal(apart, np.inf)
    apart.sort(axis=1)
    far = np.full(len(xy), np.inf)
    return np.array([apart[:, k - 1] if k <= len(xy) else far for k in ranks])
