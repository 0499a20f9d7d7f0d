"""Players said to be officials come back; true officials stay out; a late set speaks for a fake."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.synthetic.plays import simulate_play
from vision.plays.passing import fake_probability
from vision.plays.trial import OFFSET_S
from vision.plays.understand import understand_play
from vision.records import Tracks


def everybody(seed: int, standard: str) -> tuple[Tracks, dict[str, str]]:
    """Tracks of all men of a simulated pass, officials too, and {id: role}."""
    script = simulate_play(seed, standard, "pass")
    xy = np.stack([p.xy_field_yd for p in script.people]).astype(float)
    t = np.asarray(script.t_s) + OFFSET_S
    names = {"offense": "A", "defense": "B", "official": "official"}
    tracks = Tracks(
        ids=tuple(p.id for p in script.people),
        team=tuple(names[p.team] for p in script.people),
        xy_field_yd=xy,
        velocity_field_yd_per_s=np.gradient(xy, t, axis=1),
        sd_yd=np.full(xy.shape[:2], 0.05),
        observed=np.ones(xy.shape[:2], bool),
        uncertain=np.zeros(xy.shape[:2], bool),
        t_s=t,
    )
    return tracks, {p.id: p.role for p in script.people}


@pytest.mark.parametrize("standard", ["ncaa", "nfl", "nfhs", "canadian"])
@pytest.mark.parametrize("role", ["QB", "OL"])
def test_player_in_stripes_comes_back(standard, role):
    tracks, roles = everybody(9_100, standard)
    lost = next(i for i in tracks.ids if roles[i] == role)
    wrong = replace(
        tracks,
        team=tuple("official" if i == lost else t for i, t in zip(tracks.ids, tracks.team, strict=True)),
    )
    play = understand_play(wrong, standard, {"kind": "pass"})
    man = next((p for p in play.players if p.player_id == lost), None)
    assert man is not None and man.team == "offense" and man.role == role


@pytest.mark.parametrize("standard", ["ncaa", "nfl", "nfhs", "canadian"])
def test_officials_stay_officials(standard):
    for seed in (9_200, 9_201, 9_202):
        tracks, _ = everybody(seed, standard)
        play = understand_play(tracks, standard, {"kind": "pass"})
        crew = {i for i, t in zip(tracks.ids, tracks.team, strict=True) if t == "official"}
        assert crew and not crew & {p.player_id for p in play.players}


def test_late_set_speaks_for_a_fake():
    assert fake_probability(0.9, 0.0, False, 1.3) > 0.5 > fake_probability(0.9, 0.0, False, 0.0)
    assert fake_probability(0.0, 0.0, False, 1.3) < 0.5
    assert fake_probability(0.5, 0.9, False) == fake_probability(0.5, 0.9, False, np.nan)
