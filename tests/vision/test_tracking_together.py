"""Two films of one play followed as one: identities, box rows, clocks, turned fields, crossed kits."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from calibration.standards import get_standard
from models.evaluation.tracking import count_tracks
from models.synthetic.faults import SCHOOL, make_faulty
from models.synthetic.plays import simulate_play
from vision.records import Detections
from vision.tracking import track_clip
from vision.tracking.benchmark import visible
from vision.tracking.clip import evidence_of
from vision.tracking.stretch import NO_STRETCH, moved_between, stretch_between
from vision.tracking.together import Film, Setting, _as_first_sees, first_part, follow_together
from vision.tracking.views import join_views

NCAA = get_standard("ncaa")
SEED = 7311  # neither a validation nor a test seed of the benchmark
LATE_S = 0.73
WIDE, MOVED_YD = 1.16, -2.0


@cache
def views():
    """The same play from both sides: simulated boxes, films (the second's clock late and its kits other
    ones, so that its side A is the first's B), tracks of each."""
    play = simulate_play(SEED, "ncaa")
    made = [make_faulty(play, SEED + k, SCHOOL, view=v) for k, v in enumerate(("sideline", "endzone"))]
    films = []
    for k, boxes in enumerate(made):
        d = Detections(**boxes.fields())
        films.append(Film(replace(d, pts_s=d.pts_s - k * LATE_S), boxes.cameras))
    return made, films, [track_clip(f.detections, f.cameras, NCAA) for f in films]


@cache
def together():
    _, films, tracks = views()
    return join_views(*tracks, NCAA, films=tuple(films))


def idf1(tracks, boxes):
    players = np.array([t != "official" for t in boxes.person_team])
    truth = np.where(boxes.in_picture[..., None], boxes.xy_field_yd, np.nan)[players]
    return count_tracks(truth, visible(tracks.xy_field_yd[tracks.of_team("A", "B")], boxes)).idf1


def test_both_films_as_one_hold_identities_better_than_tracks_joined_afterwards():
    made, _, tracks = views()
    joined = together()
    assert len(joined.each) == 2 and joined.tracks is joined.each[0]
    fused = join_views(*tracks, NCAA).tracks
    alone = idf1(tracks[0], made[0])
    assert idf1(joined.tracks, made[0]) > max(alone, idf1(fused, made[0]))
    assert joined.tracks.team.count("A") <= 11 and joined.tracks.team.count("B") <= 11


def errors(tracks, boxes):
    """Distances of all true players in the picture to the nearest of our men, capped at 3 yd."""
    players = np.array([t != "official" for t in boxes.person_team])
    truth = np.where(boxes.in_picture[..., None], boxes.xy_field_yd, np.nan)[players]
    ours = tracks.xy_field_yd[tracks.of_team("A", "B")]
    apart = np.linalg.norm(truth[:, None] - ours[None], axis=-1)
    nearest = np.nan_to_num(apart, nan=3.0).min(1)
    return np.minimum(nearest[np.isfinite(truth[..., 0])], 3.0)


def test_places_are_better_than_from_one_camera():
    made, _, tracks = views()
    assert errors(together().tracks, made[0]).mean() < 0.8 * errors(tracks[0], made[0]).mean()


@pytest.mark.parametrize("view", [0, 1])
def test_box_rows_are_of_their_film_and_frame_and_used_once(view):
    made, films, _ = views()
    tracks, d = together().each[view], films[view].detections
    assert tracks.n_frames == d.n_frames and np.array_equal(tracks.t_s, d.pts_s)
    p, f = np.nonzero(tracks.box_index >= 0)
    rows = tracks.box_index[p, f]
    assert len(np.unique(rows)) == len(rows)
    assert (d.frame[rows] == f).all() and tracks.observed[p, f].all()
    person = np.where(made[view].person[rows] >= 0, made[view].person[rows], -1)
    right = [np.bincount(person[(p == k) & (person >= 0)]).max(initial=0) for k in range(len(tracks.ids))]
    assert sum(right) > 0.85 * len(rows)


def test_a_turned_field_and_crossed_kits_are_put_right():
    made, films, _ = views()
    plain = follow_together(*films, Setting(LATE_S, False, True), NCAA)
    middle = np.array([NCAA.length_yd, NCAA.width_yd])

    class Turned:
        """The end-zone camera as solved from the wrong end."""

        status = films[1].cameras.status

        def camera(self, f):
            one = films[1].cameras.camera(f)
            return one and replace(
                one, pan_deg=(one.pan_deg + 360) % 360 - 180,
                centre_field_yd=np.r_[middle - one.centre_field_yd[:2], one.centre_field_yd[2]],
            )  # fmt: skip

    film = Film(films[1].detections, Turned())
    turned = follow_together(films[0], film, Setting(LATE_S, True, True), NCAA)
    assert idf1(turned[0], made[0]) == pytest.approx(idf1(plain[0], made[0]), abs=0.03)
    uncrossed = follow_together(*films, Setting(LATE_S, False, False), NCAA)
    assert idf1(plain[0], made[0]) > idf1(uncrossed[0], made[0])  # the lighter kit is the darker one there


def moved_camera(by_yd):
    """The end-zone film with its camera so far off, the tracks of both films and these joined."""
    _, films, tracks = views()

    class Off:
        status = films[1].cameras.status

        def camera(self, f):
            one = films[1].cameras.camera(f)
            return one and replace(one, centre_field_yd=one.centre_field_yd + np.array(by_yd))

    moved = Film(films[1].detections, Off())
    seen = [tracks[0], track_clip(moved.detections, moved.cameras, NCAA)]
    return moved, join_views(*seen, NCAA, films=(films[0], moved))


def test_a_camera_half_a_yard_off_to_the_side_is_met():
    """The end-zone camera says best where men are across the field; if it is off, boxes of both
    views no longer look like one man's unless the shift is taken out."""
    made, films, _ = views()
    moved, joined = moved_camera([0.0, 0.8, 0.0])
    unaware = follow_together(films[0], moved, Setting(joined.offset_s, False, True), NCAA)
    assert idf1(joined.tracks, made[0]) > idf1(unaware[0], made[0])


def test_a_shift_is_laid_on_the_view_that_sees_it_worst(monkeypatch):
    """The camera behind the end zone hardly sees how far along the field a man is: off by eight tenths of a
    yard there, it is moved and not the other."""
    made, films, _ = views()
    places = [evidence_of(f.detections, f.cameras, NCAA, None).places for f in films]
    share = first_part(*places)
    assert share[0] < 0.25 and share[1] > 0.6
    assert first_part(*places[::-1]) == pytest.approx(1 - share)
    joined = moved_camera([0.8, 0.0, 0.0])[1]
    monkeypatch.setattr("vision.tracking.together.first_part", lambda *_: np.full(2, 0.5))
    half_way = moved_camera([0.8, 0.0, 0.0])[1]
    assert errors(joined.tracks, made[0]).mean() < errors(half_way.tracks, made[0]).mean() - 0.05


def test_nobody_seen_shares_a_shift_alike():
    _, films, _ = views()
    places = evidence_of(films[0].detections, films[0].cameras, NCAA, None).places
    assert first_part(places, replace(places, valid=np.zeros_like(places.valid))) == pytest.approx([0.5, 0.5])


def test_a_view_that_shows_nobody_leaves_the_joining_of_tracks():
    _, films, tracks = views()
    nobody = Film(films[1].detections.select(np.zeros(len(films[1].detections), bool)), films[1].cameras)
    assert follow_together(films[0], nobody, Setting(LATE_S, False, False), NCAA) is None
    joined = join_views(*tracks, NCAA, films=(films[0], nobody))
    assert joined.each == () and joined.pairs


def _too_wide(tracks):
    scale = np.array([1.0, WIDE])
    return replace(tracks, xy_field_yd=tracks.xy_field_yd * scale + np.array([0.0, MOVED_YD]))


def test_the_men_say_how_wide_the_second_view_is():
    _, _, tracks = views()
    plain = join_views(*tracks, NCAA)
    joined = join_views(tracks[0], _too_wide(tracks[1]), NCAA)
    assert joined.offset_s == pytest.approx(LATE_S, abs=0.1)
    assert len(joined.pairs) >= len(plain.pairs) - 2
    assert joined.apart_yd < plain.apart_yd + 0.2
    assert "as wide" in joined.message and plain.message == ""


def test_a_good_pairing_is_left_alone():
    _, _, tracks = views()
    offset, stretch = stretch_between(*tracks, cost_yd=0.5, offset_s=LATE_S, longest_s=4.0)
    assert stretch == NO_STRETCH and offset == LATE_S


def test_views_that_see_the_men_yards_apart_are_joined():
    """Feet misjudged alike in both low views: every man of the second is 1.9 yd from where the first sees
    him, too far to pair as they are."""
    made, films, tracks = views()
    away = np.array([-1.85, 0.4])
    moved = replace(tracks[1], xy_field_yd=tracks[1].xy_field_yd + away)
    joined, plain = join_views(tracks[0], moved, NCAA), join_views(*tracks, NCAA)
    assert joined.offset_s == pytest.approx(plain.offset_s, abs=0.05)
    assert len(joined.pairs) >= len(plain.pairs) - 2
    assert "yd from where the first does" in joined.message and joined.remarks
    assert "yd from where" not in plain.message
    offset, shift = moved_between(tracks[0], moved, plain.offset_s + 0.3, 1.0)
    true = np.array(moved_between(tracks[0], tracks[1], plain.offset_s, 1.0)[1])
    assert np.array(shift) - true == pytest.approx(away, abs=0.1) and offset == pytest.approx(LATE_S, abs=0.1)


def test_strangers_are_not_stretched_into_one_play():
    _, _, tracks = views()
    rng = np.random.default_rng(2)
    start = rng.uniform([20, 5], [80, 48], (len(tracks[1].ids), 1, 2))
    walks = start + np.cumsum(rng.normal(0, 0.3, (len(tracks[1].ids), tracks[1].n_frames, 2)), 1)
    assert join_views(tracks[0], replace(tracks[1], xy_field_yd=walks), NCAA).pairs == ()


def test_places_and_cameras_are_set_right_together():
    _, films, _ = views()
    e = evidence_of(films[1].detections, films[1].cameras, NCAA)
    right = _as_first_sees(e, Setting(LATE_S, False, False, stretch=(WIDE, MOVED_YD)), NCAA)
    back = right.places.xy_field_yd * [1.0, WIDE] + [0.0, MOVED_YD]
    valid = e.places.valid
    assert np.allclose(back[valid], e.places.xy_field_yd[valid])
    f = int(e.detections.frame[np.flatnonzero(valid)[0]])
    rows = np.flatnonzero(valid & (e.detections.frame == f))
    seen, _ = right.cameras.camera(f).to_image(right.places.xy_field_yd[rows])
    assert np.allclose(seen, e.cameras.camera(f).to_image(e.places.xy_field_yd[rows])[0])
    assert np.allclose(right.places.covariance[rows, 1, 1] * WIDE**2, e.places.covariance[rows, 1, 1])
