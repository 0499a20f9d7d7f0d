"""What a game knows of one camera, and the belief a solver starts from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.bundle import SharedPrior, weak_prior
from calibration.standards import FieldStandard

Clicks = dict[int, list[tuple[float, float, float, float]]]


@dataclass(frozen=True)
class CameraPrior:
    """What a game already knows of one camera: shared (8,) and covariance (8, 8) at log focal ``origin``.

    shared is in the working frame (an end-zone camera behind x = 0); its x is the field's own when
    ``placed`` (the whole-yard vote of earlier clips holds). flip: the end zone is the other one.
    """

    view: str
    shared: np.ndarray
    covariance: np.ndarray
    origin: float
    hash_from_sideline_yd: float
    placed: bool = False
    flip: bool | None = None
    clips: int = 1


def belief_of(standard: FieldStandard, endzone: bool, prior: CameraPrior | None) -> SharedPrior:
    weak = weak_prior(standard, endzone)
    if prior is None:
        return weak
    # x is only known modulo five yards while solving: leave it out of the belief
    # marks of one ground err alike in every frame (the finder's bias, the paint): frames are worth
    # less than they
    # seem, and a lens changes a little
    covariance = 4 * prior.covariance + np.diag([0.2, 0.005, 0.006, 0.5, 0.8, 0.3, 0.04, 0.05]) ** 2
    covariance[3, :] = covariance[:, 3] = 0.0
    covariance[3, 3] = 1e6
    mean = prior.shared.copy()
    return SharedPrior(mean, np.linalg.inv(covariance))
