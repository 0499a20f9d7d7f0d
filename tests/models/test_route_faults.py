"""A tracker's faults as training data; paths with holes and late starts."""

import numpy as np
import pandas as pd
import pytest

from models.routes.features import GRID_S, LATEST_START_S, SNAP, RoutePath, to_grid
from models.routes.made import bridge, observe
from models.synthetic.playsim_sampler import sample_routes
from models.training.route_faults import FaultSeries, join_series, series_of_play

T = np.arange(-1.0, 5.0, 1 / 30)


def runner(seen: np.ndarray | None = None, **kw: float) -> RoutePath:
    """A man who runs straight up from (-1, 16) at 6 yd/s, NaN where not seen."""
    path = np.stack([-1 + 6.0 * T.clip(0), np.full(len(T), 16.0)], 1)
    if seen is not None:
        path[~seen] = np.nan
    return RoutePath(T, path, kw.get("throw_s", 2.6), kw.get("end_s", 4.0))


def test_a_man_seen_again_is_looked_at_again_but_not_in_between():
    grid = to_grid([runner((T < 1.2) | (T > 2.6))])
    hole = (GRID_S > 1.25) & (GRID_S < 2.55)
    assert not grid.seen[0, hole].any() and grid.seen[0, (GRID_S > 2.7) & (GRID_S < 3.9)].all()
    assert grid.path_yd[0, SNAP + 35, 0] == pytest.approx(-1 + 6 * 3.5, abs=0.3)


def test_nobody_comes_back_faster_than_men_run():
    path = runner((T < 1.2) | (T > 2.6))
    places = np.array(path.depth_lateral_play_yd)
    places[T > 2.6, 1] -= 30.0  # somebody else, across the field
    grid = to_grid([RoutePath(T, places, 2.6, 4.0)])
    assert grid.end_s[0] < 1.4 and not grid.seen[0, GRID_S > 1.4].any()


@pytest.mark.parametrize(("first_s", "usable"), [(0.8, True), (LATEST_START_S + 0.2, False)])
def test_a_man_first_seen_soon_after_the_snap_is_named(first_s, usable):
    grid = to_grid([runner(first_s < T)])
    assert bool(grid.usable[0]) is usable
    if usable:
        assert not grid.seen[0, GRID_S < first_s - 0.1].any()
        assert grid.start_yd[0, 0] == pytest.approx(-1 + 6 * first_s, abs=0.4)


def test_a_bridge_is_straight_and_held_at_both_ends():
    k = np.arange(6.0)
    grid = np.stack([k**2, k], 1)[None]
    out = bridge(grid, np.array([[False, True, False, False, True, False]]))[0, :, 0]
    assert out == pytest.approx([1, 1, 6, 11, 16, 16])


def faults(error_yd: float = 0.0) -> FaultSeries:
    shape = (3, len(GRID_S))
    return FaultSeries(np.full((*shape, 2), error_yd), np.ones(shape, bool), np.full(shape, 0.5))


def test_series_are_laid_over_a_share_of_the_routes():
    routes = sample_routes(5, 400)
    grid = observe(routes, 9, 1.0, faults=faults())
    assert 0.3 < np.mean(np.isclose(grid.firm[:, SNAP], 0.5)) < 0.6  # sd 0.5 yd is half trusted
    clean = observe(routes, 9, 0.0, faults=faults(5.0))
    at_snap = routes.path_yd[:, np.searchsorted(routes.t_s, 0.0), 0]
    assert np.allclose(clean.path_yd[:, SNAP, 0], at_snap, atol=0.2) and (clean.firm == 1).all()


def test_training_shows_late_starts_and_men_who_come_back():
    grid = observe(sample_routes(6, 4000), 10, 1.0)
    assert grid.usable.all() and grid.seen.any(1).all()
    first = GRID_S[grid.seen.argmax(1)]
    assert 0.01 < np.mean(first > 0.45) < 0.1 and first.max() <= LATEST_START_S + 0.1
    inner = [np.diff(np.flatnonzero(row)).max() > 4 for row in grid.seen if row.sum() > 1]
    assert 0.005 < np.mean(inner) < 0.2


def play_tables(shift_yd: float) -> tuple[pd.DataFrame, dict[str, pd.DataFrame], pd.Series]:
    """One receiver and one lineman, tracked with a constant shift along the field."""
    clock = np.arange(-1.0, 4.0, 1 / 30)
    men, found = [], []
    for name, x, y in (("O7", 50.0, 10.0), ("O2", 50.0, 26.0)):
        xy = {"x_field_yd": x - 5.0 * clock.clip(0), "y_field_yd": np.full(len(clock), y)}
        frame = np.arange(len(clock))
        men.append(
            pd.DataFrame(
                {"frame": frame, "t_s": clock, "player_id": f"p|{name}", "team": "offense", "observed": True}
                | xy
            )
        )
        ours = {"x_field_yd": xy["x_field_yd"] + shift_yd}
        found.append(men[-1].assign(player_id=f"A{name}", sd_yd=0.2, **ours))
    tracks = pd.concat(men, ignore_index=True)
    tracking = tracks.assign(
        entity_id=tracks["player_id"].str[2:], role=np.where(tracks["player_id"] == "p|O7", "WR", "OL")
    )
    play = pd.Series({"snap_s": 1.0, "direction": -1})
    return pd.concat(found, ignore_index=True), {"tracks": tracks, "tracking": tracking}, play


def test_series_hold_the_error_in_the_play_frame_and_no_linemen(tmp_path):
    found, true, play = play_tables(0.4)
    series = series_of_play(found, true, play, 1.0)
    assert len(series) == 1 and series.seen[0, SNAP : SNAP + 35].all()
    assert series.error_yd[0, :, 0] == pytest.approx(np.full(len(GRID_S), -0.4), abs=1e-6)
    two = join_series([series, series])
    two.save(tmp_path / "f.npz")
    again = FaultSeries.load(tmp_path / "f.npz")
    assert len(again) == 2 and np.allclose(again.error_yd, two.error_yd, atol=1e-3)


def test_a_play_without_a_snap_gives_no_series():
    found, true, play = play_tables(0.4)
    assert len(series_of_play(found, true, play, float("nan"))) == 0
