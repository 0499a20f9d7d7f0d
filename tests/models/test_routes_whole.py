"""Routes of whole simulated plays in the sampler's form."""

from __future__ import annotations

import numpy as np
import pytest

from models.routes.classifier import RouteClassifier
from models.routes.features import GRID_S, SNAP
from models.routes.made import observe
from models.routes.whole import join_sets, whole_routes
from models.synthetic.plays import simulate_play
from models.synthetic.playsim_sampler import sample_routes


@pytest.fixture(scope="module")
def men():
    return whole_routes(991_500, 24)


def test_same_men_as_in_the_play(men):
    play = simulate_play(991_500, "nfl", "pass")
    mine = men.group == 0
    assert sorted(men.label[mine]) == sorted(r.label for r in play.routes.values())
    throw = play.events.get("throw_s", np.nan)
    assert np.allclose(men.throw_s[mine], throw, equal_nan=True)
    who = list(play.routes)[0]
    xy = play.to_play(play.person(who).xy_field_yd)
    at = np.argmin(np.abs(men.t_s - 1.0))
    true = xy[np.argmin(np.abs(play.t_s - 1.0))]
    assert np.allclose(np.abs(men.path_yd[mine][0, at]), np.abs(true), atol=0.3)


def test_nothing_after_the_end_is_seen(men):
    for strength in (0.0, 1.0):
        grid = observe(men, 3, strength)
        last = np.where(grid.seen, GRID_S[None], -9.0).max(1)
        assert (last <= np.maximum(men.end_s, 0.9) + 1e-6).all()
        assert np.isnan(grid.throw_s[np.isnan(men.throw_s)]).all()
        assert np.isfinite(grid.path_yd).all()


def test_clean_men_start_where_they_stood_and_are_named(men):
    grid = observe(men, 4, 0.0)
    at = np.searchsorted(men.t_s, 0.0)
    assert np.allclose(grid.path_yd[:, SNAP, 0], men.path_yd[:, at, 0], atol=0.3)
    said = RouteClassifier.load().predict_grid(grid)
    assert (said.best == men.label).mean() > 0.72


def test_joined_with_the_sampler(men):
    single = sample_routes(5, 40)
    both = join_sets([single, men])
    assert len(both) == 40 + len(men) and np.isinf(both.end_s[:40]).all()
    with pytest.raises(ValueError, match="clocks"):
        join_sets([single, type(single)(*[v[..., :-1, :] if v.ndim == 3 else v for v in _columns(single)])])


def _columns(routes):
    columns = [getattr(routes, f) for f in routes.__dataclass_fields__ if f != "end_s"]
    columns[0] = columns[0][:-1]
    return columns
