"""What one side of a play says of the other: whole plays that come again help, sides called apart do not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from models.evaluation.repeated import APART, KINDS, Pool, judge, judge_season, made_calls
from models.routes.coupled import calls_of_whole_plays
from models.routes.labels import LABELS
from models.routes.repeated import SideCalls, SideRead, calls_of_game, read_together

Men = tuple[Mapping[str, float], ...]
Play = tuple[tuple[str, ...], tuple[str, ...]]
CORNER: Play = (("hitch", "corner"), ("slant", "wheel"))
POST: Play = (("hitch", "post"), ("curl", "out"))
DOUBTFUL: Men = ({"hitch": 0.95, "go": 0.05}, {"corner": 0.5, "post": 0.5})


def sure(routes: tuple[str, ...], by: float = 0.9) -> Men:
    """Chances of men read well: the rest lies with a neighbour of the list."""
    return tuple({r: by, LABELS[(LABELS.index(r) + 1) % len(LABELS)]: 1.0 - by} for r in routes)


def plays_of(*plays: Play, times: int = 6) -> list[SideRead]:
    return [
        SideRead(f"{k} {n}", sure(side))
        for k, play in enumerate(plays)
        for n in range(times)
        for side in play
    ]


def mine(companion: Men, me: Men = DOUBTFUL) -> list[SideRead]:
    return [SideRead("mine", me), SideRead("mine", companion)]


def corner(calls: Sequence[SideCalls], me: Men = DOUBTFUL) -> float:
    """Chance that the man in doubt ran it."""
    return read_together(me, calls[0])[1]["corner"]


def test_a_man_in_doubt_is_named_by_what_the_other_side_ran() -> None:
    others = plays_of(CORNER, POST)
    with_corner, with_post = (mine(sure(play[1])) + others for play in (CORNER, POST))
    apart = corner(calls_of_game(with_corner))
    assert corner(calls_of_game(with_post)) == pytest.approx(apart, abs=0.05)  # a side alone cannot tell
    assert corner(calls_of_whole_plays(with_corner)) > apart + 0.25
    assert corner(calls_of_whole_plays(with_post)) < apart - 0.25


def test_a_companion_that_was_never_run_says_nothing() -> None:
    others = plays_of(CORNER, POST)
    strange = mine(sure(("screen", "in"))) + others
    assert corner(calls_of_whole_plays(strange)) == pytest.approx(corner(calls_of_game(strange)), abs=0.05)


def test_a_doubtful_companion_says_less() -> None:
    others = plays_of(CORNER, POST)
    doubt = ({"slant": 0.5, "curl": 0.5}, {"wheel": 0.5, "out": 0.5})
    told = [corner(calls_of_whole_plays(mine(men) + others)) for men in
            (doubt, sure(CORNER[1], 0.6), tuple({r: 1.0} for r in CORNER[1]))]  # fmt: skip
    assert told[0] + 0.05 < told[1] < told[2]


def test_a_mirrored_play_counts_alike() -> None:
    """Both sides have two receivers: on which of them a set was run does not matter."""
    others = plays_of(CORNER, POST)
    turned = [side for k in range(0, len(others), 2) for side in (others[k + 1], others[k])]
    half = others[:8] + turned[8:]
    for side in mine(sure(CORNER[1])):
        told = [
            calls_of_whole_plays([side, *mine(sure(CORNER[1])), *game][1:]) for game in (others, turned, half)
        ]
        for calls in told[1:]:
            assert calls[0].ratio(CORNER[0]) == pytest.approx(told[0][0].ratio(CORNER[0]))


def test_only_plays_with_as_many_receivers_on_either_side_count() -> None:
    threes = [(play[0], (*play[1], "in")) for play in (CORNER, POST)]
    game = mine(sure(CORNER[1])) + plays_of(*threes, times=8)
    for one, other in zip(calls_of_whole_plays(game)[:2], calls_of_game(game)[:2], strict=True):
        assert one == other
    with_three = mine(sure(threes[0][1])) + plays_of(*threes, times=8)
    assert corner(calls_of_whole_plays(with_three)) > corner(calls_of_game(with_three)) + 0.2


def test_a_man_alone_on_the_other_side_is_a_companion_too() -> None:
    singles = [(CORNER[0], ("slant",)), (POST[0], ("comeback",))]
    game = mine(sure(("slant",))) + plays_of(*singles, times=8)
    calls = calls_of_whole_plays(game)
    assert corner(calls) > corner(calls_of_game(game)) + 0.15
    assert calls[1].ratio(("slant",)) == 1.0  # he keeps his own chances


def test_a_play_says_nothing_of_itself() -> None:
    """What is known of a side does not hang on how it was read, so two sides cannot make one another sure."""
    others = plays_of(CORNER, POST)
    companion = sure(CORNER[1])
    one, two = (
        calls_of_whole_plays(mine(companion, sure(me)) + others)[0]
        for me in (("go", "screen"), ("screen", "go"))
    )
    for routes in (CORNER[0], POST[0], ("go", "screen"), ("screen", "go")):
        assert one.ratio(routes) == pytest.approx(two.ratio(routes), rel=1e-3)
    pair = [SideRead("p", sure(side)) for side in CORNER]
    assert calls_of_whole_plays(pair) == [SideCalls(), SideCalls()] and calls_of_whole_plays([]) == []


def test_a_side_of_which_no_set_is_likely_says_nothing() -> None:
    flat = tuple(dict.fromkeys(LABELS, 1.0 / len(LABELS)) for _ in range(2))
    game = mine(flat) + plays_of(CORNER, POST) + [SideRead("x", flat), SideRead("x", ({},))]
    assert corner(calls_of_whole_plays(game)) == pytest.approx(corner(calls_of_game(game)), abs=0.02)


def test_sides_called_apart_stay_apart() -> None:
    sets = [CORNER[0], POST[0], ("go", "in"), ("out", "flat")], [CORNER[1], POST[1], ("comeback", "angle")]
    for seed in range(3):
        rng = np.random.default_rng(seed)
        pairs = [(sets[0][rng.integers(4)], sets[1][rng.integers(3)]) for _ in range(40)]
        game = mine(sure(CORNER[1])) + plays_of(*pairs, times=1)
        assert corner(calls_of_whole_plays(game)) == pytest.approx(corner(calls_of_game(game)), abs=0.08)


def pool_of(names: tuple[str, ...]) -> Pool:
    """Men of each route, half of them taken by a little for another one, every other alike often."""
    pairs = [(a, b) for a in range(len(names)) for b in range(len(names)) if a != b]
    rows = np.zeros((2 * len(pairs), len(names)))
    for k, (own, other) in enumerate(pairs):
        rows[2 * k, [own, other]], rows[2 * k + 1, [own, other]] = (0.45, 0.55), (0.9, 0.1)
    ran = np.repeat([own for own, _ in pairs], 2)
    return Pool(names, rows, {r: np.flatnonzero(ran == k) for k, r in enumerate(names)})


POOL = pool_of(("go", "post", "corner", "out", "in", "slant", "curl", "flat"))


def test_made_games_of_whole_plays_gain_and_sides_apart_lose_nothing() -> None:
    whole, apart = (judge(kind, 3, 50, POOL, 6, coupled=True) for kind in
                    ("sheet, own", f"sheet, own, {APART}"))  # fmt: skip
    gains = [np.mean(c.right["after"]) - np.mean(c.right["before"]) for c in (whole, apart)]
    assert gains[0] > 0.02 and abs(gains[1]) < 0.01
    season = judge_season("sheet, own", "same sheet", 1, 3, 50, POOL, 6, coupled=True)
    assert np.mean(season.right["after"]) > np.mean(season.right["before"]) + 0.01


def test_kinds_whose_sides_are_called_apart_have_the_same_sides() -> None:
    for kind in KINDS[:2]:
        whole, apart = (
            made_calls(np.random.default_rng(4), name, 60, POOL) for name in (kind, f"{kind}, {APART}")
        )
        for side in (0, 1):
            assert sorted(c[side] for c in whole) == sorted(c[side] for c in apart)
        assert len(set(apart)) > 1.4 * len(set(whole))
