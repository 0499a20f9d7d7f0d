"""Pools of routes and the network trained on them, small: they repeat, and it does better than guessing."""

from __future__ import annotations

import numpy as np
import pytest

from models.routes.classifier import RouteClassifier
from models.routes.labels import LABELS
from models.training import route_pool, train_routes
from models.training.route_pool import DRAW, ROUND, WHOLE, Pool, make_shard

SMALL = {name: 60 for name in ROUND}


@pytest.fixture(scope="module")
def pool_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pool")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(route_pool, "ROUND", SMALL)
        for k in range(2):
            make_shard(folder / f"shard{k}.npz", k, 2, 14)
        make_shard(folder / "again.npz", 1, 2, 14)
    return folder


def test_every_program_has_its_share(pool_folder):
    assert set(ROUND) == {*DRAW, WHOLE}
    pool = Pool.load(pool_folder, [], "cpu")
    counts = np.bincount(pool.way.numpy(), minlength=len(ROUND))
    assert counts.tolist() == [2 * 2 * n for n in SMALL.values()]
    assert pool.sequence.dtype == pool.hand.dtype and bool(pool.hand.isfinite().all())
    without = Pool.load(pool_folder, ["knots", "gaits"], "cpu")
    assert len(without) == len(pool) - counts[list(ROUND).index("knots")] - counts[list(ROUND).index("gaits")]
    assert without.hash() != pool.hash()


def test_labels_of_what_was_run_only_where_it_is_run_as_professionals_do(pool_folder):
    pool = Pool.load(pool_folder, [], "cpu")
    drawn = pool.way != list(ROUND).index(WHOLE)
    assert not (pool.twelve[~drawn] >= 0).any()  # the book's plays
    assert (pool.twelve[pool.way == list(ROUND).index("strokes")] >= 0).float().mean() > 0.8
    assert int(pool.trade.min()) >= 0 and int(pool.trade.max()) < len(LABELS)


def test_same_seed_same_shard(pool_folder):
    one, two = (np.load(pool_folder / f"{name}.npz") for name in ("shard1", "again"))
    for name in one.files:
        assert np.array_equal(one[name], two[name]), name
    other = np.load(pool_folder / "shard0.npz")
    assert not np.array_equal(one["sequence"], other["sequence"])


def test_an_empty_folder_says_how_to_fill_it(tmp_path):
    with pytest.raises(FileNotFoundError, match="route_pool"):
        Pool.load(tmp_path, [], "cpu")


def test_training_learns_and_repeats(pool_folder, tmp_path):
    settings = [str(pool_folder), "--steps", "120", "--batch", "256", "--width", "24", "--hidden", "48"]
    nets = []
    for name in ("one", "two"):
        args = train_routes._parser().parse_args([*settings, "--device", "cpu", "--rate", "6e-3"])
        nets.append(train_routes.fit_pool(Pool.load(pool_folder, [], "cpu"), args))
        nets[-1].save(tmp_path / f"{name}.npz")
    read = [RouteClassifier.load(tmp_path / f"{name}.npz") for name in ("one", "two")]
    tensors = [net.net.state_dict() for net in read]
    assert all(bool((tensors[0][k] == tensors[1][k]).all()) for k in tensors[0])
    unseen = route_pool.batch_of(DRAW["strokes"](12_345, 600), 9, 0.0)
    right = train_routes.score(read[0], unseen)["trade"]
    common = np.bincount(unseen[1]["trade"]).max() / 600
    assert right > 2 * common, (right, common)
