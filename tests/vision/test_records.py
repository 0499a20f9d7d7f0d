"""The records refuse what they cannot mean, and never share writable memory."""

from __future__ import annotations

import numpy as np
import pytest

from vision.records import Detections, Tracks


def some_detections(**over):
    fields = dict(
        frame=[0, 0, 2],
        xyxy_px=[[0, 0, 5, 9], [10, 0, 15, 9], [1, 0, 6, 9]],
        confidence=[0.9, 0.4, 0.8],
        kind=[0, 1, 0],
        colour=np.zeros((3, 4)),
        pts_s=[0.0, 0.033, 0.067],
        width_px=100,
        height_px=50,
    )
    return Detections(**{**fields, **over})


def some_tracks(**over):
    xy = np.zeros((2, 3, 2))
    xy[1, 2] = np.nan
    observed = np.array([[1, 0, 1], [1, 1, 0]], bool)
    fields = dict(
        ids=("A1", "B1"),
        team=("A", "B"),
        xy_field_yd=xy,
        velocity_field_yd_per_s=xy,
        sd_yd=np.zeros((2, 3)),
        observed=observed,
        uncertain=~observed,
        t_s=[0.0, 0.1, 0.2],
    )
    return Tracks(**{**fields, **over})


def test_detections_rows_of_a_frame_and_empty_frames():
    d = some_detections()
    assert (d.rows(0), d.rows(1), d.rows(2)) == (slice(0, 2), slice(2, 2), slice(2, 3))
    assert len(d) == 3 and d.n_frames == 3


def test_detections_from_frames_equals_the_flat_record_and_takes_missing_colour():
    d = some_detections()
    parts = [(d.xyxy_px[r], d.confidence[r], d.kind[r], None) for r in map(d.rows, range(3))]
    got = Detections.from_frames(parts, d.pts_s, (100, 50))
    assert np.array_equal(got.frame, d.frame) and np.array_equal(got.xyxy_px, d.xyxy_px)
    assert got.colour.shape == (3, 0)
    empty = Detections.from_frames([], [], (10, 10))
    assert len(empty) == 0 and empty.xyxy_px.shape == (0, 4)


@pytest.mark.parametrize(
    "over, word",
    [
        ({"frame": [2, 0, 0]}, "sorted"),
        ({"frame": [0, 0, 3]}, "within"),
        ({"xyxy_px": np.zeros((3, 5))}, "xyxy_px"),
        ({"xyxy_px": [[5, 0, 1, 9]] * 3}, "left"),
        ({"xyxy_px": np.full((3, 4), np.nan)}, "finite"),
        ({"pts_s": [0, 0.1, 0.1]}, "increasing"),
    ],
)
def test_detections_refuse_bad_input(over, word):
    with pytest.raises(ValueError, match=word):
        some_detections(**over)


def test_records_are_read_only_copies():
    boxes = np.zeros((3, 4), np.float32)
    d = some_detections(xyxy_px=boxes)
    boxes[:] = 7
    assert d.xyxy_px.max() == 0
    with pytest.raises(ValueError):
        d.xyxy_px[0, 0] = 1
    with pytest.raises(ValueError):
        some_tracks().xy_field_yd[0, 0, 0] = 1


def test_detections_select():
    d = some_detections()
    got = d.select(d.kind == 0)
    assert got.frame.tolist() == [0, 2] and got.n_frames == 3


def test_tracks_fill_what_film_would_give():
    t = some_tracks()
    assert t.xyxy_px.shape == (2, 3, 4) and np.isnan(t.xyxy_px).all()
    assert (t.box_index == -1).all() and (t.camera_status == 0).all() and t.jersey == ("", "")
    assert t.present.tolist() == [[True] * 3, [True, True, False]]


def test_tracks_select_rename_and_index():
    t = some_tracks().with_teams({"A": "defense", "B": "offense"})
    assert t.team == ("defense", "offense") and t.of_team("offense").tolist() == [1]
    assert t.select([1]).ids == ("B1",) and t.select(np.array([True, False])).ids == ("A1",)
    assert t.index("B1") == 1
    with pytest.raises(KeyError, match="A1, B1"):
        t.index("nobody")


@pytest.mark.parametrize(
    "over, word",
    [
        ({"ids": ("x", "x")}, "unique"),
        ({"team": ("red", "B")}, "teams"),
        ({"t_s": [0.0, 0.0, 0.1]}, "increasing"),
        ({"observed": np.ones((2, 3), bool)}, "place"),
        ({"sd_yd": np.zeros((3, 2))}, "sd_yd"),
    ],
)
def test_tracks_refuse_bad_input(over, word):
    with pytest.raises(ValueError, match=word):
        some_tracks(**over)
