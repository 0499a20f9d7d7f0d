"""The season as a page: questions, filters, defenders, plays with film and diagram; no network, no server.

`index.html` holds everything but the play diagrams (`plays/*.svg`) and the film, which stays where it is.
Opened from disk it plays the film beside it; served (`serve`) it plays it through this machine only.
"""

from __future__ import annotations

import json
import math
import os
import re
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

import jinja2
import pandas as pd

from vision.clips import _stretch, default_title, locate
from vision.questions import QUESTIONS, Answer, Asked, answer, find
from vision.questions.answers import outcome, receiver_name, route_name, situation
from vision.questions.defense import drops, lines
from vision.sheets.build import LEVERAGE_TEXT, Block, play_figures, table_block
from vision.sheets.cautions import CAUTION
from vision.sheets.charts import drop_chart, leverage_chart
from vision.sheets.concepts import runs_of
from vision.sheets.route_sheet import combination_figures, receiver_figures
from vision.store import Season
from vision.trouble import Trouble

TABS = (("questions", "Questions"), ("find", "Find"), ("defenders", "Defenders"), ("plays", "Plays"),
        ("todo", "To do"))  # fmt: skip
MOST_CHIPS, MOST_DROP_CHARTS, MOST_COMBINATIONS, MOST_RECEIVERS = 24, 6, 9, 6


