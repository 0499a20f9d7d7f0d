"""Pieces of one man that overlap in time can follow each other; who comes out of nowhere pays for it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vision.tracking.joining import JoinSettings, _ends
from vision.tracking.overlap import without_overlap

FPS, FRAMES = 30.0, 120


def scene(men: list[tuple[int, int, float, float]]) -> tuple[list[np.ndarray], Any]:
    """Pieces and evidence: each (first frame, last frame, where he stands in yards, log odds of his kit)."""
    rng = np.random.default_rng(3)
    frame = np.concatenate([np.arange(a, b + 1) for a, b, _, _ in men])
    piece = np.repeat(np.arange(len(men)), [b - a + 1 for a, b, _, _ in men])
    x = np.array([m[2] for m in men])[piece]
    xy = np.column_stack([x, np.full(len(x), 20.0)]) + rng.normal(0, 0.15, (len(x), 2))
    side = np.array([m[3] for m in men])[piece]
    detections = SimpleNamespace(frame=frame, pts_s=np.arange(FRAMES) / FPS)
    evidence = SimpleNamespace(detections=detections, places=SimpleNamespace(xy_field_yd=xy), side=side)
    return [np.flatnonzero(piece == k) for k in range(len(men))], evidence


def starts(men: list[tuple[int, int, float, float]]) -> list[int]:
    """First frame of every piece once overlaps are gone; no piece loses its end."""
    pieces, evidence = scene(men)
    left = without_overlap(pieces, evidence)
    assert [q[-1] for q in left] == [q[-1] for q in pieces]
    return [int(evidence.detections.frame[q[0]]) for q in left]


def test_the_second_piece_of_a_man_begins_after_the_first():
    assert starts([(0, 50, 30.0, 1.0), (45, 110, 30.2, 1.0)]) == [0, 51]


@pytest.mark.parametrize(
    "second",
    [
        (45, 110, 33.0, 1.0),  # stands three yards away
        (45, 110, 30.2, -1.0),  # wears the other kit
        (20, 110, 30.2, 1.0),  # a second together: two men side by side
        (45, 55, 30.2, 1.0),  # a short piece
        (45, 54, 30.2, 1.0),  # nothing much would be left of it
        (10, 50, 30.2, 1.0),  # ends with the first: nobody goes on
    ],
)
def test_another_man_keeps_his_boxes(second):
    assert starts([(0, 50, 30.0, 1.0), second])[1] == second[0]


def test_of_two_men_the_nearer_one_goes_on():
    assert starts([(0, 50, 30.9, 1.0), (0, 47, 30.1, 1.0), (45, 110, 30.0, 1.0)]) == [0, 0, 48]


def test_who_appears_amid_the_picture_must_be_seen_for_half_a_second_to_take_a_place():
    s = JoinSettings()
    at = np.array([0, 60])
    table: Any = SimpleNamespace(
        first=at, last=np.array([119, 119]), edge_first=np.zeros(2), edge_last=np.zeros(2)
    )
    enter, leave = _ends(table, SimpleNamespace(pts_s=np.arange(FRAMES) / FPS), s)
    places = enter - s.man_exists + leave
    assert places[0] < 0 < s.worth_per_box * FPS / 2 < places[1]
    table.edge_first = np.ones(2)
    at_edge = _ends(table, SimpleNamespace(pts_s=np.arange(FRAMES) / FPS), s)[0]
    assert at_edge[1] < enter[1]
