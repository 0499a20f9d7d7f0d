"""Simulated tracking tables at 10 Hz with nothing but places and two team names: snap, roles, direction."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.evaluation.plays import Score, score_play
from models.synthetic.plays import PlayScript, simulate_play
from vision.tables import plays_of_table


def table_of(script: PlayScript, rng: np.random.Generator) -> pd.DataFrame:
    """Frames at 10 Hz, 0.08 yd of error, team names that say nothing; no roles, events, jerseys, ball."""
    parts = []
    for man in script.people:
        if man.team == "official":
            continue
        xy = man.xy_field_yd[::3] + rng.normal(0, 0.08, man.xy_field_yd[::3].shape)
        team = "ROV" if man.team == "offense" else "ABQ"
        parts.append(
            pd.DataFrame(
                {"play_id": 1, "frame": np.arange(len(xy)), "entity_id": man.id, "team": team,
                 "x_field_yd": xy[:, 0], "y_field_yd": xy[:, 1]}
            )
        )  # fmt: skip
    return pd.concat(parts)


@pytest.mark.slow
def test_bare_tables_of_sixty_nfl_plays():
    score, under, moving = Score(), 0, 0
    for seed in range(53_000, 53_060):
        rng = np.random.default_rng([seed, 7])
        script = simulate_play(seed, "nfl", "pass" if rng.random() < 0.8 else "run")
        play = next(iter(plays_of_table(table_of(script, rng), "nfl"))).understand("nfl")
        score_play(score, play, script, -float(script.t_s[0]))
        passer = [m for m in play.players if m.role == "QB"]
        under += bool(passer and passer[0].depth_play_yd > -2.0)
        moving += any(m.in_motion for m in play.players)
    assert under >= 8 and moving >= 5  # from under the centre and with motion before the snap, too
    share = {name: right / n for name, (right, n) in score.hits.items()}
    assert share["direction"] == 1.0
    assert share["snap s within 0.2"] >= 0.95
    assert share["role"] >= 0.95 and share["role offense"] >= 0.98
    assert share["throw s within 0.2"] >= 0.80
