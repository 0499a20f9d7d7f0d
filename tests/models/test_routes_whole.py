"""Routes of whole simulated plays in the sampler's form."""

from __future__ import annotations

import numpy as np
import pytest

from models.routes.classifier import RouteClassifier
from models.routes.features import GRID_S, SNAP
from models.routes.made import observe
from models.routes.what_was_run import names_by_run
from models.routes.whole import join_sets, whole_routes
from models.synthetic import tables
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


@pytest.mark.parametrize(
    ("label", "deepest", "gained", "start", "break_s", "end_s", "name"),
    [
        ("post", 14.0, -3.0, -1.0, 1.6, 2.9, "POST"),
        ("post", 14.0, -0.5, -1.0, 2.6, 2.9, "GO"),  # .3 s are no break that one sees
        ("post", 14.0, -0.5, -1.0, np.nan, 2.9, "GO"),
        ("out", 0.8, 6.0, -1.0, 0.8, 2.0, "FLAT"),
        ("flat", 4.0, 7.0, -5.0, 0.9, 2.2, "OUT"),
        ("wheel", 3.0, 8.0, -5.0, 1.2, 2.0, "FLAT"),
        ("angle", 1.0, 4.0, -6.0, np.nan, 1.8, "FLAT"),
        ("checkdown", 1.0, 3.0, -6.0, 1.4, 2.6, "FLAT"),
        ("block", -1.0, 0.0, -1.0, np.nan, 2.6, ""),
    ],
)
def test_what_was_run_by_hand(label, deepest, gained, start, break_s, end_s, name):
    row = [np.array([value]) for value in (label, deepest, gained, start, break_s, end_s)]
    assert names_by_run(*row)[0] == name
    drawn = {str(names_by_run(*row, np.random.default_rng(seed))[0]) for seed in range(200)}
    assert name in drawn


def test_who_leaves_his_route_for_the_ball_did_not_run_its_break():
    """Of the men of 60 plays: a break after the throw counts for the target alone."""
    late = set()
    for seed in range(60):
        play = simulate_play(seed, "ncaa", "pass")
        throw = play.events.get("throw_s")
        for row in tables.route_rows("p", play):
            if throw and row["route"] in ("post", "corner") and row["break_s"] > throw + 0.1:
                if row["player_id"] != f"p|{play.events.get('target')}":
                    late.add(row["route_twelve"])
    assert late == {"GO"}


def test_who_rushes_covers_nobody_and_who_blocks_is_not_covered():
    """A truth's nearest defender is one whom the film could show in coverage."""
    seen = set()
    for seed in range(40):
        play = simulate_play(seed, "nfl", "pass")
        jobs = {f"p|{who}": job for who, job in play.situation["jobs"].items()}
        rows = tables.matchup_rows("p", play)
        seen |= {jobs[row["defender_id"]] for row in rows}
        runners = {f"p|{who}" for who, r in play.routes.items() if r.label != "block"}
        assert {row["receiver_id"] for row in rows} == runners
    assert len(seen) > 5 and not seen & {"rush", "blitz"}
