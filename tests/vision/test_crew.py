"""Officials whom the detector calls players are told by colours like neither kit's and by keeping apart."""

from __future__ import annotations

import numpy as np

from vision.records import Detections
from vision.tracking.crew import CrewSettings, crew_log_odds, crew_signs

FRAMES = 20


def _film(places: np.ndarray) -> tuple[list[np.ndarray], np.ndarray, Detections]:
    """Men who stand at (P,2) yards: pieces, states, boxes."""
    men = len(places)
    frame = np.repeat(np.arange(FRAMES), men)
    pieces = [np.flatnonzero(np.tile(np.arange(men), FRAMES) == k) for k in range(men)]
    x = np.zeros((men, FRAMES, 4))
    x[..., :2] = places[:, None]
    d = Detections(
        frame=frame, xyxy_px=np.zeros((len(frame), 4)), confidence=np.ones(len(frame)),
        kind=np.zeros(len(frame), int), colour=np.zeros((len(frame), 0)), pts_s=np.arange(FRAMES) / 30,
        width_px=1280, height_px=720, clip_id="made",
    )  # fmt: skip
    return pieces, x, d


def test_a_man_apart_in_other_colours_is_an_official_and_either_sign_alone_is_not_enough() -> None:
    line = np.column_stack([np.repeat([50.0, 51.5], 5), np.tile(np.arange(5) * 1.5 + 20, 2)])
    places = np.concatenate([line, [[62.0, 40.0], [40.0, 5.0], [50.7, 24.0]]])
    pieces, x, d = _film(places)
    rng = np.random.default_rng(3)
    offset = rng.normal(0, 1, (len(d), 12))
    for man in (10, 12):  # strange colours: the first apart, the second in the crowd; man 11 only apart
        offset[pieces[man], 2] += 6.0
    odds = crew_log_odds(crew_signs(pieces, x, d, np.ones(len(d), bool), offset, None), CrewSettings())
    assert odds[10] > 0
    assert odds[11] < 0
    assert (odds[:10] < 0).all()
    assert odds[12] < odds[10]


def test_nothing_is_said_without_colours_or_among_few_men() -> None:
    pieces, x, d = _film(np.array([[50.0, 20.0], [51.0, 21.0], [60.0, 40.0]]))
    inside = np.ones(len(d), bool)
    assert (crew_log_odds(crew_signs(pieces, x, d, inside, None, None), CrewSettings()) == 0).all()
    offset = np.full((len(d), 12), 9.0)
    assert (crew_log_odds(crew_signs(pieces, x, d, inside, offset, None), CrewSettings()) == 0).all()


def test_each_view_is_held_against_its_own_kits() -> None:
    pieces, x, d = _film(np.column_stack([np.full(8, 50.0), np.arange(8) * 2.0]))
    views = np.tile([0, 1], FRAMES // 2)
    offset = np.zeros((len(d), 12))
    offset[views[d.frame] == 0] = 3.0
    offset[views[d.frame] == 1] = -3.0  # a median over both would be none
    signs = crew_signs(pieces, x, d, np.ones(len(d), bool), offset, views)
    assert np.allclose(signs[:, 0], np.log1p(12 * 9.0))
