"""A passer taken for his centre at the snap gets his own part back; nobody else is touched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.synthetic.plays import simulate_play
from vision.plays.motion import motion_of
from vision.plays.trial import OFFSET_S, tracks_of
from vision.plays.under_centre import passer_behind
from vision.plays.understand import understand_play
from vision.records import Tracks


def _under_centre(seed: int) -> tuple[Tracks, str, str]:
    """Clean film tracks of a simulated pass with the passer under the centre; ids of the two."""
    script = simulate_play(seed, "ncaa", "pass")
    tracks = tracks_of(script, np.random.default_rng(seed), "clean")
    tracks = replace(tracks, box_index=np.zeros(tracks.observed.shape, np.int32))
    roles = {p.id: p.role for p in script.people}
    k = int(np.argmin(np.abs(tracks.t_s - OFFSET_S)))
    passer = next(i for i in tracks.ids if roles[i] == "QB")
    at = tracks.xy_field_yd[:, k]
    line = [i for i in tracks.ids if roles[i] == "OL"]
    centre = min(line, key=lambda i: float(np.hypot(*(at[tracks.index(i)] - at[tracks.index(passer)]))))
    return tracks, passer, centre


def _near(tracks: Tracks, a: str, b: str) -> float:
    k = int(np.argmin(np.abs(tracks.t_s - OFFSET_S)))
    at = tracks.xy_field_yd[:, k]
    return float(np.hypot(*(at[tracks.index(a)] - at[tracks.index(b)])))


def _exchanged_before(tracks: Tracks, a: str, b: str, t_s: float) -> Tracks:
    xy = np.array(tracks.xy_field_yd)
    rows, early = [tracks.index(a), tracks.index(b)], tracks.t_s < t_s
    xy[rows[0], early], xy[rows[1], early] = (
        tracks.xy_field_yd[rows[1], early],
        tracks.xy_field_yd[rows[0], early],
    )
    return replace(tracks, xy_field_yd=xy)


@pytest.fixture(scope="module")
def plays() -> list[tuple[Tracks, str, str]]:
    made = (_under_centre(seed) for seed in range(4_000, 4_060))
    out = [one for one in made if _near(*one) < 1.2]
    assert len(out) >= 6  # under the centre
    return out[:6]


def test_the_passers_part_comes_back(plays: list[tuple[Tracks, str, str]]) -> None:
    right = 0
    for tracks, passer, centre in plays:
        wrong = _exchanged_before(tracks, passer, centre, OFFSET_S + 0.1)
        play = understand_play(wrong, "ncaa", {"kind": "pass"})
        assert play.tracks is not None
        roles = {m.player_id: m.role for m in play.players}
        early = tracks.t_s < OFFSET_S - 0.2
        gap = play.tracks.xy_field_yd[tracks.index(passer)] - tracks.xy_field_yd[tracks.index(passer)]
        back = float(np.abs(gap[early]).max()) < 1e-9
        right += roles[passer] == "QB" and roles[centre] == "OL" and back
    assert right >= len(plays) - 1


def test_men_in_their_places_stay(plays: list[tuple[Tracks, str, str]]) -> None:
    for tracks, _, _ in plays:
        play = understand_play(tracks, "ncaa", {"kind": "pass"})
        assert play.tracks is not None
        assert np.array_equal(play.tracks.xy_field_yd, tracks.xy_field_yd, equal_nan=True)


def test_a_tables_own_ids_are_right(plays: list[tuple[Tracks, str, str]]) -> None:
    tracks, passer, centre = plays[0]
    wrong = _exchanged_before(tracks, passer, centre, OFFSET_S + 0.1)
    table = replace(wrong, box_index=np.full(wrong.observed.shape, -1, np.int32))
    play = understand_play(table, "ncaa", {"kind": "pass"})
    assert play.tracks is not None
    assert np.array_equal(play.tracks.xy_field_yd, wrong.xy_field_yd, equal_nan=True)


def test_without_a_centre_nothing_is_said(plays: list[tuple[Tracks, str, str]]) -> None:
    from vision.plays.start import find_start

    tracks, _, _ = plays[0]
    motion = motion_of(tracks)
    start = find_start(motion, {"snap": OFFSET_S}, None)
    assert start.lineup is not None
    assert passer_behind(tracks, motion, replace(start.lineup, centre=-1), OFFSET_S) is None
    assert passer_behind(tracks, motion, replace(start.lineup, quarterback=-1), OFFSET_S) is None
