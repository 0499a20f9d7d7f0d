"""Retraining on own labels: folds, refusals, repeatability."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import torch
from sklearn.model_selection import GroupKFold

from models.routes import research
from models.routes.classifier import RouteClassifier
from models.routes.fitting import Recipe
from models.routes.research import (
    check_labels,
    check_split,
    cross_validate,
    evaluate,
    fold_of,
    from_export,
    read_labelled,
    train,
)
from models.synthetic.playsim_sampler import sample_routes


def labelled_table(n: int, seed: int, names: dict[str, str]) -> pd.DataFrame:
    routes = sample_routes(seed, n * 3, prior=dict.fromkeys(names, 1.0))
    rows = []
    for i in range(n):
        for k in range(6, 180, 3):
            rows.append(
                (
                    f"p{routes.group[i]}",
                    f"r{i}",
                    routes.t_s[k],
                    *routes.path_yd[i, k].astype(float),
                    names[str(routes.label[i])],
                    f"g{routes.group[i] % 6}",
                    routes.throw_s[i],
                    int(routes.number[i]),
                )
            )
    columns = [
        "play_id",
        "player_id",
        "t_s",
        "depth_play_yd",
        "lateral_play_yd",
        "route",
        "game",
        "throw_s",
        "number",
    ]
    return pd.DataFrame(rows, columns=columns)


OWN = {"go": "vertical", "slant": "quick in", "corner": "sail", "hitch": "stop"}


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return labelled_table(240, 5, OWN)


def test_reads_files_alike(table, tmp_path):
    table.to_csv(tmp_path / "a.csv", index=False)
    table.to_parquet(tmp_path / "a.parquet")
    a, b = read_labelled(tmp_path / "a.csv"), read_labelled(tmp_path / "a.parquet")
    assert len(a) == len(b) == 240 and list(a.label) == list(b.label)
    with pytest.raises(ValueError, match="missing columns route"):
        read_labelled(table.drop(columns="route"))


def test_folds_keep_games_whole(table):
    data = read_labelled(table)
    fold = fold_of(data.game, 3, 1)
    for game in np.unique(data.game.astype(str)):
        assert len(np.unique(fold[data.game == game])) == 1
    # same property as scikit-learn's grouped folds: every group in exactly one test fold
    parts = list(GroupKFold(3).split(np.zeros(len(data)), groups=data.game.astype(str)))
    assert len(np.unique(fold)) == len(parts)
    with pytest.raises(ValueError, match="folds need"):
        fold_of(data.game, 9)


def test_refusals(table):
    data = read_labelled(table)
    with pytest.raises(ValueError, match="same play"):
        check_split(data, data)
    with pytest.raises(ValueError, match="nearest to"):
        check_labels(np.array(["sale"]), ["sail", "stop"])
    with pytest.raises(ValueError, match="too few"):
        check_labels(np.array(["sail"] * 9 + ["stop"]), ["sail", "stop"])


def test_retraining_learns_own_names_and_repeats(table):
    data = read_labelled(table)
    recipe = Recipe(epochs=5, rate=2e-3, batch=32, seed=3)
    labels = tuple(OWN.values())
    out = cross_validate(data, labels, 2, recipe, say=lambda _: None)
    assert out["report"].accuracy > 0.8
    assert out["interval"][0] <= out["report"].accuracy <= out["interval"][1]
    assert set(out["baselines"]) == {"naive Bayes, two segments", "random forest, hand features"}
    a = train(data, labels, recipe, say=lambda _: None)
    b = train(data, labels, recipe, say=lambda _: None)
    assert a.partner is not None and RouteClassifier.load().partner is not None  # both are retrained
    assert np.array_equal(
        a.predict(data.paths[:20], "own").probability, b.predict(data.paths[:20], "own").probability
    )


def test_evaluate_with_the_twelve(table):
    twelve = {"vertical": "GO", "quick in": "SLANT", "sail": "CORNER", "stop": "HITCH"}
    data = read_labelled(table.assign(route=table["route"].map(twelve)))
    assert evaluate(data, "twelve")["report"].accuracy > 0.6
    with pytest.raises(ValueError, match="not in the set"):
        evaluate(read_labelled(table), "twelve")


def test_from_export_gives_the_play_frame(tmp_path):
    t = np.arange(-0.5, 3, 0.1)
    tracks = pd.concat(
        [
            pd.DataFrame(
                {"play_id": "1", "player_id": "q", "t_s": t, "x_field_yd": 35.0, "y_field_yd": 20.0}
            ),
            pd.DataFrame(
                {
                    "play_id": "1",
                    "player_id": "w",
                    "t_s": t,
                    "x_field_yd": 39 - 5 * t.clip(0),
                    "y_field_yd": 30.0,
                }
            ),
        ]
    )
    tracks.to_csv(tmp_path / "tracks.csv", index=False)
    pd.DataFrame(
        {
            "play_id": ["1"],
            "los_field_yd": [40.0],
            "direction": [-1],
            "snap_s": [3.0],
            "throw_s": [5.2],
            "arrival_s": [6.0],
            "end_s": [8.0],
        }
    ).to_csv(tmp_path / "plays.csv", index=False)
    pd.DataFrame({"play_id": ["1", "1"], "player_id": ["q", "w"], "role": ["QB", "WR"]}).to_csv(
        tmp_path / "players.csv", index=False
    )
    pd.DataFrame({"play_id": ["1"], "player_id": ["w"], "route": ["go"]}).to_csv(
        tmp_path / "routes.csv", index=False
    )
    data = read_labelled(from_export(tmp_path))
    path = data.paths[0]
    # attacking -x: depth = los - x = 1 + 5 t, right of the offense is +y: 30 - 20 = 10
    assert np.allclose(path.depth_lateral_play_yd[:, 0], 1 + 5 * path.t_s.clip(0))
    assert np.allclose(path.depth_lateral_play_yd[:, 1], 10) and abs(path.throw_s - 2.2) < 1e-9
    with pytest.raises(FileNotFoundError, match="underneath export"):
        from_export(tmp_path / "nowhere")


@pytest.mark.skipif(torch.cuda.is_available(), reason="there is a GPU here")
def test_a_gpu_that_is_not_there_is_said(capsys):
    with pytest.raises(SystemExit):
        research.main(["train", "--labels", "any.csv", "--device", "cuda"])
    assert "no GPU here" in capsys.readouterr().err
