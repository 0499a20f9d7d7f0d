"""Officials told by their dress among the men of one picture; painted men, colours described as on film."""

from __future__ import annotations

import numpy as np
import pytest
from test_kit_colour import a_picture

from models.detector.band import detect_still
from models.detector.colour import describe_colour
from models.detector.detector import Boxes
from models.detector.kits import BALL, OFFICIAL, PLAYER, dressed_as_officials, official_share, with_kits

Dress = tuple[tuple[int, int, int], tuple[int, int, int], tuple[int, int, int]]
RED: Dress = ((40, 40, 200), (30, 30, 190), (200, 200, 200))
BLUE: Dress = ((200, 90, 30), (190, 70, 20), (40, 40, 40))
CREW: Dress = ((20, 20, 20), (225, 225, 225), (15, 15, 15))


def found(corners: np.ndarray, kinds: list[int], confidence: float = 0.8) -> Boxes:
    return Boxes(
        corners.astype(np.float32), np.full(len(kinds), confidence, np.float32), np.array(kinds, np.uint8)
    )


GAME = [RED] * 5 + [BLUE] * 5 + [CREW] * 4


def test_a_player_in_the_crews_dress_becomes_an_official() -> None:
    picture, corners = a_picture(GAME)
    kinds = [PLAYER] * 10 + [OFFICIAL] * 3 + [PLAYER]
    out = with_kits(picture, found(corners, kinds))
    assert out.kind.tolist() == [PLAYER] * 10 + [OFFICIAL] * 4
    assert (
        np.array_equal(out.xyxy_px, corners.astype(np.float32)) and (out.confidence == np.float32(0.8)).all()
    )


def test_who_is_not_dressed_so_stays_and_officials_never_become_players() -> None:
    picture, corners = a_picture([RED] * 5 + [BLUE] * 6 + [CREW] * 3)
    kinds = [PLAYER] * 10 + [OFFICIAL] * 4  # the sixth blue man is called an official: he stays one
    assert with_kits(picture, found(corners, kinds)).kind.tolist() == kinds


@pytest.mark.parametrize("crew", [[PLAYER] * 4, [OFFICIAL] + [PLAYER] * 3])
def test_without_witnesses_or_against_most_of_them_nothing_changes(crew: list[int]) -> None:
    """No official seen at all; one among three men in the same dress (a white team, then)."""
    picture, corners = a_picture(GAME)
    kinds = [PLAYER] * 10 + crew
    assert with_kits(picture, found(corners, kinds)).kind.tolist() == kinds


def test_faint_boxes_and_a_second_box_on_the_same_man_are_no_witnesses() -> None:
    picture, corners = a_picture(GAME)
    kinds = np.array([PLAYER] * 13 + [OFFICIAL], np.uint8)
    weak = Boxes(corners.astype(np.float32), np.where(kinds == OFFICIAL, 0.3, 0.8).astype(np.float32), kinds)
    assert np.array_equal(with_kits(picture, weak).kind, kinds)
    lone = np.concatenate([corners[:11], corners[10:11] + 1])
    twice = found(lone, [PLAYER] * 11 + [OFFICIAL])
    assert with_kits(picture, twice).kind.tolist() == [PLAYER] * 11 + [OFFICIAL]


def test_balls_and_unseen_colours_are_left_alone() -> None:
    picture, corners = a_picture(GAME)
    kinds = [PLAYER] * 9 + [BALL] + [OFFICIAL] * 3 + [PLAYER]
    assert with_kits(picture, found(corners, kinds)).kind.tolist() == [*kinds[:13], OFFICIAL]
    colour = describe_colour(picture, corners)
    colour[13] = np.nan
    assert not dressed_as_officials(found(corners, [PLAYER] * 10 + [OFFICIAL] * 3 + [PLAYER]), colour).any()
    nobody = Boxes(np.zeros((0, 4), np.float32), np.zeros(0, np.float32), np.zeros(0, np.uint8))
    assert len(with_kits(picture, nobody)) == 0


def test_stills_are_read_so() -> None:
    picture, corners = a_picture(GAME, tall=150)

    class Eye:
        def detect(self, pictures: list[np.ndarray], least: float = 0.05, width: int = 0) -> list[Boxes]:
            return [found(corners, [PLAYER] * 10 + [OFFICIAL] * 3 + [PLAYER])]

        def input_width_px(self) -> int:
            return 1280

    assert detect_still(Eye(), picture).kind.tolist() == [PLAYER] * 10 + [OFFICIAL] * 4  # type: ignore[arg-type]


def test_a_man_in_doubt_needs_less_dress_to_be_an_official() -> None:
    """Three in the crew's dress, one an official, two players; about one of these the looks differ."""
    picture, corners = a_picture([*GAME[:10], CREW, CREW, CREW])
    boxes = found(corners, [PLAYER] * 10 + [OFFICIAL, PLAYER, PLAYER])
    assert with_kits(picture, boxes).kind.tolist() == [PLAYER] * 10 + [OFFICIAL, PLAYER, PLAYER]
    chance = np.zeros((13, 4))
    chance[:, PLAYER], chance[10], chance[11] = 0.8, [0.1, 0.7, 0, 0], [0.5, 0.3, 0, 0]
    share = official_share(chance)
    assert share[[0, 10, 11]].tolist() == pytest.approx([0, 0.875, 0.375])
    out = with_kits(picture, boxes, share)
    assert out.kind.tolist() == [PLAYER] * 10 + [OFFICIAL, OFFICIAL, PLAYER]
