"""Men in a crowd: two boxes on one man, neighbours who stand, kits of covered men, a side that is full."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vision.records import Detections
from vision.tracking.evidence import Evidence
from vision.tracking.joining import JoinSettings, join_pieces
from vision.tracking.motion import MotionModel, liveliness, smooth
from vision.tracking.pieces import trace_pieces
from vision.tracking.places import Places, find_places
from vision.tracking.teams import side_log_odds, taught_log_odds

FPS, FRAMES = 30.0, 60
STANDARD = SimpleNamespace(width_yd=160 / 3, length_yd=100.0)
NOWHERE = SimpleNamespace(camera=lambda f: None)
ABOVE = SimpleNamespace(
    camera=lambda f: SimpleNamespace(to_image=lambda xy: (20 * xy, np.ones(len(xy), bool)))
)


def places_of(xy, sd=0.3, **changed):
    n = len(xy)
    fields = {
        "xy_field_yd": np.asarray(xy, float), "covariance": np.tile(sd**2 * np.eye(2), (n, 1, 1)),
        "tall_yd": np.full(n, 1.9), "covered": np.zeros(n), "inside": np.ones(n, bool),
        "edge": np.zeros(n), "valid": np.ones(n, bool), "duplicate": np.zeros(n, bool),
        "over_surer": np.zeros(n), "hides_legs": np.zeros(n, bool), "left_out": np.zeros(n),
        "lift_yd": np.zeros((n, 2)),
    }  # fmt: skip
    return Places(**(fields | changed))


def boxes_of(frame, xyxy=None, confidence=0.8, colour=None):
    n = len(frame)
    if xyxy is None:
        xyxy = np.tile([100.0, 100, 120, 160], (n, 1))
    return Detections(
        frame=np.asarray(frame, np.int32), xyxy_px=np.asarray(xyxy, np.float32),
        confidence=np.broadcast_to(confidence, n).astype(np.float32), kind=np.zeros(n, np.uint8),
        colour=np.zeros((n, 0), np.float32) if colour is None else colour.astype(np.float32),
        pts_s=np.arange(FRAMES) / FPS, width_px=1280, height_px=720,
    )  # fmt: skip


@pytest.mark.parametrize(
    "second, same",
    [
        ([103, 100, 123, 160], True),  # moved across by a twentieth of the height: one man
        ([100, 92, 120, 152], False),  # head and foot higher: a man behind him
        ([100, 100, 120, 136], True),  # the legs cut off: one man
        ([111, 100, 131, 160], False),  # half beside him
    ],
)
def test_two_boxes_of_one_man_are_told_from_two_men(second, same):
    boxes = boxes_of([0, 0], [[100, 100, 120, 160], second], confidence=[0.8, 0.7])
    assert find_places(boxes, NOWHERE, STANDARD).duplicate.tolist() == [False, same]


def test_second_boxes_do_not_break_a_mans_piece():
    """A doubled box at every frame once bred a second walker, and every pairing was then in doubt."""
    rng = np.random.default_rng(0)
    frame = np.repeat(np.arange(FRAMES), 2)
    xyxy = np.tile([[100.0, 100, 120, 160], [103, 100, 123, 160]], (FRAMES, 1))
    surer = np.where(np.arange(2 * FRAMES) % 2 == rng.integers(0, 2, FRAMES).repeat(2), 0.7, 0.65)
    boxes = boxes_of(frame, xyxy, surer)
    double = find_places(boxes, NOWHERE, STANDARD).duplicate
    assert double.sum() == FRAMES
    xy = np.tile([[50.0, 20], [50.15, 20]], (FRAMES, 1)) + rng.normal(0, 0.05, (2 * FRAMES, 2))
    pieces, _, _ = trace_pieces(boxes, places_of(xy, duplicate=double), np.zeros(len(xy)), ABOVE)
    assert len(pieces) == 1 and len(pieces[0]) == FRAMES


def in_line(seed, apart_yd=1.0, sd=0.35, seen=0.75):
    """Two men standing `apart_yd` from each other, each seen now and then: rows, places, whose."""
    rng = np.random.default_rng(seed)
    frame, xy, who = [], [], []
    for f in range(FRAMES):
        for man in range(2):
            if rng.random() < seen:
                frame.append(f)
                who.append(man)
                xy.append([50 + rng.normal(0, 0.1), 20 + apart_yd * man + rng.normal(0, sd)])
    foot = 20 * np.tile(xy, 2) + [-4, -40, 4, 0]
    return boxes_of(frame, foot), places_of(xy, sd), np.array(who)


def wrong_joins(settings, gap=30):
    """Men of two standing neighbours, hidden for a second, who come out with the other's later boxes."""
    wrong = 0
    for seed in range(30):
        boxes, places, who = in_line(seed, seen=0.9)
        before, after = boxes.frame < (FRAMES - gap) // 2, boxes.frame >= (FRAMES + gap) // 2
        pieces = [np.flatnonzero((who == man) & part) for part in (before, after) for man in (0, 1)]
        none = np.zeros(len(who))
        evidence = Evidence(boxes, places, none, none - 3, None, none, 0.0)
        chains = join_pieces(pieces, evidence, 11, 53.3, settings)
        wrong += sum(len(set(who[c.rows])) > 1 for c in chains)
    return wrong


