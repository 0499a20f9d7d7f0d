"""Doubt about whose path it is: worked by hand, then on drawn paths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.routes.classifier import RoutePrediction
from models.routes.features import OTHERS_AFTER_THROW_S, RoutePath, to_grid
from models.routes.labels import LABELS
from vision.route_doubt import BLOCKS_IF_HIM, BLOCKS_IF_OTHER, HALF_SD_YD, MOST, SHARES, exchanged, with_doubt
from vision.routes import name_paths


def path(sd_yd: float | None, lateral: float = 12.0, depth: float = -1.0, speed: float = 6.0) -> RoutePath:
    t = np.arange(-0.5, 4.0, 0.1)
    xy = np.stack([depth + speed * t.clip(0), np.full(len(t), lateral)], 1)
    sd = None if sd_yd is None else np.full(len(t), sd_yd)
    return RoutePath(t, xy, 2.5, 3.5, 26.0, 26.0, 1, sd)


def said(name: str, chance: float, n: int = 1) -> RoutePrediction:
    p = np.full((n, len(LABELS)), (1 - chance) / (len(LABELS) - 1))
    p[:, LABELS.index(name)] = chance
    return RoutePrediction(LABELS, p, np.ones(n, bool), 0.35)


def test_shares_name_every_route_and_add_up() -> None:
    assert set(SHARES) == set(LABELS)
    # published shares in twelve classes: go 21, hitch 16 (hitch, hook, curl, comeback), cross 12, out 10
    assert SHARES["go"] == 21 and SHARES["shallow_cross"] + SHARES["deep_cross"] == 12
    assert sum(SHARES[n] for n in ("hitch", "hook", "curl", "comeback")) == pytest.approx(16, abs=1)


def test_a_wide_spread_is_doubted_and_a_narrow_or_unstated_one_is_not() -> None:
    narrow, half, wide, none = exchanged([path(0.1), path(HALF_SD_YD), path(1.5), path(None)])
    assert narrow < 0.005 and none == 0.0
    assert half == pytest.approx(0.5 * MOST) and 0.9 * MOST < wide < MOST
    before, after = (np.where(path(0.1).t_s < 0, *v) for v in ((1.5, 0.1), (0.1, 1.5)))
    assert exchanged([replace(path(0.1), sd_yd=before)])[0] < 0.005  # how he stood is no part of his run
    assert exchanged([replace(path(0.1), sd_yd=after)])[0] > 0.3


def test_a_split_mans_block_is_doubted_most() -> None:
    paths = [path(HALF_SD_YD), path(HALF_SD_YD), path(HALF_SD_YD, lateral=1.5, depth=-6.0)]
    grid = to_grid(paths)
    block = with_doubt(said("block", 0.95, 3), paths, grid).probability[:, LABELS.index("block")]
    go = with_doubt(said("go", 0.95, 3), paths, grid).probability[:, LABELS.index("go")]
    assert block[0] < block[2] < 0.95 and block[0] < 0.55 < go[0]
    # by hand: odds of an exchange 0.2 / 0.8 times (0.95 * .37 / .05 + 0.05 * .63 / .95) = 7.06
    odds = 0.25 * (0.95 * BLOCKS_IF_OTHER / BLOCKS_IF_HIM[0] + 0.05 * 0.63 / 0.95)
    doubt = odds / (1 + odds)
    assert block[0] == pytest.approx((1 - doubt) * 0.95 + doubt * 5 / sum(SHARES.values()), abs=1e-6)


def test_chances_still_add_up_and_other_label_sets_are_left_alone() -> None:
    paths = [path(0.5), path(0.2)]
    out = with_doubt(said("curl", 0.8, 2), paths, to_grid(paths))
    assert out.probability.sum(1) == pytest.approx(1.0)
    own = RoutePrediction(("A", "B"), np.array([[0.9, 0.1]] * 2), np.ones(2, bool), 0.5)
    assert with_doubt(own, paths, to_grid(paths)) is own


def test_less_certain_tracks_give_less_certain_names() -> None:
    sure, doubted = (name_paths(["a"], [path(sd)])["a"] for sd in (0.1, 0.5))
    assert sure.best == doubted.best == "go"
    assert doubted.probability < sure.probability - 0.05


def test_men_not_thrown_to_are_looked_at_until_they_see_the_throw() -> None:
    whole = path(0.1)
    for who, end in ((None, 3.5), (True, 3.5), (False, 2.5 + OTHERS_AFTER_THROW_S)):
        grid = to_grid([replace(whole, thrown_to=who)])
        assert grid.end_s[0] == pytest.approx(end, abs=0.06)
    # one who turns for the ball 0.6 s after the throw has run a go all the same
    t = whole.t_s
    late = np.clip(t - 3.1, 0, None)[:, None] * np.array([-4.0, -6.0])
    turned = replace(whole, depth_lateral_play_yd=whole.depth_lateral_play_yd + late, thrown_to=False)
    other = name_paths(["a"], [turned])["a"]
    assert other.best == "go"
    assert other.end_depth_play_yd > name_paths(["a"], [whole])["a"].end_depth_play_yd - 4.0
