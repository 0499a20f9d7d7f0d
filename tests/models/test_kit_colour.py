"""Colours of men: sun and shade, kits near the turf, the two sides told apart."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from models.detector.colour import COLOURS, describe_colour


def a_picture(kits, shade_from=None, turf=(60, 120, 70), seed=0, tall=60):
    """Men as painted boxes (helmet, jersey, trousers) on noisy turf; right part darker from shade_from."""
    rng = np.random.default_rng(seed)
    picture = np.tile(np.array(turf, np.float32), (200, 60 * len(kits) + 60, 1))
    boxes = []
    for k, (helmet, jersey, trousers) in enumerate(kits):
        x, y = 40 + 60 * k, 80
        for top, bottom, colour in ((0, 0.16, helmet), (0.16, 0.48, jersey), (0.48, 0.95, trousers)):
            picture[y + int(top * tall) : y + int(bottom * tall), x + 4 : x + 20] = colour
        boxes.append([x, y, x + 24, y + tall])
    if shade_from is not None:
        picture[:, shade_from:] *= 0.55
    picture += rng.normal(0, 6, picture.shape)
    return cv2.GaussianBlur(picture.clip(0, 255).astype(np.uint8), (3, 3), 0), np.array(boxes, float)


WHITE = ((200, 200, 200), (235, 235, 235), (210, 210, 210))
NAVY = ((90, 40, 30), (110, 50, 35), (200, 200, 200))
GREEN = ((40, 90, 40), (45, 95, 45), (220, 220, 220))


def test_shape_and_meaning():
    picture, boxes = a_picture([WHITE, NAVY])
    got = describe_colour(picture, boxes)
    assert got.shape == (2, COLOURS) and got.dtype == np.float32 and np.isfinite(got).all()
    assert got[0, 0] > 80 and got[1, 0] < 40
    assert got[0, 10] > 0.8 and got[1, 10] < 0.2


def test_shade_changes_a_kit_less_than_kits_differ():
    kits = [NAVY, WHITE] * 3
    picture, boxes = a_picture(kits, shade_from=60 * 3 + 20)
    got = describe_colour(picture, boxes)
    jersey = got[:, :3]
    same = max(np.linalg.norm(jersey[0] - jersey[4]), np.linalg.norm(jersey[1] - jersey[5]))
    other = min(np.linalg.norm(jersey[a] - jersey[b]) for a in (0, 2, 4) for b in (1, 3, 5))
    assert other > 2 * same


def test_a_jersey_near_the_turf_is_still_told_from_white_by_more_than_its_spread():
    picture, boxes = a_picture([GREEN, WHITE, GREEN, WHITE], turf=(45, 110, 55))
    got = describe_colour(picture, boxes)
    assert np.linalg.norm(got[0, :3] - got[1, :3]) > 5 * np.linalg.norm(got[0, :3] - got[2, :3])


def test_outside_the_picture_is_not_seen():
    picture, boxes = a_picture([NAVY])
    far = boxes + 1000
    assert np.isnan(describe_colour(picture, far)).all()
    assert describe_colour(picture, np.zeros((0, 4))).shape == (0, COLOURS)


def test_wrong_picture_is_refused():
    with pytest.raises(ValueError, match="uint8"):
        describe_colour(np.zeros((10, 10, 3), float), [[0, 0, 5, 5]])
