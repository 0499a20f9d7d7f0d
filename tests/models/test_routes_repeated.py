"""What a game's other plays say of a side's calls: repeats help, strangers do not."""

from __future__ import annotations

import numpy as np
import pytest

from models.evaluation.repeated import SHARED, Pool, judge, judge_season
from models.routes.called import shipped
from models.routes.labels import LABELS
from models.routes.repeated import CALLS_COUNT, SideCalls, SideRead, calls_elsewhere, calls_of_game
from vision.combinations import Runner, together

SHEET = (("comeback", "corner", "angle"), ("slant", "wheel", "hitch"), ("curl", "post", "out"))
DOUBTFUL = {"corner": 0.5, "post": 0.5}


def sure(routes: tuple[str, ...], by: float = 0.9) -> tuple[dict[str, float], ...]:
    """Chances of men read well: the rest lies with a neighbour of the list."""
    return tuple({r: by, LABELS[(LABELS.index(r) + 1) % len(LABELS)]: 1.0 - by} for r in routes)


def game_of(sheet: tuple[tuple[str, ...], ...], times: int) -> list[SideRead]:
    """Every call of the sheet so many times, one side a play."""
    return [SideRead(f"{k} {n}", sure(call)) for k, call in enumerate(sheet) for n in range(times)]


def read(men: tuple[dict[str, float], ...], calls: SideCalls) -> list[dict[str, float]]:
    runners = [Runner(str(k), "right", k + 1, m) for k, m in enumerate(men)]
    return list(together(runners, {"right": calls}).values())


def strangers(count: int, seed: int, men: int = 2) -> list[SideRead]:
    """Sides whose men share no call: all routes alike likely."""
    rng = np.random.default_rng(seed)
    return [SideRead(k, sure(tuple(rng.choice(LABELS, men)))) for k in range(count)]


def test_a_man_in_doubt_is_named_by_what_the_others_ran_beside_him() -> None:
    mine = (sure(SHEET[0])[0], DOUBTFUL, sure(SHEET[0])[2])
    calls = calls_of_game([SideRead("mine", mine), *game_of(SHEET, 8)])[0]
    said = read(mine, calls)
    assert read(mine, SideCalls())[1]["corner"] < 0.75 and said[1]["corner"] > 0.9
    assert all(abs(sum(man.values()) - 1.0) < 1e-9 for man in said)
    alone = calls_of_game([SideRead("mine", mine), *game_of(SHEET[1:], 12)])[0]
    assert read(mine, alone)[1]["corner"] < 0.75  # the call was never run elsewhere


def test_more_repeats_say_more() -> None:
    mine = (sure(("hitch", "corner"))[0], DOUBTFUL)
    sheet = (("hitch", "corner"), ("slant", "wheel"), ("curl", "out"))
    told = [
        read(mine, calls_of_game([SideRead("mine", mine), *game_of(sheet, times)])[0])[1]["corner"]
        for times in (0, 1, 4, 12)
    ]
    assert told[0] < told[1] < told[2] < told[3] < 1.0
    assert told[3] > 1.0 - 0.5 * (1.0 - told[0])  # half of the doubt is gone


def test_a_play_alone_is_read_as_ever() -> None:
    both_sides = [SideRead("p", sure(SHEET[0])), SideRead("p", sure(SHEET[0]))]
    assert calls_of_game(both_sides) == [SideCalls(), SideCalls()]
    assert SideCalls().ratio(("slant", "flat")) == 1 - CALLS_COUNT + CALLS_COUNT * shipped().ratio(
        ("slant", "flat")
    )
    assert calls_of_game([]) == [] and SideCalls(0.8, 0.1).ratio(("go",)) == 1.0


def test_sides_of_which_nothing_is_likely_say_nothing_and_hinder_nothing() -> None:
    flat = {r: 1.0 / len(LABELS) for r in LABELS}
    blank = [SideRead(f"b{k}", (flat, {"go": 0.0}, {})) for k in range(4)]
    assert [c.table for c in calls_of_game(blank)] == pytest.approx([CALLS_COUNT] * 4)
    mine, game = mine_of(DOUBTFUL), game_of(SHEET, 8)
    for others in ([], [game_of(SHEET, 6)]):
        plain = calls_of_game([mine, *game], elsewhere=calls_elsewhere(others))
        theirs = calls_elsewhere([*others, blank] if others else [])
        beside = calls_of_game([mine, *game, *blank], elsewhere=theirs)
        assert beside[0].old == pytest.approx(plain[0].old) and plain[0].old
        assert read(blank[0].men, beside[-1]) == [dict(man) for man in blank[0].men]


