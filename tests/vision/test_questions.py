"""The coach's questions against answers recomputed by hand from the tables, and scipy for the intervals."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from made_season import made_copy
from scipy import stats

from vision.coverage.relation import HEAD_UP_YD, LEVEL_YD
from vision.coverage.relation import leverage_words as their_words
from vision.questions import QUESTIONS, answer, asked, find, summarise, words
from vision.questions.defense import MEASURES, drops, lines, standing
from vision.questions.found import leverage_words
from vision.questions.intervals import Share, mean_of, t975
from vision.store import Season
from vision.trouble import QuestionTrouble


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return made_copy(tmp_path_factory.mktemp("q") / "made.season")


@pytest.mark.parametrize("hits,n", [(0, 5), (3, 7), (12, 12), (41, 97)])
def test_wilson_interval_against_scipy(hits: int, n: int) -> None:
    theirs = stats.binomtest(hits, n).proportion_ci(method="wilson")
    assert Share(hits, n).interval == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 10, 40])
def test_student_t_against_scipy(freedom: int) -> None:
    assert t975(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), abs=0.03)


def test_mean_interval_against_scipy_and_blanks() -> None:
    values = [2.0, 3.5, 1.0, 4.0, 2.5]
    low, high = stats.t.interval(0.95, 4, np.mean(values), stats.sem(values))
    ours = mean_of([*values, float("nan"), None])  # type: ignore[list-item]
    assert (ours.value - ours.half, ours.value + ours.half) == pytest.approx((low, high), abs=0.02)
    assert ours.n == 5 and str(mean_of([])) == "–" and str(mean_of([1.0, 2.0])) == "1.5 (n 2)"


def test_find_gives_exactly_the_rows_that_fit(season: Season) -> None:
    routes, plays = season.table("routes"), season.table("plays").set_index("play_id")
    passes = [p for p in plays.index if plays.loc[p, "kind"] == "pass"]
    expected = {
        (r.play_id, r.player_id)
        for r in routes.itertuples()
        if r.route in ("curl", "in") and r.play_id in passes and plays.loc[r.play_id, "down"] == 1
    }
    found = find(season, asked(route="curls, dig", down="1"))
    assert {(r.play_id, r.receiver_id) for r in found.itertuples()} == expected and expected


def test_runs_are_kept_out(season: Season) -> None:
    runs = set(season.table("plays").query("kind == 'run'")["play_id"])
    assert runs and not runs & set(find(season, asked())["play_id"])


def test_leverage_is_of_the_right_man_at_the_right_moment(season: Season) -> None:
    matchups = season.table("matchups")
    for by, moment in (("nearest", "throw"), ("underneath", "throw")):
        found = find(season, asked(by=by, moment=moment)).dropna(subset=["inside_yd"])
        assert len(found) > 15
        for row in found.head(25).itertuples():
            one = matchups[
                (matchups["play_id"] == row.play_id)
                & (matchups["receiver_id"] == row.receiver_id)
                & (matchups["kind"] == by)
                & (matchups["moment"] == moment)
            ]
            assert one["inside_yd"].iloc[0] == row.inside_yd and one["defender_id"].iloc[0] == row.defender_id


def test_leverage_words_are_those_of_the_measures() -> None:
    assert (words.HEAD_UP_YD, words.LEVEL_YD) == (HEAD_UP_YD, LEVEL_YD)
    for inside in (-2.0, -0.75, 0.0, 0.8, 3.0):
        for under in (-3.0, -1.0, 0.5, 1.1):
            assert leverage_words(words.across(inside), words.along(under)) == their_words(inside, under)


def test_route_words_are_those_of_the_classifier() -> None:
    from models.routes.labels import LABELS, UNKNOWN

    assert set(words.ROUTES) == {*LABELS, UNKNOWN}


def test_leverage_filter_and_target(season: Season) -> None:
    found = find(season, asked(leverage="inside, underneath", target=True))
    assert len(found) and (found["inside_yd"] > HEAD_UP_YD).all() and (found["under_yd"] > LEVEL_YD).all()
    assert found["target"].all()


def test_summary_counts(season: Season) -> None:
    everything = find(season, asked())
    table = summarise(everything, ["route"])
    assert table["run"].sum() == len(everything)
    targets = everything[everything["target"].fillna(False).astype(bool)]
    known = targets[targets["result"].isin(["complete", "touchdown", "incomplete", "intercepted"])]
    assert sum(s.n for s in table["completed"]) == len(known)
    assert sum(s.hits for s in table["completed"]) == known["result"].isin(["complete", "touchdown"]).sum()


@pytest.mark.parametrize("name", list(QUESTIONS))
def test_every_question_answers(season: Season, name: str) -> None:
    found = answer(season, name)
    assert found.title.endswith("?") and found.headline and found.tables and found.notes
    assert set(found.plays) <= set(season.table("plays")["play_id"])


def test_curls_answer_counts(season: Season) -> None:
    rows = find(season, asked(route="curl", target=True))
    caught = rows[rows["result"].isin(["complete", "touchdown"])]
    found = answer(season, "curls")
    assert len(found.tables["completed"]) == len(caught)
    assert f"run {len(find(season, asked(route='curl')))}" in found.headline


def test_corrected_route_moves_the_answer(season: Season, tmp_path: Path) -> None:
    copy = Season(tmp_path / "copy.season")
    copy.path.write_bytes(season.path.read_bytes())
    row = find(copy, asked(route="go")).iloc[0]
    before = len(find(copy, asked(route="curl")))
    copy.correct(row["play_id"], f"routes.route/{row['receiver_id']}", "curl")
    assert len(find(copy, asked(route="curl"))) == before + 1
    assert len(find(copy, asked(route="curl", sure=0.99))) >= 1  # a person's word is sure


def test_defenders(season: Season) -> None:
    data = drops(season, asked())
    table = lines(data)
    assert table["drops"].sum() == len(data)
    numbers = [d.split()[0] for d in table["defender"] if d.startswith("#")]
    assert len(numbers) == len(set(numbers)) > 5  # one line a man, whatever role he had on a play
    name = table["defender"].iloc[0]
    own = data[data["defender"] == name]["reaction_s"].dropna()
    assert table["reaction to the throw"].iloc[0].value == pytest.approx(own.mean())
    reaction = next(m for m in MEASURES if m.column == "reaction_s")
    places = [standing(data, who, reaction) for who in table["defender"]]
    assert sorted(int(p.split()[0]) for p in places if p) == list(range(1, len([p for p in places if p]) + 1))


@pytest.mark.parametrize(
    "given,words_",
    [
        ({"route": "curle"}, "Nearest: curl"),
        ({"result": "caugt"}, "caught|complete"),
        ({"by": "closest"}, "nearest"),
        ({"down": "third"}, "not a number"),
        ({"colour": "red"}, "filter 'colour'"),
        ({"sure": 3}, "probability"),
    ],
)
def test_unknown_words(given: dict, words_: str) -> None:
    with pytest.raises(QuestionTrouble, match=words_):
        asked(**given)


@pytest.mark.parametrize(
    "text,inside,outside",
    [
        ("3", [3], [2, 4]),
        ("7-10", [7, 10], [6, 11]),
        ("10+", [10, 99], [9]),
        ("1,3", [1, 3], [2]),
        ("-5--2", [-3], [-6, 0]),
    ],
)
def test_ranges(text: str, inside: list[float], outside: list[float]) -> None:
    import pandas as pd

    from vision.questions.filters import in_spans

    assert in_spans(pd.Series(inside), text).all() and not in_spans(pd.Series(outside), text).any()


def test_reading_half_never_loads_torch(season: Season) -> None:
    code = (
        "import sys; import vision.commands, vision.sheets.page, vision.sheets.build, vision.clips, "
        "vision.show, vision.export, vision.store, vision.sheets.labelling; "
        "bad = [m for m in ('torch', 'cv2', 'ultralytics', 'sklearn') if m in sys.modules]; print(bad)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip() == "[]"


def test_measures_do_not_fall_apart_in_a_sheet(season: Season, tmp_path: Path) -> None:
    """A value stays on one line with its interval; a table of many measures goes across the paper."""
    from vision.sheets.build import kept_together, write_sheet

    assert kept_together("6.7 ±1.2 (n 6)") == "6.7\u00a0±1.2 (n\u00a06)"
    assert kept_together("2/3 67 % (21–94)") == "2/3\u00a067\u00a0% (21–94)"
    assert kept_together("CB, no number (Fallowby)") == "CB, no number (Fallowby)"
    said = {}
    for what in ("defenders", "curls"):
        said[what] = write_sheet(season, what, tmp_path / f"{what}.html", asked()).read_text("utf-8")
    assert "size: letter landscape" in said["defenders"] and "n\u00a0" in said["defenders"]
    assert "size: letter;" in said["curls"]
