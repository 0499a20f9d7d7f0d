"""What a game knows of one camera, and the belief a solver starts from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.standards import FieldStandard

SHARED = ("roll_deg", "k1", "k1_slope", "x_yd", "y_yd", "z_yd", "crown_yd", "number_yd")
"""What all frames of a camera have in common; number_yd: from a side line to the middle of its numbers."""

NUMBER_SURE_YD = 0.4  # sd of the numbers' rows below which they count as known rows

Clicks = dict[int, list[tuple[float, float, float, float]]]


@dataclass(frozen=True)
class SharedPrior:
    """Gaussian belief about the shared unknowns: mean (8,), information (8, 8), in the order of SHARED."""

    mean: np.ndarray
    information: np.ndarray

    @property
    def number_sd_yd(self) -> float:
        """Standard deviation of the place of the numbers' rows."""
        return float(np.sqrt(np.linalg.inv(self.information)[7, 7]))

    @property
    def number_yd(self) -> float | None:
        """Where the numbers' rows are believed to lie, None when that is too vague to fix a scale."""
        return float(self.mean[7]) if self.number_sd_yd < NUMBER_SURE_YD else None


def weak_prior(standard: FieldStandard, endzone: bool, hash_known: bool = True) -> SharedPrior:
    """What is known of any wide camera before looking (film facts; sd generous)."""
    number = standard.number_rows_yd[0]
    if endzone:
        mean = np.array([0.0, -0.005, 0.0, -40.0, standard.width_yd / 2, 14.0, 0.12, number])
        sd = np.array([1.5, 0.025, 0.02, 60.0, 8.0, 9.0, 0.10, standard.number_sd_yd])
    else:
        mean = np.array([0.0, -0.005, 0.0, standard.centre_x_yd, -42.0, 18.0, 0.12, number])
        sd = np.array([1.5, 0.025, 0.02, 60.0, 35.0, 12.0, 0.10, standard.number_sd_yd])
    return SharedPrior(mean, np.diag(1 / sd**2))


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
