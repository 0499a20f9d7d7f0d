"""A set to label routes on, for the researcher: one CSV, one diagram a play, clip and seconds to look at;
and the labels back in as corrections."""

from __future__ import annotations

import getpass
from pathlib import Path

import numpy as np
import pandas as pd

from vision.charting import _read
from vision.questions import words
from vision.sheets.build import play_figures
from vision.sheets.page import safe
from vision.store import Season
from vision.trouble import SheetTrouble, Trouble

UNSURE = 0.6
NOTE = """Fill in the column `route` of labels.csv. Leave it blank where you cannot tell; write unknown where
the route has no name. Names: {routes}. Times are seconds from the clip's first frame. Then run
`underneath labels --read labels.csv`.
"""


def write_labels(season: Season, folder: Path, unsure: bool) -> int:
    """Write labels.csv, README.txt and diagrams/*.svg; returns the number of routes. Labels a person gave
    already stand in the column `route`."""
    found = season.frame("receivers")
    if unsure:
        keep = (found["route_source"] != "corrected") & (
            (found["probability"] < UNSURE) | (found["route"] == "unknown")
        )
        found = found[keep].sort_values("probability")
    if not len(found):
        raise Trouble(
            "there is no route to label" + (" that is unsure" if unsure else ""), "process film first"
        )
    plays = season.table("plays").set_index("play_id")
    clips = season.table("clips")
    clips = clips[clips["view"] != "endzone"].drop_duplicates("play_id").set_index("play_id")["path"]
    given = found["route_source"] == "corrected"
    table = pd.DataFrame({
        "play_id": found["play_id"], "player_id": found["receiver_id"],
        "route": np.where(given, found["route"], ""), "suggestion": found["route"],
        "probability": found["probability"].round(3), "runner_up": found["runner_up"],
        "receiver": [f"{s} {int(n)}" if n == n and s else "" for s, n in
                     zip(found["side"], found["receiver_number"], strict=True)],
        "clip": [clips.get(p, "") for p in found["play_id"]],
        "snap_s": [plays["snap_s"].get(p) for p in found["play_id"]],
        "throw_s": [plays["throw_s"].get(p) for p in found["play_id"]],
        "diagram": [f"diagrams/{safe(p)}.svg" for p in found["play_id"]], "game_id": found["game_id"],
    })  # fmt: skip
    (folder / "diagrams").mkdir(parents=True, exist_ok=True)
    ids = list(dict.fromkeys(found["play_id"]))
    for play_id, figure in zip(ids, play_figures(season, ids), strict=True):
        (folder / "diagrams" / f"{safe(play_id)}.svg").write_text(figure["svg"], encoding="utf-8")
    table.to_csv(folder / "labels.csv", index=False)
    (folder / "README.txt").write_text(NOTE.format(routes=", ".join(words.ROUTES)), encoding="utf-8")
    return len(table)


def read_labels(season: Season, path: Path, who: str | None) -> tuple[int, list[str]]:
    """Store filled-in labels as corrections; returns how many, and one line per row that was not taken.
    Rows whose label is stored already are passed over."""
    header, lines = _read(path, "label file")
    if not {"play_id", "player_id", "route"} <= set(header):
        raise SheetTrouble(
            f"{path}: needs the columns play_id, player_id, route; found {', '.join(header)}",
            "label the file that `underneath labels` wrote",
        )
    known = season.frame("receivers").set_index(["play_id", "receiver_id"])[["route", "route_source"]]
    who, taken, remarks = who or getpass.getuser(), 0, []
    with season.correcting() as correct:
        for number, line in enumerate(lines, 2):
            row = dict(zip(header, line, strict=False))
            try:
                label = _route_of(row.get("route"))
                if not label:
                    continue
                key = (row["play_id"], row["player_id"])
                stored = tuple(known.loc[key]) if key in known.index else None
                if stored != (label, "corrected"):
                    correct(key[0], f"routes.route/{key[1]}", label, who)
                    taken += 1
            except Trouble as trouble:
                remarks.append(f"{path.name} line {number}: {trouble}")
    return taken, remarks


def _route_of(label: str | None) -> str:
    """The one route that a label names, '' where there is none. Raises Trouble."""
    label = (label or "").strip()
    routes = words.routes([label]) if label else [""]
    if len(routes) != 1:
        raise Trouble(f"{label!r} means several routes", f"one of {', '.join(routes)}")
    return routes[0]
