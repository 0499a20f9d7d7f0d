"""The third way of drawing routes: near the real figures, and nobody faster than men are."""

from __future__ import annotations

import numpy as np
import pytest

from models.routes.census import REAL, census
from models.routes.labels import LABELS
from models.routes.made import coarse_labels, to_arrival
from models.synthetic.playsim_bends import sample_bends


@pytest.fixture(scope="module")
def drawn():
    return sample_bends(31, 5000)


def test_same_seed_same_routes(drawn):
    again = sample_bends(31, 5000)
    assert np.array_equal(again.path_yd, drawn.path_yd) and np.array_equal(again.label, drawn.label)
    assert set(drawn.label.tolist()) == set(LABELS) and np.isfinite(drawn.path_yd).all()


def test_nobody_is_faster_than_men_are(drawn):
    speed = np.linalg.norm(np.diff(drawn.path_yd, axis=1), axis=2) * 30
    assert speed.max() < 11.0 and 6.0 < np.median(speed.max(1)) < 8.5  # published: 7.0 in the median


def test_depths_and_paces_are_near_the_real_ones(drawn):
    grid = to_arrival(drawn, 1)
    found = census(grid, coarse_labels(drawn, grid, 2))
    for name in ("GO", "HITCH", "FLAT", "CROSS", "OUT", "IN", "SLANT", "POST", "CORNER"):
        assert abs(found[name].max_depth_yd[0] - REAL[name].max_depth_yd[0]) < 3.5, name
        assert abs(found[name].peak_yd_per_s - REAL[name].peak_yd_per_s) < 1.6, name
