"""One camera of a game from the clips that saw it: what most clips agree on, not what the first one said.

Each clip gives its own estimate of the camera's place and lens, made without the others, with a covariance.
A clip whose marks misled it disagrees with the rest by far more than both state; a mean would follow it, so
the estimate that most others agree with is found first, and each clip then counts by how near it lies
(weights of Geman-McClure's kind over the Mahalanobis distance).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.prior import CameraPrior

CLIP_SD = np.array([0.1, 0.003, 0.003, 0.1, 0.1, 0.05, 0.02, 0.05])
"""What clips of one tripod differ by beyond their stated errors, in the order of SHARED (common practice)."""
JUDGED = [3, 4, 5, 6, 7]  # place, crown and number rows tell a misled clip; roll and lens say little
FAR = 9.0  # squared distance a dimension at which a clip's weight has fallen to a quarter
MOST = 25.0  # disagreement beyond this counts alike


def pooled(clips: Sequence[CameraPrior]) -> CameraPrior:
    """The camera that the clips (at least one, all of one view) agree on; its ``clips``: how many do."""
    if len(clips) == 1:
        return clips[0]
    origin = float(np.mean([c.origin for c in clips]))
    lead = min(clips, key=lambda c: (not c.placed, np.linalg.slogdet(c.covariance + np.diag(CLIP_SD**2))[1]))
    found = [_aligned(c, lead, origin) for c in clips]
    mean = np.array([m for m, _ in found])
    covariance = np.array([c for _, c in found]) + np.diag(CLIP_SD**2)
    at = np.ix_(JUDGED, JUDGED)
    apart = np.zeros((len(clips), len(clips)))
    for i, j in np.ndindex(apart.shape):
        apart[i, j] = _distance(mean[i] - mean[j], covariance[i] + covariance[j], at)
    size = np.array([np.linalg.slogdet(c[at])[1] for c in covariance])
    middle = mean[int(np.argmin(np.minimum(apart, MOST).sum(1) + 0.5 * size))]
    for _ in range(5):
        far = np.array([_distance(m - middle, c, at) for m, c in zip(mean, covariance, strict=True)])
        weight = 1 / (1 + far / (FAR * len(JUDGED))) ** 2
        information = np.array([np.linalg.inv(c) for c in covariance]) * weight[:, None, None]
        together = np.linalg.inv(information.sum(0))
        middle = together @ np.einsum("nij,nj->i", information, mean)
    agree = [c for c, w in zip(clips, weight, strict=True) if w > 0.25]
    flips = [c.flip for c in agree if c.flip is not None]
    return replace(
        lead,
        shared=middle,
        covariance=together,
        origin=origin,
        placed=any(c.placed for c in agree),
        flip=None if not flips else flips.count(True) * 2 > len(flips),
        clips=max(len(agree), 1),
    )


def _distance(d: np.ndarray, covariance: np.ndarray, at: tuple[np.ndarray, ...]) -> float:
    part = d[JUDGED]
    return float(part @ np.linalg.solve(covariance[at], part))


def _aligned(clip: CameraPrior, lead: CameraPrior, origin: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance with k1 at the common log focal length; an x known modulo five yards only is
    taken nearest to the leading clip's."""
    t = np.eye(len(clip.shared))
    t[1, 2] = origin - clip.origin
    mean = t @ clip.shared
    if not (clip.placed and lead.placed):
        mean[3] += 5.0 * np.round((lead.shared[3] - mean[3]) / 5.0)
    return mean, t @ clip.covariance @ t.T
