"""The next offense: what it runs from where, and what tips it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from vision.questions.found import completions, gained, thrown
from vision.questions.intervals import Share, mean_of

IN_BREAKING = ("in", "slant", "post", "curl", "hook", "shallow_cross", "deep_cross", "angle")
OUT_BREAKING = ("out", "corner", "comeback", "flat", "swing", "wheel")
NO_COMBINATION = ("", "none", "single", "unknown")
"""What a side is called on which no two receivers combined."""
PLACES = ("first", "second", "third")
LEAST_RUN = 4
"""A tendency is listed from four routes on; below, any share is chance."""


def tips(found: pd.DataFrame) -> pd.DataFrame:
    """Which splits tip which routes: one row per landmark and receiver number.

    Columns: split, number, run, most run, share of the most run, in-breaking, out-breaking (shares with
    intervals) and lift: the share of the most run route over its share from all splits. Surest first: in the
    order of the lower end of that share over the share from all splits.
    """
    known = found[~found["route"].isin(["unknown", "block"]) & found["landmark"].notna()]
    overall = known["route"].value_counts(normalize=True)
    rows = []
    for (landmark, number), group in known.groupby(["landmark", "receiver_number"]):
        n = len(group)
        if n < LEAST_RUN:
            continue
        route, times = group["route"].value_counts().index[0], int(group["route"].value_counts().iloc[0])
        rows.append(
            {
                "split": landmark,
                "number": f"#{int(number)}",
                "run": n,
                "most run": route,
                "share": Share(times, n),
                "in-breaking": Share(int(group["route"].isin(IN_BREAKING).sum()), n),
                "out-breaking": Share(int(group["route"].isin(OUT_BREAKING).sum()), n),
                "lift": times / n / float(overall[route]),
            }
        )
    columns = ["split", "number", "run", "most run", "share", "in-breaking", "out-breaking", "lift"]
    table = pd.DataFrame(rows, columns=columns)
    sure = [
        share.interval[0] / float(overall[route])
        for share, route in zip(table["share"], table["most run"], strict=True)
    ]
    return table.iloc[np.argsort(sure)[::-1]].reset_index(drop=True)


def tendency(found: pd.DataFrame, by: str, what: str, least: int = LEAST_RUN) -> pd.DataFrame:
    """What comes out of each value of column `by`: the three most frequent values of `what`, with shares."""
    known = found[found[what].notna() & (found[what] != "unknown")]
    rows = []
    for key, group in known.groupby(by):
        if len(group) < least:
            continue
        row: dict[str, object] = {by: key, "n": len(group)}
        counts = group[what].value_counts()
        for place in range(3):
            if place < len(counts):
                row[PLACES[place]] = counts.index[place]
                row[f"share of {PLACES[place]}"] = Share(int(counts.iloc[place]), len(group))
        rows.append(row)
    columns = [by, "n", *(c for place in PLACES for c in (place, f"share of {place}"))]
    return pd.DataFrame(rows, columns=columns).sort_values("n", ascending=False, ignore_index=True)


def situations(found: pd.DataFrame) -> pd.DataFrame:
    """Passing by situation: throws, completed, yards a throw, time to throw, most thrown route."""
    rows = []
    for name, part in _situations(found):
        targets = thrown(part)
        if not len(targets):
            continue
        times = part.drop_duplicates("play_id")["time_to_throw_s"]
        rows.append(
            {
                "situation": name,
                "pass plays": part["play_id"].nunique(),
                "throws": len(targets),
                "completed": completions(targets),
                "yards a throw": mean_of(gained(targets)),
                "time to throw": mean_of(list(times), 2),
                "most thrown to": targets["route"].value_counts().index[0],
            }
        )
    return pd.DataFrame(rows)


def _situations(found: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    down, distance = found["down"], found["distance"]
    cases: Sequence[tuple[str, pd.Series]] = (
        ("all", pd.Series(True, index=found.index)),
        ("1st down", down == 1),
        ("2nd, 1–6", (down == 2) & (distance <= 6)),
        ("2nd, 7+", (down == 2) & (distance > 6)),
        ("3rd, 1–3", (down >= 3) & (distance <= 3)),
        ("3rd, 4–6", (down >= 3) & distance.between(4, 6, inclusive="both")),
        ("3rd, 7+", (down >= 3) & (distance > 6)),
        ("play action", found["play_action"].map(lambda v: v is not None and v == v and bool(v))),
    )
    return [(name, found[np.asarray(mask, dtype=bool)]) for name, mask in cases]


def formations(found: pd.DataFrame) -> pd.DataFrame:
    """Per formation: plays, the combinations run most, completed, yards a throw."""
    rows = []
    for name, group in found.groupby("formation"):
        sides = group.drop_duplicates(["play_id", "side"])["combination"]
        common = sides[sides.notna() & ~sides.isin(NO_COMBINATION)].value_counts()
        targets = thrown(group)
        rows.append(
            {
                "formation": name,
                "plays": group["play_id"].nunique(),
                "combinations": ", ".join(f"{k} {v}" for k, v in common.head(3).items()) or "–",
                "throws": len(targets),
                "completed": completions(targets),
                "yards a throw": mean_of(gained(targets)),
            }
        )
    columns = ["formation", "plays", "combinations", "throws", "completed", "yards a throw"]
    return pd.DataFrame(rows, columns=columns).sort_values("plays", ascending=False, ignore_index=True)
