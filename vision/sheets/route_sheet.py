"""The sheet of routes: one panel a combination, one a receiver, and how often each was run and caught."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from vision.questions import Asked, find, summarise
from vision.questions.answers import notes_on
from vision.questions.scouting import NO_COMBINATION
from vision.sheets.concepts import STOPS, Run, combination_panel, receiver_panel, runs_of
from vision.store import Season
from vision.trouble import QuestionTrouble

MOST_COMBINATIONS, MOST_RECEIVERS, LEAST_RUNS = 12, 9, 3
TEXT = (
    "Combinations: drawn as on their most usual play, in straight legs; numbers count from the sideline; "
    "broken, in brackets: another route that man often runs there. Shade: where the paths of all plays ran. "
    "The sideline is on the right; the square is the ball."
)
RECEIVER_TEXT = (
    "Every panel starts at the receiver's place at the snap, his sideline on the right. Thicker: run more "
    "often. Dots: thrown to him, where he then was; filled: caught."
)


def routes_sheet(season: Season, ask: Asked) -> dict[str, Any]:
    """Content of the sheet. Raises QuestionTrouble when no route fits or no path can be placed."""
    from vision.sheets.build import Block, kicker, meta, table_block

    found = find(season, ask)
    found = found[~found["route"].isin(STOPS)]
    runs = runs_of(season, found)
    if not runs:
        raise QuestionTrouble(f"no route with a path fits: {ask.said()}", "ask for something wider")
    named, single = combination_figures(found, runs), receiver_figures(found, runs)
    blocks = []
    if named:
        blocks.append(Block("By combination", figures=named, three=True))
    if single:
        blocks.append(Block("By receiver", figures=single, three=True))
    blocks.append(table_block("Routes", summarise(found, ["route"]).drop(columns=["separation at arrival"])))
    blocks.append(Block("For the meeting", lines=True))
    plays = found["play_id"].nunique()
    return {
        "title": "Routes and combinations",
        "kicker": kicker(season, ask),
        "headline": f"{len(found)} routes on {plays} pass plays; {len(named)} combinations drawn.",
        "blocks": blocks,
        "notes": [TEXT, RECEIVER_TEXT, *notes_on(season, found)],
        "meta": meta(season),
    }


def combination_figures(
    found: pd.DataFrame, runs: list[Run], most: int = MOST_COMBINATIONS
) -> list[dict[str, str]]:
    """A panel and a caption of each named combination, the one run most first."""
    by_key = {(r.play_id, r.receiver_id): r for r in runs}
    known = found[found["combination"].notna() & ~found["combination"].isin(NO_COMBINATION)]
    deep = np.percentile([r.path[:, 0].max() for r in runs], 95) if runs else 20.0
    high = float(np.clip(np.ceil(deep) + 3, 20, 32))
    out: list[dict[str, str]] = []
    for name in known.groupby("combination")["play_id"].nunique().sort_values(ascending=False).index:
        rows = known[known["combination"] == name]
        mine = [by_key[k] for k in zip(rows["play_id"], rows["receiver_id"], strict=True) if k in by_key]
        if len(mine) < 2 or len(out) == most:
            continue
        out.append(
            {"svg": combination_panel(mine, str(name), high), "caption": caption(str(name), rows, "play")}
        )
    return out


def receiver_figures(
    found: pd.DataFrame, runs: list[Run], most: int = MOST_RECEIVERS
) -> list[dict[str, str]]:
    """A panel and a caption of each receiver: by number and offense where numbers are known, else by his
    place in the formation (#1, #2 ... from the sideline)."""
    by_key = {(r.play_id, r.receiver_id): r for r in runs}
    out: list[dict[str, str]] = []
    for name, rows in _receivers(found):
        mine = [by_key[k] for k in zip(rows["play_id"], rows["receiver_id"], strict=True) if k in by_key]
        if len(mine) >= LEAST_RUNS and len(out) < most:
            out.append({"svg": receiver_panel(mine, name), "caption": caption(name, rows, "route")})
    return out


def _receivers(found: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    numbers = found["jersey"].notna()
    if numbers.mean() >= 0.5:
        several = found["offense"].nunique() > 1
        groups = found[numbers].groupby(["offense", "jersey"], dropna=False)
        named = [
            (f"{offense + ' ' if several and isinstance(offense, str) else ''}#{int(jersey)}", rows)
            for (offense, jersey), rows in groups
        ]
        return sorted(named, key=lambda item: -len(item[1]))
    known = found[found["receiver_number"].notna() & (found["receiver_number"] > 0)]
    return [(f"#{int(number)} from the sideline", rows) for number, rows in known.groupby("receiver_number")]


def caption(name: str, rows: pd.DataFrame, what: str) -> str:
    """'smash: 7 plays; thrown to 3, caught 2, 31 yd'."""
    count = rows["play_id"].nunique() if what == "play" else len(rows)
    total = summarise(rows.assign(route="all"), ["route"]).iloc[0]
    words = f"{name}: {count} {what}{'s' if count != 1 else ''}"
    thrown = int(total["thrown to"])
    return (
        f"{words}; thrown to {thrown}, caught {total['completed'].hits}"
        if thrown
        else f"{words}; not thrown to"
    )
