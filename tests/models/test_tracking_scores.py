"""Tracking scores against the published authors' program (PyPI trackeval) and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from models.evaluation.tracking import (
    add_counts,
    count_tracks,
    identity_changes,
    kept_identity,
    matched_track,
    similarity,
)


def noisy_case(seed, people=6, tracks=8, frames=60):
    """Random walks, tracks that follow them with noise, gaps, swaps and strays."""
    rng = np.random.default_rng(seed)
    truth = rng.uniform(0, 8, (people, 1, 2)) + np.cumsum(rng.normal(0, 0.1, (people, frames, 2)), 1)
    follow = rng.integers(0, people, (tracks, frames // 20)).repeat(20, 1)
    track = truth[follow, np.arange(frames)[None]] + rng.normal(0, 0.4, (tracks, frames, 2))
    truth[rng.random((people, frames)) < 0.1] = np.nan
    track[rng.random((tracks, frames)) < 0.2] = np.nan
    return truth, track


def by_trackeval(truth, track):
    import trackeval

    sim = similarity(truth, track)
    here, there = np.isfinite(truth).all(-1), np.isfinite(track).all(-1)
    frames = truth.shape[1]
    a = [np.flatnonzero(here[:, f]) for f in range(frames)]
    b = [np.flatnonzero(there[:, f]) for f in range(frames)]
    data = {
        "num_timesteps": frames,
        "gt_ids": a,
        "tracker_ids": b,
        "similarity_scores": [sim[np.ix_(a[f], b[f], [f])][..., 0] for f in range(frames)],
        "num_gt_ids": len(truth),
        "num_tracker_ids": len(track),
        "num_gt_dets": int(here.sum()),
        "num_tracker_dets": int(there.sum()),
    }
    quiet = {"PRINT_CONFIG": False}
    hota = trackeval.metrics.HOTA().eval_sequence(data)
    identity = trackeval.metrics.Identity(quiet).eval_sequence(data)
    clear = trackeval.metrics.CLEAR(quiet).eval_sequence(data)
    return float(np.mean(hota["HOTA"])), identity["IDF1"], clear["MOTA"], clear["IDSW"]


@pytest.mark.parity
@pytest.mark.parametrize("seed", range(4))
def test_scores_equal_trackeval(seed):
    truth, track = noisy_case(seed)
    got = count_tracks(truth, track)
    hota, idf1, mota, switches = by_trackeval(truth, track)
    assert got.hota == pytest.approx(hota, abs=1e-9)
    assert got.idf1 == pytest.approx(idf1, abs=1e-9)
    assert got.mota == pytest.approx(mota, abs=1e-9)
    assert got.switches == switches


def test_perfect_and_empty():
    truth, _ = noisy_case(1)
    got = count_tracks(truth, truth)
    assert (got.hota, got.idf1, got.mota) == (1.0, 1.0, 1.0)
    none = count_tracks(truth, np.zeros((0, truth.shape[1], 2)))
    assert (none.hota, none.idf1, none.mota) == (0.0, 0.0, 0.0)
    total = add_counts([got, none])
    assert total.idf1 == pytest.approx(2 / 3)
    with pytest.raises(ValueError):
        add_counts([])


def test_a_swap_is_seen_by_hand():
    """Two men 5 yd apart whose tracks swap half way: each keeps half, by hand."""
    truth = np.zeros((2, 10, 2))
    truth[1, :, 0] = 5
    track = truth.copy()
    track[:, 5:] = track[::-1, 5:]
    matched = matched_track(truth, track)
    assert identity_changes(matched).tolist() == [1, 1]
    assert not kept_identity(matched, np.ones((2, 10), bool)).any()
    assert count_tracks(truth, track).idf1 == pytest.approx(0.5)
    assert count_tracks(truth, track).switches == 2


def test_kept_identity_needs_enough_matches():
    matched = np.array([[3, 3, -1, 3, 3, 3, 3, 3, 3, 3], [3, 3, -1, -1, -1, 3, 3, 3, 3, 3]])
    present = np.ones((2, 10), bool)
    assert kept_identity(matched, present).tolist() == [True, False]
