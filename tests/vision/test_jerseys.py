"""Numbers voted over a clip, a team at a time, with and without rosters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from test_plays import paper_play

from calibration.standards import get_standard
from models.jerseys.crops import CROP_PX
from models.jerseys.reader import LOOK_COLUMNS, NUMBERS
from vision.jerseys import (
    LEAST_HEIGHT_PX,
    LOOKS_HZ,
    MISREAD,
    OTHER_UNIT,
    SURE,
    LookCollector,
    NumberLooks,
    chances_of_team,
    misread,
    name_numbers,
    rosters_of,
    with_evidence,
    worth_a_look,
)
from vision.number_roles import number_weights, renumbered
from vision.plays import understand_play
from vision.records import BALL, OFFICIAL, OTHER, PLAYER, Detections, Tracks
from vision.tracking.views import join_views


def look_at(number: int, sure: float = 0.9, seen: float = 0.95) -> np.ndarray:
    """A look that reads a number, each digit with a chance of `sure`."""
    out = np.full(LOOK_COLUMNS, np.log((1 - sure) / 9))
    out[0] = np.log(seen)
    out[1 + number // 10] = out[11 + number % 10] = np.log(sure)
    return out


def clip_of(men: Sequence[Sequence[np.ndarray | None]], teams: str) -> tuple[Tracks, NumberLooks, Detections]:
    """Men with one box a frame and a look (or None) at each."""
    p, t = len(men), len(men[0])
    frame = np.repeat(np.arange(t, dtype=np.int32), p)
    xyxy = np.tile(np.array([10, 10, 50, 110], np.float32), (p * t, 1))
    sure, kind, colour = (
        np.full(p * t, 0.9, np.float32),
        np.zeros(p * t, np.uint8),
        np.zeros((p * t, 0), np.float32),
    )
    detections = Detections(frame, xyxy, sure, kind, colour, np.arange(t) / 10, 640, 360)
    box = np.arange(p * t, dtype=np.int32).reshape(t, p).T
    rows = [(int(box[k, f]), look) for k in range(p) for f, look in enumerate(men[k]) if look is not None]
    rows.sort(key=lambda r: r[0])
    looks = NumberLooks(
        np.array([r[0] for r in rows], np.int32),
        np.array([r[1] for r in rows], np.float16).reshape(-1, LOOK_COLUMNS),
    )
    tracks = Tracks(
        tuple(f"{s}{k}" for k, s in enumerate(teams)), tuple(teams), np.zeros((p, t, 2)), np.zeros((p, t, 2)),
        np.full((p, t), 0.2), np.ones((p, t), bool), np.zeros((p, t), bool), np.arange(t) / 10, box_index=box,
    )  # fmt: skip
    return tracks, looks, detections


def test_only_players_large_and_whole_enough_are_looked_at() -> None:
    tall = LEAST_HEIGHT_PX + 10
    box = [100, 100, 130, 100 + tall]
    boxes = np.array(
        [box, box, box, [100, 100, 130, 100 + LEAST_HEIGHT_PX - 1], [-20, 100, 10, 100 + tall], box, box]
    )
    kind = np.array([PLAYER, OFFICIAL, BALL, PLAYER, PLAYER, OTHER, PLAYER])
    confidence = np.array([0.9, 0.9, 0.9, 0.9, 0.9, 0.9, 0.1])
    assert worth_a_look(boxes, confidence, kind, 640, 360).tolist() == [0, 5]


class Reader:
    """Counts what it is asked."""

    def __init__(self) -> None:
        self.asked: list[int] = []

    def look(self, bgr: np.ndarray, xyxy: np.ndarray) -> np.ndarray:
        self.asked.append(len(xyxy))
        return np.tile(xyxy[:, :1], (1, LOOK_COLUMNS))

    def read(self, crops: np.ndarray) -> np.ndarray:
        return np.zeros((0, LOOK_COLUMNS))


def test_looks_are_taken_a_few_times_a_second_and_keep_their_boxes() -> None:
    reader = Reader()
    collector = LookCollector(reader)  # type: ignore[arg-type]
    picture: np.ndarray = np.zeros((360, 640, 3), np.uint8)
    seconds, rate = 2.0, 30
    for f in range(int(seconds * rate)):
        boxes = np.array([[f, 10, f + 30, 110], [300, 10, 330, 20], [200, 10, 240, 110]], float)
        collector.add(f / rate, picture, boxes, np.full(3, 0.9), np.zeros(3))
    looks = collector.finish()
    assert len(reader.asked) == pytest.approx(seconds * LOOKS_HZ, abs=1) and set(reader.asked) == {2}
    frame = looks.box // 3
    assert (np.diff(looks.box) > 0).all() and set(looks.box % 3) == {0, 2}
    moving = looks.box % 3 == 0
    assert looks.looks[moving, 0].tolist() == frame[moving].tolist()
    assert LookCollector(Reader()).finish().looks.shape == (0, LOOK_COLUMNS)  # type: ignore[arg-type]


def test_weak_looks_add_up_and_one_alone_is_no_answer() -> None:
    weak = look_at(54, 0.6)
    tracks, looks, detections = clip_of([[weak] * 16, [weak] + [None] * 15], "AB")
    said = name_numbers(with_evidence(tracks, looks, detections))
    assert said.jersey == ("54", "")
    assert said.jersey_probability[0] > 0.9 and np.isnan(said.jersey_probability[1])


def test_looks_at_doubtful_moments_do_not_count() -> None:
    tracks, looks, detections = clip_of([[look_at(7, 0.97)] * 6], "A")
    doubtful = Tracks(**{**vars(tracks), "uncertain": np.ones((1, 6), bool)})
    assert not with_evidence(doubtful, looks, detections).number_evidence.any()
    assert with_evidence(tracks, looks, detections).number_evidence[0].argmax() == 7
    assert not with_evidence(tracks, None, detections).number_evidence.any()
    with pytest.raises(ValueError, match="looks: box"):
        with_evidence(tracks, looks, detections.select(np.arange(6) < 3))


def test_more_looks_never_count_as_more_than_four_of_their_kind() -> None:
    """Neighbouring frames err together: what is read wrongly once is read wrongly often."""
    look = look_at(31, 0.6)
    few, many = (with_evidence(*clip_of([[look] * n], "A")).number_evidence[0, 31] for n in (1, 200))
    assert few < many < 4.1 * few


def test_two_men_of_one_team_never_share_a_number() -> None:
    both = [[look_at(54, 0.9)] * 5, [look_at(54, 0.9)] * 5]
    alike = name_numbers(with_evidence(*clip_of(both, "AA")))
    assert alike.jersey == ("", "")  # nobody can say which of them it is
    assert name_numbers(with_evidence(*clip_of(both, "AB"))).jersey == ("54", "54")
    clear = [[look_at(54, 0.99)] * 6, [look_at(54, 0.5), look_at(51, 0.6), *[look_at(51, 0.9)] * 4]]
    assert name_numbers(with_evidence(*clip_of(clear, "AA"))).jersey == ("54", "51")


def test_a_roster_decides_between_numbers_that_look_alike() -> None:
    look = look_at(36, 0.5)
    look[11 + 8] = np.log(0.45)  # 36 or 38
    tracks = with_evidence(*clip_of([[look] * 6, [look_at(12, 0.95)] * 6], "AB"))
    assert name_numbers(tracks).jersey == ("", "12")
    lists = {"elm": {38: 1.0, 7: 1.0}, "oak": {12: 1.0, 60: 1.0}}
    said = name_numbers(tracks, lists)
    assert said.jersey == ("38", "12")
    # a number that is on nobody's list is still read when it is plain
    plain = with_evidence(*clip_of([[look_at(77, 0.99)] * 8, [look_at(12, 0.95)] * 6], "AB"))
    assert name_numbers(plain, lists).jersey == ("77", "12")


def test_known_numbers_stay_and_officials_get_none() -> None:
    tracks = with_evidence(*clip_of([[look_at(22, 0.97)] * 6, [look_at(33, 0.97)] * 6], "AB"))
    given = Tracks(**{**vars(tracks), "jersey": ("99", ""), "team": ("A", "official")})
    assert name_numbers(given).jersey == ("99", "")


def test_chances_sum_to_one_and_follow_the_list() -> None:
    evidence = np.random.default_rng(0).normal(0, 3, (11, NUMBERS))
    chance = chances_of_team(evidence, {4: 1.0, 9: 1.0, 50: 1.0})
    assert chance.shape == (11, NUMBERS)
    assert chance.sum(1) == pytest.approx(np.ones(11))
    none = chances_of_team(np.zeros((1, NUMBERS)), {4: 1.0, 9: 0.5})[0]
    assert none[[4, 9]].sum() == pytest.approx(0.97)
    assert none[4] == pytest.approx(2 * none[9])


def test_one_digit_alone_is_never_quite_sure() -> None:
    """A 7 seen ever so often may be half of 17 or 74; a roster without such numbers makes it sure."""
    sevens = [[look_at(7, 0.99, 0.99)] * 30]
    tracks, looks, detections = clip_of(sevens, "A")
    evidence = with_evidence(tracks, looks, detections).number_evidence
    open_to_all = chances_of_team(evidence, None)[0]
    assert open_to_all.argmax() == 7 and 0.85 < open_to_all[7] < 0.95
    assert open_to_all[17] == pytest.approx(open_to_all[74], rel=0.01)
    listed = chances_of_team(evidence, {7: 1.0, 20: 1.0, 35: 1.0})[0]
    assert listed[7] > 0.98


def test_rosters_of_the_two_teams_on_the_sheet() -> None:
    rows = [
        {"team": "Elm", "jersey": 7.0, "position": "QB"}, {"team": "Oak ", "jersey": 8},
        {"team": "Ash", "jersey": 9}, {"team": "Elm", "jersey": float("nan")},
        {"team": "Elm", "jersey": 50, "position": "LB"}, {"team": "Elm", "jersey": 51, "position": "K"},
        {"team": "Elm", "jersey": 7, "position": "CB"},
    ]  # fmt: skip
    elm = {7: 1.0, 50: OTHER_UNIT, 51: 1.0}  # 7 is worn by two men, one of them of the offense
    assert rosters_of(rows, {"offense": "ELM", "defense": "oak"}) == {"elm": elm, "oak": {8: 1.0}}
    assert rosters_of(rows)["elm"] == {7: 1.0, 50: 1.0, 51: 1.0}
    assert set(rosters_of(rows, {"offense": "Elm"})) == {"elm", "oak", "ash"}
    assert rosters_of([], None) == {}


def test_crops_are_square() -> None:
    assert CROP_PX % 8 == 0  # three halvings


def test_two_views_add_their_evidence() -> None:
    """What the sideline film half shows and what the end zone film half shows is one answer together."""
    rng = np.random.default_rng(3)
    p, t = 8, 20
    start, speed = rng.uniform([20, 5], [60, 45], (p, 2)), rng.normal(0, 3, (p, 2))
    at_s = np.arange(t) / 10
    xy = start[:, None] + speed[:, None] * at_s[:, None]
    evidence = np.zeros((2, p, NUMBERS))
    evidence[:, 2, 61] = 6.0
    evidence[:, :, 60] = 1.0
    views = [
        Tracks(
            tuple(f"A{k}" for k in range(p)), ("A",) * p, xy, np.repeat(speed[:, None], t, 1),
            np.full((p, t), 0.2), np.ones((p, t), bool), np.zeros((p, t), bool), at_s, number_evidence=e,
        )
        for e in evidence
    ]  # fmt: skip
    assert name_numbers(views[0]).jersey[2] == ""
    joined = join_views(views[0], views[1], get_standard("ncaa")).tracks
    assert joined.number_evidence[2, 61] == pytest.approx(12.0)
    assert name_numbers(joined).jersey[2] == "61"


def test_one_digit_read_wrong_in_all_looks_leaves_a_doubt() -> None:
    """However many looks say 17: a roster on which only 47 stands beside numbers unlike it gives 47 a chance,
    and one that holds 17 is believed."""
    tracks = with_evidence(*clip_of([[look_at(17, 0.95)] * 60], "A"))
    said = np.exp(misread(tracks.number_evidence))[0]
    assert said.argmax() == 17
    for near in (47, 11):
        assert said[near] / said[17] == pytest.approx(MISREAD / 17 / (1 - MISREAD), rel=0.05)
    assert said[42] < 1e-3 * said[47] and said[7] < 1e-3 * said[47]  # two digits off; one digit alone
    chances = chances_of_team(misread(tracks.number_evidence), {47: 1.0, 60: 1.0})[0]
    assert chances[60] < 1e-3 and chances[47] > 0.3


def test_the_rules_say_who_wears_what() -> None:
    line, end, back = (number_weights(r, 1.0, "ncaa", {}) for r in ("OL", "WR", "S"))
    assert line[72] == 1.0 and line[41] < 0.1 and line[84] < 0.1  # NCAA 7-1-4-a-3
    assert end[72] < 0.1 and end[41] == end[84] == 1.0  # NCAA 7-3-3
    assert (back == 1.0).all() and (number_weights("", math.nan, "ncaa", {}) == 1.0).all()
    assert number_weights("OL", 0.5, "ncaa", {})[41] > 0.5  # a role only guessed at says less
    assert number_weights("OL", 1.0, "canadian", {})[41] == 1.0
    listed = number_weights("WR", 1.0, "nfl", {47: {"LB"}, 17: {"WR"}, 22: {"RB"}, 5: {"LB", "WR"}})
    assert listed[17] == listed[5] == 1.0 > listed[22] > listed[47]


def test_numbers_are_voted_on_again_when_the_roles_are_known() -> None:
    """A passer's number reads like 52 nearly as well as like 12, a receiver's as surely as anything: 17. A
    guard whose number is as likely as that stays open: linemen hide each other."""
    paper = paper_play()
    evidence = np.zeros((22, NUMBERS))
    guard, passer, receiver = (paper.index(i) for i in ("LG", "QB", "X"))
    evidence[passer, [52, 12]] = 30.0, 33.0
    evidence[guard, [42, 62]] = 30.0, 33.0
    evidence[receiver, 17] = 20.0
    tracks = name_numbers(replace(paper, number_evidence=evidence))
    assert [tracks.jersey[k] for k in (guard, passer, receiver)] == ["", "", "17"]
    play = understand_play(tracks, "ncaa")
    listed = ((62, "OL"), (17, "WR"), (12, "QB"), (42, "LB"), (52, "LB"))
    roster = [{"team": "X", "jersey": n, "position": p} for n, p in listed]
    roster += [{"team": "Y", "jersey": n, "position": "LB"} for n in (50, 51)]
    again = renumbered(play, roster, {"offense": "X", "defense": "Y"})
    men = {m.player_id: m for m in again.players}
    assert (men["QB"].jersey, men["X"].jersey, men["LG"].jersey) == ("12", "17", "")
    assert again.tracks.jersey[passer] == "12" and men["QB"].jersey_probability >= SURE
    assert renumbered(replace(play, kind="kick"), roster) == replace(play, kind="kick")
