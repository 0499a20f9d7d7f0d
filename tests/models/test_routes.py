"""Route features, network, calibration and figures against outside references."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch
from sklearn.calibration import calibration_curve
from sklearn.metrics import confusion_matrix, precision_recall_fscore_support

from models.evaluation.routes import (
    bootstrap_interval,
    calibration_error,
    coverage_curve,
    paired_test,
    report,
    simulated_paths,
)
from models.routes.classifier import RouteClassifier
from models.routes.features import (
    SNAP,
    RoutePath,
    hand_features,
    sequence_features,
    to_grid,
    two_segments,
)
from models.routes.labels import DEFINITIONS, LABELS, Taxonomy, known, load_taxonomy
from models.routes.made import coarse_labels, observe
from models.synthetic.playsim_sampler import sample_routes


@pytest.fixture(scope="module")
def model() -> RouteClassifier:
    return RouteClassifier.load()


def draw(points, pace=6.0, rate=10.0, end=3.4, start=(-1.0, 14.0), throw=2.6, number=1) -> RoutePath:
    """A textbook route: straight lines through (depth, out) points from a start, eased off the line."""
    corners = np.array([start, *points], float)
    lengths = np.r_[0, np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))]
    t = np.arange(-0.5, end, 1 / rate)
    run = np.clip(t - 0.15, 0, None)
    far = pace * (run - 0.9 * (1 - np.exp(-run / 0.9)))
    s = np.minimum(far, lengths[-1])
    xy = np.stack([np.interp(s, lengths, corners[:, k]) for k in (0, 1)], 1)
    return RoutePath(t, xy, throw, end, 26.0, 26.0, number)


# Worked examples of Hochstedler and Gagnon (2017), from memory: stem lengths 4.0 (slant), 4.8 (out),
# 10.9 (dig), 13.9 (comeback). Headings: slant about 45 degrees in, out and dig square, comeback outward.
WORKED = {"slant": (4.0, -45.0), "out": (4.8, 90.0), "in": (10.9, -90.0), "comeback": (13.9, 150.0)}


@pytest.mark.parametrize("name", WORKED)
def test_two_segments_recover_published_stems(name):
    stem, heading = WORKED[name]
    a = np.deg2rad(heading)
    length = 4.0 if name == "comeback" else 7.0
    end = (stem - 1 + length * np.cos(a), 14 + length * np.sin(a))
    path = draw([(stem - 1, 14.0), end], pace=8.0, end=5.0, throw=4.5)
    b = two_segments(to_grid([path]))
    assert abs(b.stem_yd[0] - stem) < 0.8
    assert abs((b.after_deg[0] - heading + 180) % 360 - 180) < 10


TEXTBOOK = {  # drawn by hand; dimensions are common practice (no source)
    "slant": [(2.0, 14), (9.0, 7)],
    "out": [(4.5, 14), (5.0, 23)],
    "in": [(11.0, 14), (11.5, 4)],
    "go": [(40.0, 15)],
    "post": [(10.0, 14), (24.0, 7)],
    "corner": [(10.0, 14), (20.0, 23)],
    "curl": [(12.0, 14), (10.0, 12.8)],
    "hitch": [(5.5, 14), (4.8, 13.6)],
}


@pytest.mark.parametrize("name", TEXTBOOK)
def test_textbook_routes_are_named(model, name):
    throw = 3.2 if name in ("in", "post", "corner", "curl") else 2.3
    path = draw(TEXTBOOK[name], pace=7.0, throw=throw, end=throw + 0.9, start=(-1.0, 14.0))
    said = model.predict([path])
    names = [n for n, _ in said.ranked(0, 2)]
    assert name in names, said.ranked(0, 4)
    twelve = load_taxonomy("twelve").mapping[name]
    assert model.predict([path], "twelve").best[0] == twelve


def test_mirror_image_reads_the_same(model):
    paths = [draw(TEXTBOOK[n]) for n in TEXTBOOK]
    flipped = [
        RoutePath(
            p.t_s, p.depth_lateral_play_yd * [1, -1], p.throw_s, p.end_s, p.room_left_yd, p.room_right_yd, 1
        )
        for p in paths
    ]
    a, b = model.predict(paths), model.predict(flipped)
    assert np.allclose(a.probability, b.probability, atol=1e-5)


@pytest.mark.parametrize("rate", [5.0, 10.0, 29.97, 59.94])
def test_rate_hardly_matters(model, rate):
    clean = [draw(TEXTBOOK[n], pace=7.0, throw=3.2, end=4.1) for n in TEXTBOOK]
    other = [draw(TEXTBOOK[n], pace=7.0, throw=3.2, end=4.1, rate=rate) for n in TEXTBOOK]
    same = model.predict(clean, "twelve").best == model.predict(other, "twelve").best
    assert same.mean() >= 7 / 8


def test_who_runs_out_of_the_picture_does_not_brake():
    """At a film's rate the neighbours of the last moments lie on one side only; a mean of them would lag."""
    t = np.arange(-0.5, 2.1, 1 / 30)
    run = np.stack([np.clip(t, 0, None) * 8.0, np.full(len(t), 14.0)], 1)
    grid = to_grid([RoutePath(t, run, 3.0, 4.0, 26.0, 26.0, 1)])
    speed = np.diff(grid.path_yd[0, grid.seen[0], 0]) * 10
    assert np.allclose(speed[-8:], 8.0, atol=0.05), "the last steps as fast as those before"
    noisy = run + np.random.default_rng(0).normal(0, 0.1, run.shape)
    smooth = to_grid([RoutePath(t, noisy, 3.0, 4.0, 26.0, 26.0, 1)])
    inner = smooth.seen[0] & grid.seen[0]
    inner[np.flatnonzero(inner)[-2:]] = False
    assert (smooth.path_yd - grid.path_yd)[0, inner].std() < 0.07, "and noise is still smoothed away"


