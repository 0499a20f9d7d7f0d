"""Film of 60 frames a second is read at every second frame; its table of tracks has every frame."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.interpolate import interp1d

from vision.every_frame import BETWEEN, tracks_of_every_frame


def tracks(men: dict[str, list[int]], seen: dict[tuple[str, int], bool] | None = None) -> pd.DataFrame:
    """Rows as the program makes them: man by man, frames counted among those read."""
    rng = np.random.default_rng(5)
    rows = []
    for name, frames in men.items():
        for k in frames:
            row = {"player_id": name, "team": "offense", "frame": k, "t_s": 2 * k / 60 - 1.0}
            row |= {c: float(v) for c, v in zip(BETWEEN, rng.normal(0, 5, len(BETWEEN)), strict=True)}
            rows.append(row | {"observed": (seen or {}).get((name, k), True)})
    return pd.DataFrame(rows)


def test_frames_stepped_over_lie_between_their_neighbours() -> None:
    read = tracks({"A1": [0, 1, 2], "B1": [1, 2, 3]}, {("A1", 2): False})
    pts_s = np.array([0, 1, 2, 3, 4, 5, 6, 7]) / 60
    full = tracks_of_every_frame(read, 2, pts_s)
    one = full[full["player_id"] == "A1"]
    assert one["frame"].tolist() == [0, 1, 2, 3, 4]
    assert one["observed"].tolist() == [True, True, True, False, False]
    assert full.loc[full["player_id"] == "B1", "frame"].tolist() == [2, 3, 4, 5, 6]
    assert one["t_s"].to_numpy() == pytest.approx(pts_s[:5] - 1.0)
    own = read[read["player_id"] == "A1"]
    for column in BETWEEN:  # SciPy as the oracle
        line = interp1d(own["t_s"], own[column])
        assert one[column].to_numpy() == pytest.approx(line(one["t_s"]))


def test_uneven_stamps_move_the_place_between() -> None:
    read = tracks({"A1": [0, 1]})
    full = tracks_of_every_frame(read, 2, np.array([0.0, 0.01, 0.04, 0.05]))
    x = read["x_field_yd"].to_numpy()
    assert full["x_field_yd"].tolist() == pytest.approx([x[0], x[0] + 0.25 * (x[1] - x[0]), x[1]])


def test_nobody_is_put_into_a_gap_and_unknown_stays_unknown() -> None:
    read = tracks({"A1": [0, 1, 3]})
    read.loc[1, "x0_px"] = np.nan
    full = tracks_of_every_frame(read, 2, np.arange(8) / 60)
    assert full["frame"].tolist() == [0, 1, 2, 6]
    assert np.isnan(full["x0_px"].iloc[1]) and np.isfinite(full["x_field_yd"].iloc[1])


def test_film_read_at_every_frame_stays_as_it_is() -> None:
    read = tracks({"A1": [0, 1, 3]})
    pd.testing.assert_frame_equal(tracks_of_every_frame(read, 1, np.arange(8) / 60), read)
    assert not len(tracks_of_every_frame(read.iloc[:0], 2, np.zeros(0)))
