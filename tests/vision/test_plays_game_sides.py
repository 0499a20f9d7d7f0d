"""Who has the ball: on kicks, and by a game's memory of which side wears which kit."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from test_plays import paper_play

from models.synthetic.plays import simulate_play
from vision.plays import understand_play
from vision.plays.game_sides import (
    GAME_MOST,
    LAB_COLUMNS,
    PLAY_MOST,
    GameSides,
    alike,
    changed,
    games_of_rows,
    kit_difference,
    kit_of_text,
    kit_text,
    may_change,
)
from vision.plays.trial import tracks_of
from vision.records import Detections, Tracks

X, Y = {"offense": "X", "defense": "Y"}, {"offense": "Y", "defense": "X "}
KIT = np.array([30.0, 2, -6, 10, 0, 0, -5, 1, 2])


def test_other_plays_speak_for_either_team() -> None:
    sides = GameSides()
    sides.learn(X, "1", 1.5, KIT)
    sides.learn(Y, "2", -9.0, KIT)
    assert sides.lean(X, "3", KIT) == pytest.approx(GAME_MOST)  # 1.5 + 3.0, limited
    assert sides.lean(Y, "3", KIT) == pytest.approx(-GAME_MOST)
    assert sides.lean(X, "1", KIT) == pytest.approx(PLAY_MOST)  # not from itself
    sides.learn(Y, "2", -0.5, KIT)  # told again: replaced
    assert sides.lean(X, "1", KIT) == pytest.approx(0.5)


def test_the_lighter_side_may_be_the_other_team_in_another_clip() -> None:
    """Sides A and B have changed kits: the difference points the other way, and with it the lean."""
    sides = GameSides()
    sides.learn(X, "1", 3.0, KIT)
    assert sides.lean(X, "2", -1.2 * KIT + 0.5) == pytest.approx(-PLAY_MOST)
    across = np.array([2.0, -30.0, 0, 0, 0, 0, 0, 0, 0])  # at right angles: other kits, no word
    assert KIT @ across == pytest.approx(0.0) and sides.lean(X, "2", across) == 0.0
    assert sides.lean(X, "2", np.zeros(LAB_COLUMNS)) == 0.0


def test_half_alike_kits_say_less() -> None:
    assert alike(KIT, KIT) == 1.0 and alike(KIT, -KIT) == -1.0
    sides = GameSides()
    sides.learn(X, "1", 3.0, KIT)
    aside = np.zeros(LAB_COLUMNS)
    aside[1] = np.linalg.norm(KIT) * 1.5
    assert 0.0 < sides.lean(X, "2", KIT + aside) < PLAY_MOST


def test_no_sheet_no_lean() -> None:
    sides = GameSides()
    silent: list[dict[str, Any] | None] = [
        None, {}, {"offense": "", "defense": "Y"}, {"offense": math.nan}, {"offense": "X", "defense": "x"},
    ]  # fmt: skip
    for row in silent:
        sides.learn(row, "1", 3.0, KIT)
        assert sides.lean(X, "2", KIT) == 0.0
    sides.learn(X, "1", math.nan, KIT)
    assert sides.lean(X, "2", KIT) == 0.0
    sides.learn(X, "1", 3.0, KIT)
    assert all(sides.lean(row, "2", KIT) == 0.0 for row in silent)
    assert sides.lean({"offense": "Z", "defense": "W"}, "2", KIT) == 0.0


def test_plays_that_contradict_each_other_lean_little() -> None:
    sides = GameSides()
    sides.learn(X, "1", 2.8, KIT)
    sides.learn(X, "2", -2.5, KIT)
    assert abs(sides.lean(X, "3", KIT)) < 0.5


def test_a_play_is_read_again_when_its_offense_or_its_doubt_is_another() -> None:
    assert changed(1.0, 0.0, -4.0) and changed(0.3, 0.0, 4.0) and changed(2.0, 0.0, 1.5)
    assert not changed(8.0, 0.0, -4.0) and not changed(3.0, 1.0, 4.0)
    assert may_change(-4.0) and not may_change(9.0) and not may_change(math.nan)


def test_the_memory_comes_back_from_the_season() -> None:
    row = {**X, "game_id": "g", "play_id": "1", "side_evidence": 2.0, "side_kit": kit_text(KIT)}
    silent = [{**row, "play_id": "2", "side_evidence": math.nan}, {**row, "play_id": "3", "side_kit": None}]
    games = games_of_rows([row, *silent, {"play_id": "4", "game_id": "h"}])
    assert set(games) == {"g"}
    assert games["g"].lean(Y, "9", KIT) == pytest.approx(-2.0)
    assert not np.any(kit_of_text(None)) and not np.any(kit_of_text("1 2 x"))


def dressed(tracks: Tracks, a: np.ndarray, b: np.ndarray) -> tuple[Tracks, Detections]:
    """The tracks with a box a man and frame, in the colours (12,) of his side."""
    p, t = len(tracks.ids), tracks.n_frames
    colour = np.array([a if side == "A" else b for _ in range(t) for side in tracks.team])
    n = p * t
    frame: Any = np.repeat(np.arange(t), p)
    where, sure, kind, index = np.zeros((n, 4)), np.ones(n), np.zeros(n), np.arange(n).reshape(t, p).T
    boxes = Detections(frame, _any(where), _any(sure), _any(kind), _any(colour), tracks.t_s, 64, 36)
    return replace(tracks, box_index=_any(index)), boxes


def _any(value: Any) -> Any:
    return value


def test_kits_are_compared_by_their_boxes() -> None:
    a, b = np.full(12, 70.0), np.full(12, 40.0)
    assert kit_difference(*dressed(paper_play(), a, b)) == pytest.approx(np.full(LAB_COLUMNS, 30.0))
    tracks, boxes = dressed(paper_play(), a, b)
    assert not np.any(kit_difference(tracks, replace(boxes, colour=_any(np.zeros((len(boxes), 0))))))
    assert not np.any(kit_difference(tracks.select(np.arange(11)), boxes))  # only one side is there


def test_the_lean_turns_a_play_that_says_little_and_no_other() -> None:
    plain = understand_play(paper_play(), "ncaa")
    assert plain.side_evidence > 5.0 and plain.direction == -1
    assert understand_play(paper_play(), "ncaa", lean=-4.0).direction == -1
    still = paper_play().select([0, 1, 2, 3, 4, 7, 8, 11, 12, 13, 14, 18, 19])  # two bare lines
    own = understand_play(still, "ncaa").side_evidence
    turned = understand_play(still, "ncaa", lean=-own - 3.0)
    assert turned.direction == 1


@pytest.mark.parametrize("style", ["punt", "field_goal", "kickoff"])
@pytest.mark.parametrize("sheet", [None, {"kind": "kick"}])
def test_the_kicking_team_has_the_ball(style: str, sheet: dict[str, str] | None) -> None:
    """Simulated kicks with rough tracks: at least seven of eight right, and none wrong without a mark."""
    right = 0
    for seed in range(8):
        script = simulate_play(seed + 90, ("ncaa", "nfl", "nfhs", "canadian")[seed % 4], "kick", style=style)
        tracks = tracks_of(script, np.random.default_rng(seed), "film")
        play = understand_play(tracks, script.standard, sheet)
        right += play.direction == script.direction
        assert play.direction in (0, script.direction) or play.warnings
    assert right >= 7


def test_on_a_kickoff_a_man_on_the_line_kicks_whatever_he_seems_to_wear() -> None:
    script = simulate_play(91, "nfhs", "kick", style="kickoff")
    tracks = tracks_of(script, np.random.default_rng(1), "clean")
    kickers = {p.id for p in script.people if p.team == "offense"}
    k = next(i for i, name in enumerate(tracks.ids) if name in kickers)
    team = list(tracks.team)
    team[k] = "B" if team[k] == "A" else "A"
    play = understand_play(replace(tracks, team=tuple(team)), "nfhs")
    said = {m.player_id: m.team for m in play.players}
    assert play.kind == "kick" and play.direction == script.direction
    assert all((said[name] == "offense") == (name in kickers) for name in said)