def test_a_play_says_nothing_of_itself() -> None:
    others = game_of(SHEET, 6)
    twice = [SideRead("mine", sure(("go", "screen", "in"))), SideRead("mine", sure(("in", "go", "screen")))]
    one, two = (calls_of_game([mine, *others])[0] for mine in twice)
    for routes in (*SHEET, ("go", "screen", "in"), ("in", "go", "screen")):
        assert abs(one.ratio(routes) - two.ratio(routes)) < 1e-9
    both = calls_of_game([*twice, *others])[0]  # nor does the play's other side
    assert abs(both.ratio(("in", "go", "screen")) - one.ratio(("in", "go", "screen"))) < 1e-3
    twin = calls_of_game([twice[0], SideRead("another", twice[1].men), *others])[0]
    assert twin.ratio(("in", "go", "screen")) > 10 * both.ratio(("in", "go", "screen"))


def test_men_who_share_no_call_keep_their_names() -> None:
    doubtful = [SideRead(f"d{k}", ({a: 0.6, b: 0.4}, {c: 1.0}))
                for k, (a, b, c) in enumerate((("go", "post", "out"), ("in", "curl", "hook")))]  # fmt: skip
    for seed in range(4):
        calls = calls_of_game([*doubtful, *strangers(60, seed)])
        assert max(sum(c.old.values()) for c in calls) < 2.0
        for side, known in zip(doubtful, calls, strict=False):
            said = read(side.men, known)[0]
            assert abs(max(said.values()) - 0.6) < 0.12 and max(said, key=lambda r: said[r]) in side.men[0]


def test_how_much_the_general_table_counts_is_learnt() -> None:
    rng = np.random.default_rng(3)
    sets = [s for s in shipped().sets if len(s) == 2]
    share = np.array([shipped().sets[s] for s in sets])
    drawn = rng.choice(len(sets), 40, p=share / share.sum())
    by_table = calls_of_game([SideRead(k, sure(sets[i], 0.7)) for k, i in enumerate(drawn)])
    apart = calls_of_game(strangers(40, 5))
    assert min(c.table for c in by_table) > CALLS_COUNT + 0.1
    assert max(c.table for c in apart) < CALLS_COUNT - 0.1


def test_a_corrected_route_of_another_play_is_better_evidence_than_a_reading() -> None:
    unsure = ({"comeback": 0.6, "curl": 0.4}, {"corner": 0.6, "post": 0.4}, {"angle": 0.6, "swing": 0.4})
    certain = tuple({r: 1.0} for r in SHEET[0])
    mine = SideRead("mine", (sure(SHEET[0])[0], DOUBTFUL, sure(SHEET[0])[2]))
    rest = game_of(SHEET[1:], 8)

    def corner(others: tuple[dict[str, float], ...]) -> float:
        game = [mine, *rest, *(SideRead(f"o{k}", others) for k in range(4))]
        return read(mine.men, calls_of_game(game)[0])[1]["corner"]

    assert corner(certain) > corner(unsure) + 0.02


def pool_of(names: tuple[str, ...], doubt: float) -> Pool:
    """Men of each route: every second one is taken for the next route of the list, by a little."""
    rows = np.zeros((10 * len(names), len(names)))
    for k in range(len(rows)):
        own, other = k // 10, (k // 10 + 1) % len(names)
        share = 0.5 - doubt if k % 2 else 0.9
        rows[k, own], rows[k, other] = share, 1.0 - share
    return Pool(names, rows, {r: np.arange(10 * k, 10 * k + 10) for k, r in enumerate(names)})


def test_made_games_with_a_call_sheet_gain_and_others_lose_nothing() -> None:
    pool = pool_of(("go", "post", "corner", "out", "in", "slant", "curl", "flat"), 0.05)
    by_sheet, blindly = (judge(kind, 2, 40, pool, 5) for kind in ("sheet, own", "blindly"))
    gains = [np.mean(c.right["after"]) - np.mean(c.right["before"]) for c in (by_sheet, blindly)]
    assert np.mean(by_sheet.right["before"]) < 0.7  # half of the men look like another route
    assert gains[0] > 0.12 and gains[1] > -0.03
    assert "sides all right" in by_sheet.text() and len(by_sheet.right["after"]) == len(
        by_sheet.chance["before"]
    )


def mine_of(doubt: dict[str, float]) -> SideRead:
    return SideRead("mine", (sure(SHEET[0])[0], doubt, sure(SHEET[0])[2]))


