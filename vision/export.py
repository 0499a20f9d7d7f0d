"""Everything out of the season as open files: Parquet or CSV with stable columns, and a clip index."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from vision.store import Season
from vision.store.columns import EXPORTED

KINDS = ("parquet", "csv")


def export_season(
    season: Season, folder: str | Path, kinds: Sequence[str] = ("parquet",), tables: Sequence[str] = ()
) -> dict[str, int]:
    """Write the tables (all, or those named) into `folder`; returns rows per table. `README.txt` there names
    the columns' frames and units."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    counts = {}
    for table in tables or EXPORTED:
        for kind in kinds:
            counts[table] = season.export_table(table, folder / f"{table}.{kind}", kind)
    (folder / "README.txt").write_text(NOTE, encoding="utf-8")
    return counts


def clip_index(season: Season, play_ids: Sequence[str] | None = None) -> pd.DataFrame:
    """One row per clip and play: where the file is, when the play starts, is snapped, thrown and ends in it,
    and what it was. Times in seconds from the clip's first frame; blank = not known."""
    report = season.clip_report()
    plays = season.table("plays").set_index("play_id")
    if play_ids is not None:
        order = {p: i for i, p in enumerate(play_ids)}
        report = report[report["play_id"].isin(order)]
        report = report.assign(_o=report["play_id"].map(order)).sort_values("_o").drop(columns="_o")
    extra = plays.reindex(report["play_id"])[
        ["end_s", "down", "distance", "formation", "left_combination", "right_combination", "yards"]
    ].reset_index(drop=True)
    extra = extra.rename(columns={"end_s": "whistle_s"})
    return pd.concat([report.reset_index(drop=True), extra], axis=1)


def write_index(index: pd.DataFrame, path: str | Path) -> None:
    """Write a clip index as CSV or JSON, by the name's ending."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix.lower() == ".json":
        rows = json.loads(index.to_json(orient="records"))
        path.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    else:
        index.to_csv(path, index=False)


NOTE = """Tables of one season: plays, players, tracks, routes, matchups, drops, cameras, clips, corrections.

Blank means not known; nothing is filled in by guess. Times ending in _s: in plays and clips from the first
frame of the play's first clip (from the table's own clock where there was no film); t_s in tracks and
matchups and break_s in routes from the snap. Frames count from 0 in the file. source: measured, charted,
corrected, estimated.

_field_yd: x along the field, 0 at one goal line, 100 (Canadian 110) at the other, growing to the right as the
sideline camera sees it; y from the sideline nearest that camera. _play_yd: depth beyond the line of
scrimmage, lateral from the ball's spot, + to the offense's right. inside_yd + = defender inside the receiver;
under_yd + = defender underneath him; cushion_yd = how far beyond the receiver the defender stands.

Measurements from film are estimates: they guide a look at the film and do not replace it, and they are no
basis for medical or return-to-play decisions. Film and data of people, minors above all, are private: keep
to the rules of school and conference on film exchange and consent.
"""
