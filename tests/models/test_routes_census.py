"""Simulated routes beside summary figures of real professional tracking (shared by the user), by class."""

from __future__ import annotations

import numpy as np
import pytest

from models.routes.census import REAL, Figures, census, misses, report
from models.routes.features import GRID_S, RoutePath, to_grid
from models.routes.made import coarse_labels, observe, to_arrival
from models.synthetic.playsim_sampler import sample_routes

KNOWN_GAPS = {
    # our clock ends 4.9 s after the snap, the longest real gos and wheels run on
    "GO max_depth_yd[2]",
    "WHEEL max_depth_yd[0]",
    # under one route in a hundred: 60 simulated ones, medians of a few dozen
    "WHEEL break_depth_yd[0]",
    "WHEEL break_s[0]",
    "WHEEL peak_yd_per_s[0]",
}


@pytest.fixture(scope="module")
def found() -> dict[str, Figures]:
    routes = sample_routes(77_311, 9000, pro_share=1.0)
    grid = to_arrival(routes, 3)
    return census(grid, coarse_labels(routes, grid, 4))


def test_professional_routes_lie_near_the_real_figures(found):
    off = [line for line in misses(found) if line.split(":")[0] not in KNOWN_GAPS]
    assert not off, "\n".join(off)


def test_report_has_a_line_a_class(found):
    lines = report(found)
    assert len(lines) == 1 + len(REAL) and all(name in "\n".join(lines) for name in REAL)


def test_census_of_drawn_routes_by_hand():
    t = np.arange(-0.5, 4.0, 0.1)
    s = 6.0 * t.clip(0)
    out = np.stack([np.minimum(s, 6.0) - 1, 12 + (s - 6.0).clip(0)], 1)  # 5 yd beyond the line, then square
    paths = [RoutePath(t, out, 2.6, 2.9, 26.0, 26.0, 1)] * 25
    got = census(to_grid(paths), np.array(["OUT"] * 25))["OUT"]
    assert got.max_depth_yd[0] == pytest.approx(5.0, abs=0.1)
    assert got.break_depth_yd == pytest.approx(5.0, abs=0.4) and got.break_s == pytest.approx(1.0, abs=0.15)
    assert got.heading_after_deg == pytest.approx(90.0, abs=6) and got.peak_yd_per_s == pytest.approx(
        6, abs=0.1
    )
    assert got.lateral_end_yd == pytest.approx(6.0 * 2.9 - 6.0, abs=0.7)


def test_a_far_class_is_named(found):
    shifted = dict(found)
    shifted["SLANT"] = Figures(4, (20.0, 2.6, 8.0), 2.1, 1.6, -48, -4.9, 5.9)
    assert any(line.startswith("SLANT max_depth_yd[0]: 20.0 beside 5.3") for line in misses(shifted))


def test_book_and_professional_shapes_differ():
    book, pro = (sample_routes(5, 4000, pro_share=share) for share in (0.0, 1.0))
    assert not book.pro.any() and pro.pro.all()
    post = [np.nanmedian(r.stem_yd[r.label == "post"]) for r in (book, pro)]
    assert post[0] - post[1] > 1.0


def test_trust_in_places_reaches_the_grid():
    t = np.arange(-0.5, 3.0, 0.1)
    path = np.stack([6 * t.clip(0), np.full(len(t), 12.0)], 1)
    sd = np.where(t > 1.0, 1.0, 0.05)
    grid = to_grid([RoutePath(t, path, sd_yd=sd), RoutePath(t, path)])
    early, late = np.searchsorted(GRID_S, 0.5), np.searchsorted(GRID_S, 2.0)
    # 1 / (1 + (sd / 0.5)^2): 0.99 for 0.05 yd, 0.2 for a yard
    assert grid.firm[0, early] == pytest.approx(0.990, abs=0.002)
    assert grid.firm[0, late] == pytest.approx(0.2, abs=0.002)
    assert (grid.firm[1] == 1.0).all()
    with pytest.raises(ValueError, match="sd_yd"):
        RoutePath(t, path, sd_yd=sd[:-1])


def test_training_mix_has_plays_without_a_throw_and_lost_starts():
    grid = observe(sample_routes(6, 3000), 7, 1.0)
    assert 0.18 < np.isnan(grid.throw_s).mean() < 0.32
    assert 0.02 < (~grid.seen[:, np.searchsorted(GRID_S, 0.05)]).mean() < 0.12
    assert grid.firm.min() < 0.5 and (grid.firm.min(1) == 1.0).mean() > 0.3