def test_other_games_of_the_offense_say_what_it_calls() -> None:
    """A call that this game saw once; what the sheet's other calls are alike for."""
    mine, game = mine_of(DOUBTFUL), game_of(SHEET[1:], 6)
    said = []
    for games in ([], [game_of(SHEET, 6)], [game_of(SHEET, 6)] * 3):
        calls = calls_of_game([mine, *game], elsewhere=calls_elsewhere(games))[0]
        said.append(read(mine.men, calls)[1]["corner"])
    assert said[0] < 0.75 and said[0] + 0.08 < said[1] < said[2] and said[2] > 0.9


def test_games_that_have_nothing_in_common_change_nothing() -> None:
    mine, game = mine_of({"corner": 0.6, "post": 0.4}), game_of(SHEET, 8)
    others = [[SideRead(k, sure(("go", "screen", "in"), 0.95)) for k in range(30)], strangers(40, 1, men=3)]
    alone = calls_of_game([mine, *game])
    beside = calls_of_game([mine, *game], elsewhere=calls_elsewhere(others))
    for a, b in zip(alone, beside, strict=True):
        for call in SHEET:
            assert abs(a.ratio(call) / b.ratio(call) - 1.0) < 0.02
    assert beside[0].ratio(("go", "screen", "in")) < 0.1 * beside[0].ratio(SHEET[0])


def test_an_other_game_counts_as_far_as_it_foretells_this_one() -> None:
    """Two coordinators: one game of this one's sheet does not drown in four of another's."""
    mine, game = mine_of(DOUBTFUL), game_of(SHEET[1:], 20)
    new = (("hook", "in", "out"), ("go", "screen", "in"), ("slant", "post", "flat"))
    mixed, like = (
        calls_of_game([mine, *game], elsewhere=calls_elsewhere([*[game_of(new, 6)] * n, game_of(SHEET, 6)]))
        for n in (4, 0)
    )
    assert read(mine.men, mixed[0])[1]["corner"] > read(mine.men, like[0])[1]["corner"] - 0.03
    assert mixed[0].ratio(SHEET[0]) > 20.0  # 3 where all other games count alike


def test_other_games_are_counted_whatever_their_order_and_without_a_play_of_ones_own() -> None:
    games = [game_of(SHEET, 3), strangers(20, 2), strangers(20, 4, men=3), []]
    plain, turned = (calls_of_game([mine_of(DOUBTFUL)], elsewhere=calls_elsewhere(g)) for g in
                     (games, games[::-1]))  # fmt: skip
    assert plain[0].old and plain[0].table == pytest.approx(turned[0].table)
    assert plain[0].old == pytest.approx(turned[0].old)
    assert calls_of_game([mine_of(DOUBTFUL)], elsewhere=calls_elsewhere([])) == [SideCalls()]
    single = SideRead("one", sure(("go",)))
    assert calls_of_game([single], elsewhere=calls_elsewhere(games))[0].ratio(("go",)) == 1.0


def test_a_corrected_route_of_another_game_is_better_evidence_than_a_reading() -> None:
    unsure = ({"comeback": 0.6, "curl": 0.4}, {"corner": 0.6, "post": 0.4}, {"angle": 0.6, "swing": 0.4})
    certain = tuple({r: 1.0} for r in SHEET[0])
    mine, game = mine_of(DOUBTFUL), game_of(SHEET[1:], 6)

    def corner(theirs: tuple[dict[str, float], ...]) -> float:
        other = [*game_of(SHEET[1:], 6), *(SideRead(f"o{k}", theirs) for k in range(5))]
        calls = calls_of_game([mine, *game], elsewhere=calls_elsewhere([other]))[0]
        return read(mine.men, calls)[1]["corner"]

    assert corner(certain) > corner(unsure) + 0.02


def test_made_seasons_with_a_sheet_gain_and_others_lose_nothing() -> None:
    pool = pool_of(("go", "post", "corner", "out", "in", "slant", "curl", "flat"), 0.05)
    same, own = (judge_season("sheet, own", shared, 2, 4, 12, pool, 5) for shared in
                 ("same sheet", "a sheet each game"))  # fmt: skip
    gains = [np.mean(c.right["after"]) - np.mean(c.right["before"]) for c in (same, own)]
    assert gains[0] > 0.03 and gains[1] > -0.01
    assert [share(2, 4) for share in SHARED.values()] == [0.0, 0.3, 1.0, 1.0]
