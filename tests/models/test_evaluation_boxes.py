"""Boxes after tracking, counted on a picture worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.evaluation.boxes import OFFICIAL, PRECISION, RECALL, add_boxes
from models.evaluation.tally import Tally

COLUMNS = ["kind", "visible", "x0_px", "y0_px", "x1_px", "y1_px"]


def test_worked_example() -> None:
    true = pd.DataFrame(
        [
            ("player", 1.0, 100, 100, 120, 160),  # found
            ("player", 1.0, 200, 100, 220, 160),  # missed: our box is half beside him (IoU 1/3)
            (
                "player",
                0.1,
                300,
                100,
                320,
                160,
            ),  # too hidden to be asked for; our box on him counts neither way
            ("official", 1.0, 400, 100, 420, 160),  # taken for a player
            ("official", 1.0, 500, 100, 520, 160),
            ("player", 0.5, 700, 730, 720, 790),  # stands below the picture: not asked for
            ("other", 1.0, 600, 100, 620, 160),  # bench: a box on him is simply wrong
        ],
        columns=COLUMNS,
    ).assign(frame=0)
    found = pd.DataFrame(
        [
            [101, 100, 121, 160],
            [210, 100, 230, 160],
            [300, 100, 320, 160],
            [400, 102, 420, 160],
            [600, 100, 620, 160],
        ],
        columns=COLUMNS[2:],
    ).assign(frame=0, team="offense")
    found.loc[len(found)] = [500, 100, 520, 160, 0, "official"]
    tally = Tally()
    add_boxes(tally, found, true, (1280, 720))
    figures = tally.figures()
    assert figures[RECALL] == {"value": 1 / 2, "n": 2}
    assert figures[PRECISION] == {"value": 1 / 4, "n": 4}
    assert figures[OFFICIAL] == {"value": 1 / 2, "n": 2}


def test_no_box_and_no_man() -> None:
    tally = Tally()
    empty = pd.DataFrame(columns=[*COLUMNS, "frame"])
    add_boxes(tally, empty.assign(team=""), empty, (1280, 720))
    assert tally.figures() == {}
    one = pd.DataFrame([[0, 0, 10, 20, 0, "defense"]], columns=[*COLUMNS[2:], "frame", "team"])
    only_official = pd.DataFrame([["official", 1.0, 50, 0, 60, 20, 0]], columns=[*COLUMNS, "frame"])
    add_boxes(tally, one, only_official, (1280, 720))
    figures = tally.figures()
    assert figures[PRECISION]["value"] == 0 and figures[OFFICIAL]["value"] == 0
    assert np.isclose(figures[PRECISION]["n"], 1)
