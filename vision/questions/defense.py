"""Defenders: the drop, the read and the break of each, beside the rest of the unit and the trade's aims.

No mark out of a hundred: each measure is given in its own unit with n and interval. Where the trade names an
aim (common practice, no source) the share of plays that met it stands beside it; where it names none, the
unit's own middle (median of this season file) is the measure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from vision.questions.filters import Asked, is_player, keep
from vision.questions.intervals import Mean, Share, mean_of
from vision.questions.words import CAUGHT
from vision.store import Season

AIM_YD = (2.0, 3.0)
"""Inside and underneath a curl at the throw: 2 to 3 yd each (common practice)."""
SLACK_YD = 0.5
"""Allowed to either side of an aim: about the spread of a measured place."""
SETTLE_SLACK_S = 0.3
CHECKDOWN_DEPTH_YD = 5.0
NEAR_BALL_YD = 12.0
"""A reaction to the throw is asked of men this near to the ball when it arrives; others have other work."""
DEEP_DROP_YD = 10.0
"""A drop deeper than this at the throw is listed when the ball is completed short in front of it."""


@dataclass(frozen=True)
class Measure:
    """One column of a defender's line: part (drop, read, break), column of `drops`, unit, better direction
    (-1 smaller, +1 larger, 0 neither)."""

    name: str
    part: str
    column: str
    unit: str
    better: int
    digits: int = 1


MEASURES = (
    Measure("alignment depth", "drop", "start_depth_play_yd", "yd", 0),
    Measure("speed, first second", "drop", "first_second_speed_yd_per_s", "yd/s", 0),
    Measure("depth at the throw", "drop", "throw_depth_play_yd", "yd", 0),
    Measure("deepest", "drop", "deepest_play_yd", "yd", 0),
    Measure("settles after QB set", "read", "settle_after_s", "s", -1, 2),
    Measure("bite on play action", "read", "bite_pa_yd", "yd", -1),
    Measure("reaction to the throw", "break", "reaction_s", "s", -1, 2),
    Measure("break speed", "break", "break_speed_yd_per_s", "yd/s", 1),
    Measure("path efficiency", "break", "path_efficiency", "", 1, 2),
    Measure("distance at arrival", "break", "arrival_distance_yd", "yd", -1),
)


def drops(season: Season, ask: Asked) -> pd.DataFrame:
    """Rows of `defenders` that fit the filters, with settle_after_s and bite_pa_yd added."""
    data = keep(season.frame("defenders"), ask)
    several = data["defense"].nunique() > 1
    data = data.assign(role=usual_role(data))
    data = data.assign(
        settle_after_s=data["settle_s"] - data["qb_set_s"],
        bite_pa_yd=np.where(data["play_action"].fillna(False).astype(bool), data["bite_yd"], np.nan),
        defender=[
            label(*man)
            for man in zip(
                data["jersey"],
                data["role"],
                data["lasting_id"],
                data["defense"] if several else [None] * len(data),
                data["name"],
                strict=True,
            )
        ],
    )
    if ask.defender:
        data = data[
            [is_player(i, j, ask.defender) for i, j in zip(data["player_id"], data["jersey"], strict=True)]
        ]
    return data.reset_index(drop=True)


def usual_role(data: pd.DataFrame) -> pd.Series:
    """Each man's most frequent role, by team and number, so that one man has one line; where the number is
    not known, the role of the play."""
    roles = data["role"].copy()
    numbered = data[data["jersey"].notna() & data["role"].notna()]
    for _, group in numbered.groupby([numbered["defense"].fillna(""), numbered["jersey"]]):
        roles.loc[group.index] = group["role"].mode()[0]
    return roles


def label(jersey: object, role: object, lasting_id: object, team: object = None, name: object = None) -> str:
    """'#54 LB', with the name from the roster and the team's when given. Without a number: the id of a
    tracking table, which lasts from play to play; else only the role, which lumps the men whose number
    could not be read."""
    place = str(role) if _known(role) else "player"
    owner = f" ({team})" if _known(team) else ""
    if _known(jersey):
        called = f" {name}" if _known(name) else ""
        return f"#{int(jersey)} {place}{called}{owner}"  # type: ignore[call-overload]
    if _known(lasting_id):
        return f"{place} id {lasting_id}{owner}"
    return f"{place}, no number{owner}"


def _known(value: object) -> bool:
    return value is not None and value == value and value != ""


def lines(data: pd.DataFrame) -> pd.DataFrame:
    """One line per defender (by number and role): n and the mean with interval of each measure."""
    rows = []
    for name, group in data.groupby("defender", sort=False):
        row: dict[str, object] = {"defender": name, "drops": len(group)}
        for measure in MEASURES:
            row[measure.name] = mean_of(group[measure.column], measure.digits)
        row["settled with the QB"] = settled(group)
        rows.append(row)
    columns = ["defender", "drops", *(m.name for m in MEASURES), "settled with the QB"]
    return pd.DataFrame(rows, columns=columns).sort_values("drops", ascending=False, ignore_index=True)


def settled(group: pd.DataFrame) -> Share:
    """Plays on which he stopped no later than 0.3 s after the quarterback had set."""
    known = group["settle_after_s"].dropna()
    return Share(int((known <= SETTLE_SLACK_S).sum()), len(known))


def standing(data: pd.DataFrame, name: str, measure: Measure) -> str:
    """Where a defender's mean lies among the unit's means with n >= 3: 'best of 7', '5 of 7', ''."""
    if not measure.better:
        return ""
    means = {who: mean_of(group[measure.column]) for who, group in data.groupby("defender")}
    ranked = [(m.value * -measure.better, who) for who, m in means.items() if m.n >= 3]
    names = [who for _, who in sorted(ranked)]
    return f"{names.index(name) + 1} of {len(names)}" if name in names and len(names) > 1 else ""


def aim_on_curls(found: pd.DataFrame) -> Share:
    """Of curls and hooks with a measured underneath defender at the throw: those with him 2-3 yd inside and
    2-3 yd underneath (half a yard of slack)."""
    rows = found[found["route"].isin(["curl", "hook"])].dropna(subset=["under_inside_yd", "under_under_yd"])
    low, high = AIM_YD[0] - SLACK_YD, AIM_YD[1] + SLACK_YD
    met = rows["under_inside_yd"].between(low, high) & rows["under_under_yd"].between(low, high)
    return Share(int(met.sum()), len(rows))


def deep_and_short(data: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """Drops beyond 10 yd at the throw on plays completed to a target caught short of 5 yd."""
    short = found[
        found["result"].isin(CAUGHT)
        & found["target"].fillna(False).astype(bool)
        & (found["end_depth_play_yd"] < CHECKDOWN_DEPTH_YD)
    ]
    caught = short.set_index("play_id")
    rows = data[
        data["play_id"].isin(caught.index)
        & (data["throw_depth_play_yd"] > DEEP_DROP_YD)
        & data["role"].isin(["LB"])
    ]
    return rows.assign(
        route=[caught.loc[[p], "route"].iloc[0] for p in rows["play_id"]],
        caught_yards=[caught.loc[[p], "yards"].iloc[0] for p in rows["play_id"]],
    ).sort_values("throw_depth_play_yd", ascending=False)


def unit(data: pd.DataFrame) -> dict[str, Mean]:
    """Mean of every measure over all drops of the file."""
    return {m.name: mean_of(data[m.column], m.digits) for m in MEASURES}
