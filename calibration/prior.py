"""What a game knows of one camera, and the belief a solver starts from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.standards import FieldStandard

SHARED = ("roll_deg", "k1", "k1_slope", "x_yd", "y_yd", "z_yd", "crown_yd", "number_yd")
"""What all frames of a camera have in common; number_yd: from a side line to the middle of its numbers."""

NUMBER_SURE_YD = 0.4  # sd of the numbers' rows below which they count as known rows

PLAIN_YD = 2.0
MOST_CLIPS = 4  # beyond these more clips of a camera say nothing more of how far a clip may stray

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


def weak_prior(standard: FieldStandard, endzone: bool) -> SharedPrior:
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
    """What is known of a clip's camera before looking; x, known modulo five yards only, is left out."""
    if prior is None:
        return weak_prior(standard, endzone)
    covariance = _roomy(prior)
    covariance[3, :] = covariance[:, 3] = 0.0
    covariance[3, 3] = 1e6
    mean = prior.shared.copy()
    return SharedPrior(mean, np.linalg.inv(covariance))


def _roomy(prior: CameraPrior) -> np.ndarray:
    """Covariance of the next clip's camera. Marks of one ground err alike in every frame (the finder's bias,
    the paint), so frames are worth less than they seem, and a lens changes a little."""
    room = np.array([0.2, 0.005, 0.006, 0.5, 0.8, 0.3, 0.04, 0.05]) / np.sqrt(min(prior.clips, MOST_CLIPS))
    return np.asarray(4 * prior.covariance + np.diag(room**2))


def with_x(belief: SharedPrior, prior: CameraPrior, x_yd: float, sd_yd: float) -> SharedPrior:
    """The belief with the game's x, for a clip whose fit so far puts its camera at ``x_yd`` (sd ``sd_yd``)
    modulo five yards; without it where it is not plain which five yards are meant. On a long lens depth and
    focal length trade against one another, and the tripod's place settles both."""
    near = prior.shared[3] + 5.0 * np.round((x_yd - prior.shared[3]) / 5.0)
    plain = abs(x_yd - near) + 2 * sd_yd < PLAIN_YD
    mean, information = belief.mean.copy(), belief.information.copy()
    mean[3] = near if plain else x_yd
    information[3, 3] = 1 / _roomy(prior)[3, 3] if plain else 1e-6
    return SharedPrior(mean, information)
