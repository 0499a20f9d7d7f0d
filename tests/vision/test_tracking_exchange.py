"""Men who met and took each other's boxes get their own back; overlaps with surer boxes are measured."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from models.jerseys.reader import NUMBERS
from vision.jerseys import Looks
from vision.records import Detections
from vision.tracking.exchange import exchange_tails
from vision.tracking.joining import Chain
from vision.tracking.places import find_places

FRAMES, FPS = 90, 30.0


def crossing(swapped: bool, bend: bool):
    """Two men on straight crossing paths (or turning back where they meet), boxes exchanged or not."""
    t = np.arange(FRAMES) / FPS
    off = np.abs(t - 1.5) / 4 if bend else t - 1.5
    true = np.array([np.stack([20 + 5 * t, 20 + 4 * off], 1), np.stack([20 + 5 * t, 20.3 - 4 * off], 1)])
    own = np.arange(2 * FRAMES).reshape(2, FRAMES)
    box = own.copy()
    if swapped:
        box[:, 45:] = own[::-1, 45:]
    xy = true.reshape(-1, 2)
    places = SimpleNamespace(xy_field_yd=xy, covariance=np.tile(0.04 * np.eye(2), (len(xy), 1, 1)))
    chains = [Chain(box[k], "A", (k,), 0.0) for k in range(2)]
    detections = SimpleNamespace(pts_s=t, n_frames=FRAMES)
    return own, box, xy[box], chains, detections, places


@pytest.mark.parametrize("swapped", [False, True])
def test_runners_who_cross_keep_their_heading(swapped):
    own, box, xy, chains, detections, places = crossing(swapped, bend=False)
    got, _, changes = exchange_tails(box, xy, chains, detections, places, np.zeros(box.size))
    assert changes == int(swapped)
    for k in range(2):
        seen = got[k] >= 0
        assert seen.mean() > 0.6 and (got[k][seen] == own[k][seen]).all()


def test_kits_decide_where_the_paths_do_not():
    """Two men who turn back from each other look as if they had crossed; clear colours say they did not."""
    own, box, xy, chains, detections, places = crossing(swapped=True, bend=True)
    side = np.repeat([3.0, -3.0], FRAMES)
    got, chains, changes = exchange_tails(box, xy, chains, detections, places, side)
    assert changes == 1 and {c.kind for c in chains} == {"A"}
    assert all((got[k][got[k] >= 0] == own[k][got[k] >= 0]).all() for k in range(2))


def test_numbers_decide_where_neither_paths_nor_kits_do():
    """The same two in one kit, 54 and 22 read before the meeting and after it: each gets his own tail back;
    where they were not exchanged the numbers leave them alone."""
    for swapped in (True, False):
        own, box, xy, chains, detections, places = crossing(swapped, bend=True)
        places.covered = np.zeros(box.size)
        says = np.full((2, NUMBERS), -3.0)
        says[0, 54] = says[1, 22] = 4.0
        row = np.full(box.size, -1)
        row[own[:, ::10]] = np.array([[0], [1]])
        looks, none = Looks(row, says), np.zeros(box.size)
        got, _, changes = exchange_tails(box, xy, chains, detections, places, none, looks=looks)
        assert changes == int(swapped)
        assert all((got[k][got[k] >= 0] == own[k][got[k] >= 0]).all() for k in range(2))
        if swapped:
            assert exchange_tails(box, xy, chains, detections, places, none)[2] == 0


def test_overlap_with_a_surer_box_is_measured():
    boxes = np.array([[100, 100, 140, 200], [110, 104, 150, 204], [400, 100, 440, 200]], np.float32)
    detections = Detections(
        frame=np.zeros(3, int), xyxy_px=boxes, confidence=np.array([0.8, 0.6, 0.6]), kind=np.zeros(3, int),
        colour=np.zeros((3, 0)), pts_s=np.zeros(1), width_px=1280, height_px=720,
    )  # fmt: skip
    nowhere = SimpleNamespace(camera=lambda f: None)
    standard = SimpleNamespace(width_yd=160 / 3, length_yd=100.0)
    places = find_places(detections, nowhere, standard)
    shared, each = 30 * 96, 40 * 100
    assert places.over_surer == pytest.approx([0, shared / (2 * each - shared), 0])