def test_gaps_and_noise(model):
    rng = np.random.default_rng(3)
    paths = []
    for name in TEXTBOOK:
        p = draw(TEXTBOOK[name], pace=7.0, throw=3.2, end=4.1, rate=30)
        xy = p.depth_lateral_play_yd + rng.normal(0, 0.25, p.depth_lateral_play_yd.shape)
        xy[40:58] = np.nan
        paths.append(RoutePath(p.t_s, xy, p.throw_s, p.end_s, 26, 26, 1))
    said = model.predict(paths, "twelve")
    expected = [load_taxonomy("twelve").mapping[n] for n in TEXTBOOK]
    assert np.mean(said.best == expected) >= 0.75
    assert said.usable.all()


def test_bad_paths_are_unknown_not_guessed(model):
    t = np.arange(-0.5, 3, 0.1)
    nothing = RoutePath(t, np.full((len(t), 2), np.nan))
    short = RoutePath(t[:8], np.zeros((8, 2)))
    late = RoutePath(t + 2.0, np.zeros((len(t), 2)))
    said = model.predict([nothing, short, late])
    assert list(said.answer) == ["unknown"] * 3 and not said.usable.any()
    with pytest.raises(ValueError, match="must increase"):
        RoutePath(t[::-1], np.zeros((len(t), 2)))
    with pytest.raises(ValueError, match="expected t_s"):
        RoutePath(t, np.zeros((3, 2)))
    assert model.predict([]).probability.shape == (0, len(LABELS))


def test_nothing_after_the_window_is_read():
    a = draw(TEXTBOOK["out"], throw=1.5, end=2.5)
    xy = a.depth_lateral_play_yd.copy()
    xy[a.t_s > 2.6] += 30
    b = RoutePath(a.t_s, xy, a.throw_s, a.end_s, 26.0, 26.0, 1)
    assert np.allclose(hand_features(to_grid([a])), hand_features(to_grid([b])), atol=1e-4)


def test_figures_agree_with_sklearn():
    rng = np.random.default_rng(1)
    p = rng.dirichlet(np.ones(5) * 0.6, 800)
    y = np.array([rng.choice(5, p=q) for q in p])
    ours = report(tuple("abcde"), y, p)
    assert np.array_equal(ours.confusion, confusion_matrix(y, p.argmax(1), labels=range(5)))
    precision, recall, f1, _ = precision_recall_fscore_support(y, p.argmax(1), labels=range(5))
    assert (
        np.allclose(ours.precision, precision)
        and np.allclose(ours.recall, recall)
        and np.allclose(ours.f1, f1)
    )
    top, right = p.max(1), p.argmax(1) == y
    share, mean = calibration_curve(right, top, n_bins=10)
    count = np.histogram(np.minimum(top, 1 - 1e-9), np.linspace(0, 1, 11))[0]
    assert abs(ours.ece - np.sum(count[count > 0] / 800 * np.abs(share - mean))) < 1e-9
    assert ours.ece < 0.06  # drawn from the probabilities themselves


def test_overconfidence_shows():
    right = np.r_[np.ones(50), np.zeros(50)].astype(bool)
    assert abs(calibration_error(np.full(100, 0.95), right) - 0.45) < 1e-9


def test_coverage_bootstrap_and_pairs():
    share, accuracy = coverage_curve(np.array([0.9, 0.8, 0.3]), np.array([1, 1, 0]))
    assert np.allclose(share, [1 / 3, 2 / 3, 1]) and np.allclose(accuracy, [1, 1, 2 / 3])
    low, high = bootstrap_interval(np.tile([1, 1, 0, 1], 100), np.repeat(np.arange(40), 10))
    assert low < 0.75 < high and high - low < 0.2
    # exact binomial: 8 of 8 discordant pairs one way, p = 2 * 0.5 ** 8
    a, b = np.ones(20, bool), np.r_[np.zeros(8, bool), np.ones(12, bool)]
    assert abs(paired_test(a, b)["p"] - 2 * 0.5**8) < 1e-12
    with pytest.raises(ValueError, match="different routes"):
        paired_test(a, b[:5])


