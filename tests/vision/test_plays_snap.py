"""The snap from the onsets of three groups of men: who they are, what each says, which is not believed."""

from __future__ import annotations

import numpy as np
import pytest
from test_plays import DEFENSE, OFFENSE, SNAP, paper_play

from vision.plays.lineup import read_lineup
from vision.plays.motion import Motion, motion_of
from vision.plays.roles import in_play_frame
from vision.plays.snap import GROUP_AFTER_S, SnapCandidate, snap_from_groups, snap_groups

NAMES = (*OFFENSE, *DEFENSE)
CANDIDATE = SnapCandidate(SNAP + 0.1, 1.0, 0.0, 2.0, 2.0)


def groups_of_paper() -> tuple[np.ndarray, ...]:
    xy = np.array([*OFFENSE.values(), *DEFENSE.values()])
    lineup = read_lineup(xy, np.arange(11), np.arange(11, 22))
    assert lineup is not None
    return snap_groups(lineup, in_play_frame(xy, lineup))


def starting(after_s: tuple[float, float, float], noise: float = 0.0) -> Motion:
    """The paper men with each group at rest until so long after the snap, then at 5 yd/s^2 straight on."""
    tracks = paper_play(rate=30.0)
    t, xy = np.asarray(tracks.t_s), np.array(tracks.xy_field_yd[:, :1]).repeat(len(tracks.t_s), 1)
    for rows, after in zip(groups_of_paper(), after_s, strict=True):
        go = np.maximum(0.0, t - SNAP - after)
        xy[rows, :, 0] += np.where(go < 0.4, 2.5 * go**2, 0.4 + 2.0 * (go - 0.4))
    xy += np.random.default_rng(8).normal(0, noise, xy.shape) if noise else 0.0
    n = xy.shape[:2]
    return motion_of(
        type(tracks)(
            tracks.ids, tracks.team, xy, np.gradient(xy, t, axis=1), np.full(n, 0.1), np.ones(n, bool),
            np.zeros(n, bool), t,
        )
    )  # fmt: skip


def test_groups_of_the_paper_formation() -> None:
    """The back between the tackles, the passer and the linemen belong to none."""
    receivers, cover, front = ({NAMES[r] for r in rows} for rows in groups_of_paper())
    assert receivers == {"X", "H", "Y", "Z"}
    assert cover == {"M", "W", "N", "C1", "C2", "F", "S"}
    assert front == {"E1", "T1", "T2", "E2"}


def test_each_group_says_the_same_snap() -> None:
    t, sd = snap_from_groups(starting(GROUP_AFTER_S), groups_of_paper(), CANDIDATE)
    assert t == pytest.approx(SNAP, abs=0.03) and sd < 0.06
    # all of them a tenth later is a snap a tenth later
    late = tuple(a + 0.1 for a in GROUP_AFTER_S)
    assert snap_from_groups(starting(late), groups_of_paper(), CANDIDATE)[0] == pytest.approx(
        t + 0.1, abs=0.03
    )


def test_a_group_that_starts_at_another_time_is_not_believed() -> None:
    """Cover that waits half a second longer (a soft zone) does not move the snap, but makes it less sure when
    it is only a little off."""
    a, b, c = GROUP_AFTER_S
    t, sd = snap_from_groups(starting(GROUP_AFTER_S), groups_of_paper(), CANDIDATE)
    waits, _ = snap_from_groups(starting((a, b + 0.5, c)), groups_of_paper(), CANDIDATE)
    assert waits == pytest.approx(t, abs=0.03)
    little, unsure = snap_from_groups(starting((a, b + 0.2, c)), groups_of_paper(), CANDIDATE)
    assert little == pytest.approx(t + 0.05, abs=0.03) and unsure > sd + 0.01


def test_one_group_alone_says_nothing() -> None:
    nobody = np.zeros(0, np.intp)
    receivers, _, _ = groups_of_paper()
    assert np.isnan(snap_from_groups(starting(GROUP_AFTER_S), (receivers, nobody, nobody), CANDIDATE)[0])