def test_men_who_stand_are_mistaken_for_their_neighbours_less():
    assert wrong_joins(JoinSettings()) < 0.5 * wrong_joins(JoinSettings(slow_yd_per_s=0.0))


def test_a_calm_man_is_placed_better_and_a_runner_as_before():
    rng = np.random.default_rng(1)
    t = np.arange(FRAMES) / FPS
    z = np.array([20.0, 20.0]) + rng.normal(0, 0.3, (1, FRAMES, 2))
    r, seen = np.tile(0.09 * np.eye(2), (1, FRAMES, 1, 1)), np.ones((1, FRAMES), bool)
    model = MotionModel(q=12.0, tau_s=2.0)
    calm = liveliness(np.zeros((1, FRAMES, 2)), 0.1)
    error = [np.abs(smooth(z, r, seen, t, model, lively=k)[0][..., :2] - 20).mean() for k in (None, calm)]
    assert error[1] < 0.8 * error[0]
    running = liveliness(np.full((1, FRAMES, 2), 5.0), 0.1)
    assert np.array_equal(smooth(z, r, seen, t, model, lively=running)[0], smooth(z, r, seen, t, model)[0])


def test_kits_of_covered_men_still_say_something():
    """Their colours are of what is seen of them: less sure, never nothing."""
    rng = np.random.default_rng(2)
    frame = np.repeat(np.arange(FRAMES), 8)
    light = np.arange(len(frame)) % 2 == 0
    middle = np.where(light[:, None], [80.0, 0, 0], [30.0, 10, 10])
    colour = np.tile(middle, 4) + rng.normal(0, 8, (len(frame), 12))
    xy = np.stack(
        [np.where(light, 55.0, 45.0) + rng.normal(0, 1.5, len(frame)), 10 + 4 * (np.arange(len(frame)) % 8)],
        1,
    )
    covered = np.where(np.arange(len(frame)) % 8 < 2, 0.75, 0.0)
    odds, parted = side_log_odds(boxes_of(frame, colour=colour), places_of(xy, covered=covered))
    right = (odds > 0) == light
    assert parted > 2 and right[covered > 0].mean() > 0.9
    assert 0.2 < np.abs(odds[covered > 0]).mean() < np.abs(odds[covered == 0]).mean()


def test_kits_are_learnt_from_the_other_view_where_light_hides_them():
    """Half of each side stands in shadow, which parts the boxes more than the kits do: alone the colours find
    light and shadow, told the sides (a tenth of it wrong) they tell the kits. Told what they say anyway, or
    of one side only, nothing is learnt."""
    rng = np.random.default_rng(3)
    frame = np.repeat(np.arange(FRAMES), 8)
    n = len(frame)
    first, lit = np.arange(n) % 2 == 0, np.arange(n) % 8 < 4
    jersey = np.where(lit[:, None], [80.0, 0, 0], [30.0, 0, 0]) + np.where(
        first[:, None], [0, 6.0, 0], [0, 0, 6.0]
    )
    colour = np.tile(jersey, 4) + rng.normal(0, 8, (n, 12))
    boxes = boxes_of(frame, colour=colour)
    places = places_of(np.stack([rng.uniform(40, 60, n), rng.uniform(5, 45, n)], 1))
    own, _ = side_log_odds(boxes, places)
    assert max(((own > 0) == first).mean(), ((own < 0) == first).mean()) < 0.75
    told = np.where(first ^ (rng.random(n) < 0.1), 2.0, -2.0) * (rng.random(n) < 0.6)
    new = taught_log_odds(boxes, places, own, told)
    assert new is not None and ((new > 0) == first).mean() > 0.75
    assert taught_log_odds(boxes, places, own, np.where(first, 2.0, 0.0)) is None
    assert taught_log_odds(boxes, places, own, own) is None


def test_a_man_rarely_seen_is_kept_while_his_side_is_not_full():
    frame = np.arange(0, FRAMES, 5)
    n = len(frame)
    places = places_of(np.tile([50.0, 20.0], (n, 1)))
    pieces, none = [np.arange(n)], np.zeros(n)
    evidence = Evidence(boxes_of(frame, confidence=0.35), places, none, none - 3, None, none, 0.0)
    found = [
        join_pieces(pieces, evidence, 11, 53.3, JoinSettings(man_exists=m))
        for m in (0.0, JoinSettings().man_exists)
    ]
    assert [len(c) for c in found] == [0, 1]


def test_who_has_left_the_picture_takes_no_later_box_there():
    """A man who runs out of the picture and, a third of a second later, another's arm at the border."""
    frame = np.r_[np.arange(20), 30]
    xy = np.column_stack([50 + 0.2 * frame, np.full(len(frame), 20.0)])
    edge = np.clip((frame - 15) / 3, 0, 1)
    for at_edge, alone in ((edge, True), (np.zeros(len(frame)), False)):
        pieces, _, _ = trace_pieces(boxes_of(frame), places_of(xy, edge=at_edge), np.zeros(len(xy)), ABOVE)
        assert (len(max(pieces, key=len)) == 20) == alone