def test_unseen_simulated_routes(model):
    routes = sample_routes(991_001, 2000)
    grid = observe(routes, 991_002, 1.0)
    coarse = coarse_labels(routes, grid, 991_003)
    said = model.predict_grid(grid, "twelve")
    ok = coarse != ""
    y = np.array([said.labels.index(c) for c in coarse[ok]])
    rep = report(said.labels, y, said.probability[ok])
    assert rep.accuracy > 0.78
    assert rep.ece < 0.06


def test_whole_plays_better_when_the_break_was_run(model):
    data = simulated_paths(992_000, 30, "nfl", 0.15)
    said = model.predict(data["path"])
    right = said.best == np.array(data["label"], object)
    done = np.array(data["finished"])
    assert right[done].mean() > 0.7
    sure = said.probability.max(1) > 0.8
    assert right[sure].mean() > right.mean()


def test_labels_and_taxonomies():
    assert set(DEFINITIONS) == {*LABELS, "unknown"}
    assert known("Deep-Cross") == "deep_cross"
    with pytest.raises(ValueError, match="corner"):
        known("cornr")
    with pytest.raises(ValueError, match="twelve"):
        load_taxonomy("nine")
    with pytest.raises(ValueError, match="not one of"):
        Taxonomy("bad", ("A",), {"go": "B"})
    twelve = load_taxonomy("twelve")
    assert set(twelve.mapping) == set(LABELS) and len(twelve.labels) == 12


def test_coarser_set_from_a_file(model, tmp_path):
    import json

    path = tmp_path / "three.json"
    turn = ("hitch", "hook", "curl", "comeback")
    path.write_text(
        json.dumps(
            {
                "name": "three",
                "labels": ["stop", "go", "other"],
                "map": {x: "stop" if x in turn else ("go" if x == "go" else "other") for x in LABELS},
            }
        )
    )
    said = model.predict([draw(TEXTBOOK["go"])], str(path))
    fine = model.predict([draw(TEXTBOOK["go"])])
    assert abs(said.probability.sum() - 1) < 1e-6
    assert abs(said.probability[0, 1] - fine.probability[0, LABELS.index("go")]) < 1e-5


def test_saved_weights_come_back(model, tmp_path):
    file = model.save(tmp_path / "w.npz")
    again = RouteClassifier.load(file)
    path = [draw(TEXTBOOK["post"])]
    assert np.allclose(again.predict(path).probability, model.predict(path).probability, atol=2e-3)
    assert file.stat().st_size < 1.5e6
    with pytest.raises(FileNotFoundError, match="train"):
        RouteClassifier.load(tmp_path / "none.npz")
    bad = tmp_path / "bad.npz"
    np.savez(bad, a=np.zeros(2))
    with pytest.raises(ValueError, match="not a route weights file"):
        RouteClassifier.load(bad)


def test_grid_holds_start_and_snap():
    grid = to_grid([draw(TEXTBOOK["go"])])
    assert abs(grid.start_yd[0, 0] + 1.0) < 0.05 and abs(grid.start_yd[0, 1] - 14) < 0.05
    assert grid.path_yd.shape[1] == 55 and grid.seen[0, SNAP]


def test_two_networks_answer_as_their_mean(model, tmp_path):
    """A file holds both; the folded networks that answer follow every change of the weights."""
    grid = to_grid([draw(xy) for xy in TEXTBOOK.values()])
    alone = replace(RouteClassifier.load(), partner=None)
    other = replace(RouteClassifier.load(), partner=None)
    before = other.predict_grid(grid).probability
    with torch.no_grad():
        for p in other.net.parameters():
            p.mul_(0.5)
    assert np.abs(other.predict_grid(grid).probability - before).max() > 0.05
    both = replace(alone, partner=other)
    read = RouteClassifier.load(both.save(tmp_path / "two.npz"))
    for head in ("trade", "twelve"):
        mean = (alone.predict_grid(grid, head).probability + other.predict_grid(grid, head).probability) / 2
        assert np.allclose(read.predict_grid(grid, head).probability, mean, atol=2e-3), head
    assert RouteClassifier.load(alone.save(tmp_path / "one.npz")).partner is None


def test_the_folded_network_answers_as_the_trained_one(model):
    grid = to_grid([draw(xy) for xy in TEXTBOOK.values()])
    hand = np.clip((hand_features(grid) - model.hand_mean) / model.hand_sd, -6, 6).astype(np.float32)
    with torch.inference_mode():
        plain = model.net(torch.from_numpy(sequence_features(grid)), torch.from_numpy(hand))
    for head, scores in model.logits(grid).items():
        assert np.allclose(scores, plain[head].numpy(), atol=2e-3), head