def write_page(season: Season, folder: str | Path, film_folder: str | None = None) -> Path:
    """Write the page into `folder`; returns the path of index.html. Raises Trouble for an empty season."""
    folder = Path(folder)
    plays = season.table("plays").set_index("play_id", drop=False)
    if not len(plays):
        raise Trouble(f"{season.path} holds no plays yet", "process some film first")
    (folder / "plays").mkdir(parents=True, exist_ok=True)
    for play_id, figure in zip(plays.index, play_figures(season, list(plays.index)), strict=True):
        (folder / "plays" / f"{safe(play_id)}.svg").write_text(figure["svg"], encoding="utf-8")
    found = find(season, Asked())
    content = {
        "name": season.path.stem, "counts": counts(season, plays), "tabs": TABS, "caution": CAUTION,
        "questions": [question(season, name) for name in QUESTIONS], "all_plays": play_table(plays),
        "todo": todo(season), **defenders(season),
        "data": embed({"receivers": receiver_records(found), "file": season.path.name,
                       "plays": play_records(season, plays, folder, film_folder)}),
    }  # fmt: skip
    room = resources.files("vision.sheets")
    style = room.joinpath("style.css").read_text("utf-8") + room.joinpath("page.css").read_text("utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.ChainableUndefined)
    template = environment.from_string(room.joinpath("page.html").read_text("utf-8"))
    html = template.render(**content, style=style, script=room.joinpath("page.js").read_text("utf-8"))
    path = folder / "index.html"
    path.write_text(html, encoding="utf-8")
    return path


def safe(play_id: object) -> str:
    """A play's id as a file name."""
    return re.sub(r"[^A-Za-z0-9_.-]+", "_", str(play_id))


def embed(value: object) -> str:
    """JSON that is safe inside a script element."""
    return (
        json.dumps(value, ensure_ascii=False, separators=(",", ":"))
        .replace("</", "<\\/")
        .replace("<!--", "<\\!--")
    )


def counts(season: Season, plays: pd.DataFrame) -> str:
    """Plays, pass plays, games, failures in one line."""
    report = season.clip_report()
    passes = int(plays["kind"].fillna("pass").isin(["pass", "unknown"]).sum())
    games = plays["game_id"].nunique()
    failed = int((report["status"] == "failed").sum())
    one = "play" if len(plays) == 1 else "plays"
    parts = [f"{len(plays)} {one}, {passes} of them passes", f"{games} game{'s' if games != 1 else ''}"]
    if failed:
        parts.append(f"{failed} clip{'s' if failed != 1 else ''} failed")
    return "; ".join(parts)


def question(season: Season, name: str) -> dict[str, Any]:
    """One standing question with its tables, chips and drawing."""
    found: Answer = answer(season, name)
    blocks = []
    for heading, table in found.tables.items():
        block = table_block(heading.capitalize(), table)
        key = next((c for c in ("play", "play_id") if c in table.columns), None)
        block.plays = [str(v) for v in table[key]] if key else []
        blocks.append(block)
    figures = []
    if name == "curls":
        figures = [{"svg": leverage_chart(find(season, Asked(route=("curl",))), "Leverage on curls"),
                    "caption": LEVERAGE_TEXT}]  # fmt: skip
    if name == "combinations":
        known = find(season, Asked())
        figures = combination_figures(known, runs_of(season, known), MOST_COMBINATIONS)
    if name == "scout":
        known = find(season, Asked())
        figures = receiver_figures(known, runs_of(season, known), MOST_RECEIVERS)
    chips = found.plays[:MOST_CHIPS] if name not in ("defenders", "scout") else []
    return {"title": found.title, "headline": found.headline, "blocks": blocks, "figures": figures,
            "plays": chips, "notes": found.notes}  # fmt: skip


def defenders(season: Season) -> dict[str, Any]:
    """The defenders' table and the drop charts of those with most drops."""
    data = drops(season, Asked())
    data = data[data["role"].isin(["LB", "S", "CB"])]
    table = lines(data)
    figures = []
    backers = data[data["role"] == "LB"]
    for name in backers["defender"].value_counts().index[:MOST_DROP_CHARTS]:
        mine = backers[backers["defender"] == name]
        caption = f"{name}: {len(mine)} drops; his mean strong, grey the unit's middle half"
        figures.append({"svg": drop_chart(mine, backers, f"Drops of {name}"), "caption": caption})
    return {"defenders": table_block("", table), "defender_figures": figures}


def play_table(plays: pd.DataFrame) -> Block:
    """All plays, one row each."""
    view = pd.DataFrame({
        "play": list(plays["play_id"]), "game": list(plays["game_id"]),
        "down": [situation(a, b) for a, b in zip(plays["down"], plays["distance"], strict=True)],
        "kind": list(plays["kind"]), "formation": list(plays["formation"]),
        "left": list(plays["left_combination"]), "right": list(plays["right_combination"]),
        "QB drop": list(plays["qb_drop"]), "time to throw": list(plays["time_to_throw_s"]),
        "result": list(plays["result"]), "yards": list(plays["yards"]),
    })  # fmt: skip
    block = table_block("", view)
    parts = [view.iloc[start : start + 30] for start in range(0, len(view), 30)]
    block.rows = [row for part in parts for row in table_block("", part).rows or []]
    block.more = ""
    block.plays = [str(v) for v in view["play"]]
    return block


def todo(season: Season) -> list[Block]:
    """Failures, remarks and plays worth a look."""
    report = season.clip_report()
    failed = report[report["status"] == "failed"][["path", "view", "reason"]]
    remark = report[(report["status"] != "failed") & report["reason"].notna()][["play_id", "path", "reason"]]
    look = report[report["look"].map(lambda v: v is not None and v == v and bool(v))].drop_duplicates(
        "play_id"
    )
    look = look[["play_id", "path", "look_reason"]].rename(columns={"look_reason": "why"})
    out = []
    for heading, data in (("Failed", failed), ("Done with a remark", remark), ("Worth a look", look)):
        block = table_block(heading, data)
        block.plays = [str(v) for v in data["play_id"]] if "play_id" in data else []
        out.append(block)
    return out


def receiver_records(found: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows for the page's own filters."""
    out = []
    for r in found.itertuples():
        out.append({
            "play": r.play_id, "id": r.receiver_id, "down": situation(r.down, r.distance).replace("–", ""),
            "receiver": receiver_name(r.jersey, r.role, r.side, r.receiver_number),
            "route": plain(r.route), "route_text": route_name(r.route, r.probability, r.route_source),
            "combination": plain(r.combination), "formation": plain(r.formation), "result": plain(r.result),
            "outcome": plain(outcome(r.target, r.result)), "target": bool(r.target) if r.target is not None
            else False, "yards": plain(r.yards) if r.target is None or r.target else None,
            "defender": plain(r.defender),
            "inside": plain(r.inside_yd), "under": plain(r.under_yd), "spread": plain(r.sd_yd),
            "leverage": plain(r.leverage) if r.leverage != "–" else None, "cushion": plain(r.cushion_snap_yd),
            "arrival": plain(r.separation_arrival_yd), "lane": plain(r.under_lane_yd), "hash": plain(r.hash),
            "qb_drop": plain(r.qb_drop), "game": plain(r.game_id), "offense": plain(r.offense),
        })  # fmt: skip
    return out


def plain(value: Any) -> Any:
    """A JSON value; blank as null, numbers to two decimals."""
    if value is None or value != value:
        return None
    if isinstance(value, float):
        return round(value, 2) if math.isfinite(value) else None
    return value.item() if hasattr(value, "item") else value


def play_records(
    season: Season, plays: pd.DataFrame, folder: Path, film_folder: str | None
) -> dict[str, Any]:
    """What the play panel shows: titles, drawing, film with the stretch to play."""
    clips = season.table("clips")
    out = {}
    for play_id, play in plays.iterrows():
        title, detail = default_title(str(play_id), play)
        film = {}
        mine = clips[(clips["play_id"] == play_id) & (clips["status"] != "failed")]
        for _, clip in mine.iterrows():
            path = locate(season, clip["path"], film_folder)
            if path is None:
                continue
            start, end = _stretch(play, clip, 2.0, 1.5)
            near = os.path.relpath(path.resolve(), folder.resolve()).replace(os.sep, "/")
            film[str(clip["view"] or "film")] = {
                "near": quote(near), "served": f"film/{quote(str(play_id))}/{clip['view']}{path.suffix}",
                "name": path.name, "start": round(start, 2), "end": round(min(end, 1e6), 2),
            }  # fmt: skip
        corner = [str(play["game_id"] or ""), str(play["offense"] or "")]
        out[str(play_id)] = {"title": title, "detail": detail, "kicker": ", ".join(c for c in corner if c),
                             "svg": f"plays/{safe(play_id)}.svg", "film": film, "filmed": bool(len(mine)),
                             "alt": f"Routes and drops of play {play_id} from above"}  # fmt: skip
    return out


def make_server(
    season: Season, folder: Path, port: int, film_folder: str | None = None
) -> ThreadingHTTPServer:
    """A server of the page and the season's film for this machine only (port 0: any free one). Raises
    Trouble for a taken port."""
    films = {}
    for _, clip in season.table("clips").iterrows():
        path = locate(season, clip["path"], film_folder)
        if path is not None and clip["play_id"]:
            films[f"/film/{quote(str(clip['play_id']))}/{clip['view']}{path.suffix}"] = path
    handler = type("Handler", (_Handler,), {"folder": str(folder), "films": films})
    try:
        return ThreadingHTTPServer(("127.0.0.1", port), handler)
    except OSError as error:
        raise Trouble(f"port {port} cannot be used ({error.strerror})", "name another with --port") from None


def serve(season: Season, folder: Path, port: int, film_folder: str | None = None) -> None:
    """Serve the page until stopped by hand."""
    with make_server(season, folder, port, film_folder) as server:
        print(f"http://127.0.0.1:{server.server_port}/  (Ctrl-C stops it)", flush=True)
        server.serve_forever()


class _Handler(SimpleHTTPRequestHandler):
    """Files of one folder, and listed films in byte ranges (RFC 9110, section 14), so that seeking works."""

    folder = "."
    films: dict[str, Path] = {}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, directory=self.folder, **kwargs)

    def do_GET(self) -> None:
        path = self.films.get(self.path.split("?")[0])
        if path is None:
            super().do_GET()
            return
        size = path.stat().st_size
        wanted = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        first = int(wanted.group(1)) if wanted else 0
        last = min(int(wanted.group(2)), size - 1) if wanted and wanted.group(2) else size - 1
        if first > last:
            self.send_error(416)
            return
        self.send_response(206 if wanted else 200)
        self.send_header("Content-Type", "video/mp4")
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Length", str(last - first + 1))
        if wanted:
            self.send_header("Content-Range", f"bytes {first}-{last}/{size}")
        self.end_headers()
        with path.open("rb") as file:
            file.seek(first)
            left = last - first + 1
            try:
                while left > 0 and (part := file.read(min(left, 1 << 18))):
                    self.wfile.write(part)
                    left -= len(part)
            except (BrokenPipeError, ConnectionResetError):
                pass

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing is logged: the page is for one person."""
