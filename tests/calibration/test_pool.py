"""A game's camera from its clips: the agreement of most counts, not who came first."""

from dataclasses import replace

import numpy as np
import pytest

from calibration import Camera
from calibration.clip import ClipCameras
from calibration.game import apart_yd, preferred
from calibration.pool import pooled
from calibration.prior import CameraPrior, belief_of, with_x
from calibration.standards import get_standard

TRUE = np.array([0.5, 0.01, 0.0, -48.0, 27.0, 16.0, 0.15, 13.0])
SD = np.array([0.1, 0.01, 0.01, 0.3, 0.1, 0.1, 0.03, 0.1])


def clip(rng: np.random.Generator, off: np.ndarray | float = 0.0, placed: bool = True) -> CameraPrior:
    return CameraPrior("endzone", TRUE + rng.normal(0, SD) + off, np.diag(SD**2), 8.4, 23.6, placed)


def test_one_clip_is_taken_as_it_is() -> None:
    one = clip(np.random.default_rng(0))
    assert pooled([one]) is one


@pytest.mark.parametrize("seed", range(5))
def test_agreeing_clips_make_a_surer_camera_as_their_mean_would(seed: int) -> None:
    """Equal covariances: the precision-weighted mean is the plain mean, its variance 1 / n of one clip's."""
    rng = np.random.default_rng(seed)
    clips = [clip(rng) for _ in range(6)]
    found = pooled(clips)
    plain = np.mean([c.shared for c in clips], axis=0)
    assert found.clips == 6 and found.placed
    assert np.abs((found.shared - plain) / SD).max() < 0.3
    assert (np.sqrt(np.diag(found.covariance)) < SD).all()


@pytest.mark.parametrize("seed", range(5))
def test_a_misled_first_clip_is_outvoted_however_sure_it_was(seed: int) -> None:
    rng = np.random.default_rng(seed)
    misled = replace(
        clip(rng, np.array([0, 0, 0, 3.0, -1.5, 1.5, 0, 0])), covariance=np.diag((0.3 * SD) ** 2)
    )
    found = pooled([misled, clip(rng), clip(rng), clip(rng)])
    assert found.clips == 3
    assert np.abs(found.shared - TRUE)[3:6].max() < 0.5


def test_a_clip_numbered_modulo_five_yards_joins_the_others() -> None:
    rng = np.random.default_rng(3)
    found = pooled([clip(rng, np.array([0, 0, 0, 35.0, 0, 0, 0, 0]), placed=False), clip(rng), clip(rng)])
    assert found.clips == 3 and found.placed
    assert found.shared[3] == pytest.approx(TRUE[3], abs=0.5)


def test_the_games_x_helps_only_where_it_is_plain_which_five_yards_are_meant() -> None:
    field = get_standard("nfl")
    game = replace(clip(np.random.default_rng(1)), shared=TRUE, clips=4)
    belief = belief_of(field, True, game)
    assert belief.information[3, 3] < 1e-3
    sure = with_x(belief, game, TRUE[3] + 20.4, 0.3)
    assert sure.mean[3] == pytest.approx(TRUE[3] + 20.0) and sure.information[3, 3] > 1.0
    open_ = with_x(belief, game, TRUE[3] + 22.3, 0.3)
    assert open_.mean[3] == pytest.approx(TRUE[3] + 22.3) and open_.information[3, 3] < 1e-3


def test_the_second_look_is_preferred_as_it_says() -> None:
    field = get_standard("nfl")
    camera = Camera(1280, 720, np.array([60.0, -40.0, 18.0]), 0.0, 14.0, 0.0, 1800.0)

    def clip_of(found: float, asks: bool = False, pan_deg: float = 0.0) -> ClipCameras:
        lost = np.arange(20) >= round(20 * found)
        p = np.where(lost[:, None], np.nan, replace(camera, pan_deg=pan_deg).parameters)
        status = np.where(lost, 2, 0).astype(np.uint8)
        sd = np.where(lost, np.nan, 1.0)
        return ClipCameras(1280, 720, field.width_yd, status, p, np.zeros((20, 9, 9), np.float32), sd,
                           needs_click=asks)  # fmt: skip

    whole, half, asking = clip_of(1.0), clip_of(0.5), clip_of(1.0, asks=True)
    assert preferred(whole, whole, settled=True) and not preferred(whole, whole, settled=False)
    assert preferred(asking, whole, False) and not preferred(whole, asking, True)
    assert preferred(half, whole, False) and not preferred(whole, half, True)
    assert apart_yd(whole, clip_of(0.7)) == 0.0
    assert apart_yd(whole, clip_of(1.0, pan_deg=1.0)) == pytest.approx(1.0, abs=0.5)  # 55 yd times a degree
    assert apart_yd(whole, clip_of(0.0)) == np.inf
