"""The other ways of drawing routes: near the real figures, nobody faster than men are, and training never
meets one of them."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from models.routes.census import REAL, census
from models.routes.labels import LABELS
from models.routes.made import coarse_labels, to_arrival
from models.synthetic.playsim_bends import sample_bends
from models.synthetic.playsim_feet import sample_feet
from models.synthetic.playsim_gaits import sample_gaits
from models.synthetic.playsim_knots import sample_knots
from models.synthetic.playsim_pulls import sample_pulls
from models.synthetic.playsim_strokes import sample_strokes
from models.training.route_pool import DRAW

WAYS = {
    **{"third": (sample_bends, 31), "fourth": (sample_knots, 47), "fifth": (sample_strokes, 59)},
    **{"sixth": (sample_feet, 61), "seventh": (sample_pulls, 67), "eighth": (sample_gaits, 71)},
}


@pytest.fixture(scope="module", params=WAYS)
def way(request):
    return request.param


@pytest.fixture(scope="module")
def drawn(way):
    draw, seed = WAYS[way]
    return draw(seed, 5000)


def test_same_seed_same_routes(way, drawn):
    draw, seed = WAYS[way]
    again = draw(seed, 5000)
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


def test_training_never_meets_the_sixth_way():
    """Only the figures printed after a training ask for it, and no pool holds it."""
    folder = Path(__file__).parents[2] / "models/training"
    asks = [
        (file.name, f.name)
        for file in folder.glob("*.py")
        for f in ast.walk(ast.parse(file.read_text()))
        if isinstance(f, ast.FunctionDef)
        and any(isinstance(n, ast.Name) and n.id == "sample_feet" for n in ast.walk(f))
    ]
    assert asks == [("train_routes.py", "figures")]
    assert sample_feet not in DRAW.values()
