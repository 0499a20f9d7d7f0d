"""Find receivers by the filters, with the defender beside each, and sum them up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from vision.questions import words
from vision.questions.defense import label
from vision.questions.filters import Asked, is_player, keep
from vision.questions.intervals import Share, mean_of
from vision.store import Season
from vision.trouble import QuestionTrouble

MEASURES = ("distance_yd", "cushion_yd", "inside_yd", "under_yd", "lane_yd", "sd_yd")
GROUPS = {
    "route": "route",
    "combination": "combination",
    "formation": "formation",
    "receiver": "jersey",
    "role": "role",
    "number": "receiver_number",
    "side": "side",
    "landmark": "landmark",
    "down": "down",
    "hash": "hash",
    "drop": "qb_drop",
    "defender": "defender_jersey",
    "leverage": "leverage",
    "game": "game_id",
    "offense": "offense",
    "result": "result",
    "play_action": "play_action",
}


def find(season: Season, ask: Asked) -> pd.DataFrame:
    """One row per receiver that fits, in the order of the film.

    Columns: those of the view `receivers`, then defender_id, defender (name to read) and
    distance_yd, cushion_yd, inside_yd, under_yd, lane_yd, sd_yd of the defender `ask.by` at `ask.moment`;
    across / along / leverage (words from those yards), cushion_snap_yd (same defender's kind at the snap),
    separation_arrival_yd, under_id, under_jersey, under_lane_yd (nearest underneath defender at the throw).
    """
    found = keep(season.frame("receivers"), ask)
    cover = season.frame("coverage", found["play_id"].unique().tolist())
    found = _beside(found, cover, ask)
    if ask.defender:
        found = found[
            [
                is_player(i, j, ask.defender)
                for i, j in zip(found["defender_id"], found["defender_jersey"], strict=True)
            ]
        ]
    if ask.leverage:
        wanted = set(ask.leverage)
        a, b = wanted & set(words.ACROSS), wanted & set(words.ALONG)
        found = found[(found["across"].isin(a) if a else True) & (found["along"].isin(b) if b else True)]
    order = found["play_number"].map(_natural)
    return (
        found.assign(_order=order)
        .sort_values(["game_id", "_order", "play_id", "side", "receiver_number"])
        .drop(columns="_order")
        .reset_index(drop=True)
    )


def _natural(value: object) -> float:
    digits = "".join(c for c in str(value) if c.isdigit())
    return float(digits) if digits else float("inf")


def _beside(found: pd.DataFrame, cover: pd.DataFrame, ask: Asked) -> pd.DataFrame:
    keys = ["play_id", "receiver_id"]
    one = cover[(cover["kind"] == ask.by) & (cover["moment"] == ask.moment)].drop_duplicates(keys)
    man = ["defender_jersey", "defender_role", "defender_lasting", "defender_name"]
    columns = [*keys, "defender_id", *man, *MEASURES]
    found = found.merge(one[columns], on=keys, how="left")
    for kind, moment, source, target in (
        (ask.by, "snap", "cushion_yd", "cushion_snap_yd"),
        (ask.by, "break", "cushion_yd", "cushion_break_yd"),
        ("nearest", "throw", "distance_yd", "separation_throw_yd"),
        ("nearest", "arrival", "distance_yd", "separation_arrival_yd"),
        ("underneath", "throw", "defender_id", "under_id"),
        ("underneath", "throw", "defender_jersey", "under_jersey"),
        ("underneath", "throw", "inside_yd", "under_inside_yd"),
        ("underneath", "throw", "under_yd", "under_under_yd"),
        ("underneath", "throw", "lane_yd", "under_lane_yd"),
    ):
        part = cover[(cover["kind"] == kind) & (cover["moment"] == moment)].drop_duplicates(keys)
        found = found.merge(part[[*keys, source]].rename(columns={source: target}), on=keys, how="left")
    found["defender"] = [
        label(jersey, role, lasting, name=name) if i is not None and i == i else None
        for i, jersey, role, lasting, name in zip(found["defender_id"], *(found[c] for c in man), strict=True)
    ]
    found["across"] = [words.across(v) for v in found["inside_yd"]]
    found["along"] = [words.along(v) for v in found["under_yd"]]
    found["leverage"] = [leverage_words(a, b) for a, b in zip(found["across"], found["along"], strict=True)]
    return found


def leverage_words(across: str, along: str) -> str:
    """'inside, underneath'; a dash when neither could be seen."""
    parts = [p for p in (across, along) if p != "–"]
    return ", ".join(parts) if parts else "–"


def thrown(found: pd.DataFrame) -> pd.DataFrame:
    """The rows whose receiver was the target."""
    return found[found["target"].fillna(False).astype(bool)]


def completions(targets: pd.DataFrame) -> Share:
    """Completed of thrown; throws with unknown result do not count."""
    known = targets[targets["result"].isin([*words.CAUGHT, "incomplete", "intercepted"])]
    return Share(int((known["result"].isin(words.CAUGHT)).sum()), len(known))


def summarise(found: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """One row per group: times run, thrown to, completed (share with 95 % interval), yards per throw, and
    means with intervals of cushion at the snap, inside and underneath yards, separation at the arrival.

    by: names out of `GROUPS`. Raises QuestionTrouble for another name.
    """
    for name in by:
        if name not in GROUPS:
            raise words.unknown("group", name, list(GROUPS))
    columns = [GROUPS[name] for name in by]
    if not columns:
        raise QuestionTrouble("nothing to group by", f"one or more of {', '.join(GROUPS)}")
    rows = []
    for key, group in found.groupby(columns, dropna=False, sort=False):
        targets = thrown(group)
        rows.append(
            {
                **dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True)),
                "run": len(group),
                "thrown to": len(targets),
                "completed": completions(targets),
                "yards a throw": mean_of(gained(targets)),
                "cushion at snap": mean_of(group["cushion_snap_yd"]),
                "inside": mean_of(group["inside_yd"]),
                "underneath": mean_of(group["under_yd"]),
                "separation at arrival": mean_of(targets["separation_arrival_yd"]),
            }
        )
    out = pd.DataFrame(
        rows,
        columns=[
            *by,
            "run",
            "thrown to",
            "completed",
            "yards a throw",
            "cushion at snap",
            "inside",
            "underneath",
            "separation at arrival",
        ],
    )
    return out.sort_values(["thrown to", "run"], ascending=False, ignore_index=True)


def gained(targets: pd.DataFrame) -> list[float]:
    """Yards of each throw with a known result: as charted when caught, 0 when not; NaN where not charted."""
    out = []
    for result, yards in zip(targets["result"], targets["yards"], strict=True):
        if result in ("incomplete", "intercepted"):
            out.append(0.0)
        elif result in words.CAUGHT:
            out.append(float(yards) if yards is not None else np.nan)
    return out
