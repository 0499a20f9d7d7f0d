"""Figures of one play beyond places and routes: what the passer did, combinations, numbers, officials.

Each is counted only where the truth holds it; a blank of the program counts as wrong unless the name of the
figure says "when answered".
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import pandas as pd

from models.evaluation.tally import Tally
from models.routes.labels import Taxonomy, load_taxonomy

ELIGIBLE = ("WR", "TE", "RB")
LEAST_SPLIT_YD = 1.0
"""A back behind the ball has no side and no number worth asking for."""


@cache
def twelve() -> Taxonomy:
    """The 12-class set other people label in."""
    return load_taxonomy("twelve")


def given(value: object) -> bool:
    """Whether a cell holds anything."""
    return value is not None and value == value and value != "" and value is not pd.NA


def answered(tally: Tally, name: str, found: object, true: object) -> None:
    """'<name> right' over all with a truth, and '<name> right when answered'."""
    if not given(true):
        return
    tally.hit(f"{name} right", given(found) and found == true)
    if given(found):
        tally.hit(f"{name} right when answered", found == true)


def score_passing(tally: Tally, found: pd.Series | None, true: pd.Series) -> None:
    """Drop type, play action and both sides' combinations of a true pass play."""
    ours = {} if found is None else found.to_dict()
    theirs = true.to_dict()
    answered(tally, "drop type", ours.get("qb_drop"), theirs.get("qb_drop"))
    said, truth = ours.get("play_action"), theirs.get("play_action")
    if given(truth):
        answered(tally, "play action", bool(said) if given(said) else None, bool(truth))
    for side in ("left", "right"):
        name = f"{side}_combination"
        answered(tally, "combination", ours.get(name), theirs.get(name))


def score_kind(tally: Tally, found: pd.Series | None, true: pd.Series) -> None:
    """Whether a run or kick is kept out of the pass tables and a pass kept in (an unknown kind stays in)."""
    truth = true.to_dict().get("kind")
    if not given(truth):
        return
    said = None if found is None else found.get("kind")
    tally.hit("run or kick told from pass", (said in ("run", "kick")) == (truth in ("run", "kick")))


def score_twelve(tally: Tally, answer: object, truth: str, finished: bool) -> None:
    """One route in the 12-class set; routes outside it are not asked. answer: a name of that set, or one
    of the trade."""
    wanted = twelve().mapping.get(truth)
    if wanted is None:
        return
    right = isinstance(answer, str) and wanted in (answer, twelve().mapping.get(answer))
    tally.hit("route right, 12 classes", right)
    if finished:
        tally.hit("route right, 12 classes (break run before the throw)", right)


def score_names(tally: Tally, found: pd.DataFrame, true: pd.DataFrame, names: Mapping[str, str]) -> None:
    """Receiver's side and number, and jersey numbers, of the men matched at the snap (`players` tables)."""
    ours = found.drop_duplicates("player_id").set_index("player_id").to_dict("index")
    for row in true.drop_duplicates("player_id").to_dict("records"):
        name = names.get(str(row["player_id"]))
        if name is None:
            continue
        man = ours.get(name, {})
        number, split = row.get("receiver_number"), row.get("split_yd")
        if row["role"] in ELIGIBLE and given(number) and given(split) and float(split) > LEAST_SPLIT_YD:
            said = man.get("receiver_number")
            right = given(said) and int(said) == int(number) and man.get("side") == row.get("side")
            tally.hit("receiver number and side right", right)
        if given(row.get("jersey")):
            said = man.get("jersey")
            tally.hit("jersey number answered", given(said))
            if given(said):
                tally.hit("jersey number right when answered", int(said) == int(row["jersey"]))
