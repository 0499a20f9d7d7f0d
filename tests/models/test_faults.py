"""The fault model does what it says: faults last, cluster where men overlap, and are repeatable."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from models.synthetic.faults import CLEAN, PRO, SCHOOL, covered_share, episodes, make_faulty, slow_noise
from models.synthetic.plays import simulate_play

SEED = 7400


@cache
def play():
    return simulate_play(SEED, "ncaa")


@cache
def faulty(name):
    return make_faulty(play(), SEED, {"clean": CLEAN, "pro": PRO, "school": SCHOOL}[name])


def seen(boxes, least=0.3):
    """(P,F) bool: a sure box carries this man."""
    out = np.zeros(boxes.in_picture.shape, bool)
    ok = (boxes.person >= 0) & (boxes.confidence > least)
    out[boxes.person[ok], boxes.frame[ok]] = True
    return out


def test_same_seed_same_boxes_other_seed_other_boxes():
    again = make_faulty(play(), SEED, PRO)
    assert np.array_equal(again.xyxy_px, faulty("pro").xyxy_px)
    assert len(make_faulty(play(), SEED + 1, PRO).frame) != len(again.frame)


def test_clean_misses_one_in_twenty_without_memory():
    boxes = faulty("clean")
    here = boxes.in_picture
    missed = here & ~seen(boxes, 0.0)
    assert missed.sum() / here.sum() == pytest.approx(0.05, abs=0.01)
    after = missed[:, 1:][missed[:, :-1] & here[:, 1:]]
    assert after.mean() < 0.12


def test_misses_of_the_hard_settings_last_and_happen_where_men_overlap():
    boxes = faulty("school")
    missed = boxes.in_picture & ~seen(boxes)
    after = missed[:, 1:][missed[:, :-1] & boxes.in_picture[:, 1:]]
    assert after.mean() > 2.5 * missed.sum() / boxes.in_picture.sum()


def test_harder_settings_are_harder():
    share = [(seen(faulty(n)) & faulty(n).in_picture).sum() / faulty(n).in_picture.sum()
             for n in ("clean", "pro", "school")]  # fmt: skip
    assert share[0] > share[1] > share[2] > 0.5


def test_false_boxes_stay():
    many = make_faulty(play(), 5, SCHOOL)
    false = many.person == -1
    assert false.sum() > 30
    frames = np.unique(many.frame[false])
    assert np.median(np.diff(frames)) == 1


def test_boxes_are_boxes():
    for name in ("clean", "pro", "school"):
        b = faulty(name)
        assert (np.diff(b.frame) >= 0).all() and np.isfinite(b.xyxy_px).all()
        assert (b.xyxy_px[:, 2:] >= b.xyxy_px[:, :2]).all()
        assert ((b.confidence > 0) & (b.confidence <= 1)).all()


def test_episodes_have_their_mean_length_and_rate():
    """Two-state Markov chain: mean stay and share of time as theory says (geometric law)."""
    rng = np.random.default_rng(1)
    on = episodes(rng, np.full((200, 3000), 0.5), 0.4, 1 / 30)
    starts = (on[:, 1:] & ~on[:, :-1]).sum()
    assert on.sum() / starts / 30 == pytest.approx(0.4, rel=0.1)
    assert on.mean() == pytest.approx(0.4 / (0.4 + 2.0), rel=0.1)


def test_slow_noise_has_unit_variance_and_its_correlation_time():
    noise = slow_noise(np.random.default_rng(2), (400, 600), 1 / 30, 0.5)
    assert noise.std() == pytest.approx(1, abs=0.03)
    lag = (noise[:, 15:] * noise[:, :-15]).mean()
    assert lag == pytest.approx(np.exp(-1), abs=0.05)


def test_covered_share_by_hand():
    boxes = np.array([[[0, 0, 10, 20]], [[5, 5, 15, 25]], [[50, 0, 60, 20]]], float)
    assert covered_share(boxes)[:, 0] == pytest.approx([0.375, 0, 0])


def test_disturbed_cameras_err_by_about_what_they_state():
    boxes = faulty("pro")
    errors, stated = [], []
    spot = np.array([[play().los_field_yd, 26.0]])
    for f in range(0, len(boxes.pts_s), 5):
        px, ok = boxes.true_cameras[f].to_image(spot)
        if not ok[0]:
            continue
        xy, _, cov = boxes.cameras.camera(f).to_field(px, 0.01)
        errors.append(np.linalg.norm(xy - spot))
        stated.append(np.sqrt(np.trace(cov[0])))
    assert 0.2 < np.mean(errors) / np.mean(stated) < 3
    assert np.mean(errors) < 0.4
