"""The researcher's worked example runs, repeats exactly, and its figures are scikit-learn's."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import confusion_matrix, f1_score, precision_score, recall_score

from models.routes.classifier import RouteClassifier
from models.routes.fitting import Recipe
from models.training import own_routes

RECIPE = Recipe(seed=3, epochs=2, rate=2e-3, batch=64)
ROUTES = 120


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    out = tmp_path_factory.mktemp("own")
    return out, own_routes.run(None, out, folds=2, recipe=RECIPE, routes=ROUTES)


def test_every_step_leaves_its_file(once):
    out, figures = once
    assert figures["n"] == ROUTES and figures["games"] == 6
    assert json.loads((out / "figures.json").read_text())["accuracy"] == figures["accuracy"]
    card = (out / "card.md").read_text()
    assert "games drawn anew" in card and "| retrained |" in card and "hash" in card
    model = RouteClassifier.load(out / "own_routes.npz")
    assert model.label_sets["own"] == ("hitch", "slant", "corner", "go")
    data = own_routes.labels_of(None, RECIPE.seed, ROUTES)
    assert model.predict(data.paths[:5], "own").probability.shape == (5, 4)


def test_the_same_seed_gives_the_same_figures(once, tmp_path):
    _, figures = once
    assert own_routes.run(None, tmp_path, folds=2, recipe=RECIPE, routes=ROUTES) == figures


def test_intervals_and_paired_tests_belong_to_the_same_routes(once):
    _, figures = once
    n, acc = figures["n"], figures["accuracy"]
    assert set(acc) == {"retrained", "shipped", "random forest, hand features", "naive Bayes, two segments"}
    for a in acc.values():
        assert a["low"] <= a["value"] <= a["high"]
    for name, test in figures["against retrained"].items():
        wanted = round((acc["retrained"]["value"] - acc[name]["value"]) * n)
        assert test["only_a"] - test["only_b"] == wanted and 0 <= test["p"] <= 1


def test_figures_are_those_of_scikit_learn():
    data = own_routes.labels_of(None, 3, ROUTES)
    labels = ("hitch", "slant", "corner", "go")
    y = np.array([labels.index(str(x)) for x in data.label])
    rng = np.random.default_rng(0)
    guess = np.where(rng.random(len(y)) < 0.7, y, rng.integers(0, 4, len(y)))
    probability = np.eye(4)[guess] * 0.6 + 0.1
    figures = own_routes.figures_of(data, labels, probability, {"retrained": guess == y})
    assert figures["confusion"] == confusion_matrix(y, guess).tolist()
    for name, score in (("precision", precision_score), ("recall", recall_score), ("F1", f1_score)):
        got = [figures["per class"][x][name] for x in labels]
        assert got == pytest.approx(score(y, guess, average=None).tolist())


def test_a_file_of_labels_does_as_well(tmp_path, capsys):
    table = own_routes.simulated_table(ROUTES, 3)
    names = {"go": "vertical", "slant": "quick in", "corner": "sail", "hitch": "stop"}
    table.assign(route=table["route"].map(names)).to_csv(tmp_path / "mine.csv", index=False)
    words = ["--data", tmp_path / "mine.csv", "--out", tmp_path / "out", "--folds", 2, "--epochs", 1]
    assert own_routes.main(list(map(str, words))) == 0
    printed = capsys.readouterr().out
    assert "quick in" in printed and "shipped |" not in printed  # foreign names: nothing to compare with


def test_it_opens_as_a_notebook():
    cells = [x for x in Path(own_routes.__file__).read_text().splitlines() if x.startswith("# %% ")]
    assert len(cells) >= 5
