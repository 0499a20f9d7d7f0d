"""Build a sheet: a standing question, one defender, or the next offense; HTML, or PDF through Chromium."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd

from vision.questions import Asked, answer, find
from vision.questions.answers import notes_on
from vision.questions.defense import MEASURES, aim_on_curls, drops, settled, standing
from vision.questions.filters import is_player
from vision.questions.intervals import Mean, Share, mean_of
from vision.questions.words import shown
from vision.sheets.cautions import CAUTION
from vision.sheets.charts import drop_chart, leverage_chart
from vision.sheets.concepts import runs_of
from vision.sheets.drawing import play_diagram
from vision.sheets.ink import BALL, DEFENSE, OFFENSE
from vision.store import Season
from vision.trouble import QuestionTrouble, Trouble

MOST_DIAGRAMS, MOST_ROWS = 6, 30
WIDE = 6
"""columns of measures with interval and number above which a table goes across the long side of the paper"""
SIGNED = ("inside", "underneath", "yards")
BRACKETED = re.compile(r"([^()]*\d[^()]*) (\([^()]*\))")
DROPPED = ("spread", "lane", "at arrival", "distance", "formation")


@dataclass
class Block:
    """One part of a sheet: heading, drawings, a table (rows None = no table), room for notes by hand."""

    heading: str = ""
    figures: list[dict[str, str]] = field(default_factory=list)
    pair: bool = False
    three: bool = False
    key: str = ""
    head: list[dict[str, Any]] = field(default_factory=list)
    rows: list[list[str]] | None = None
    more: str = ""
    lines: bool = False
    plays: list[str] = field(default_factory=list)


def write_sheet(season: Season, what: str, out: str | Path, ask: Asked, paper: str = "letter") -> Path:
    """Write a sheet to OUT.html or OUT.pdf. `what` is a standing question, 'routes', or 'player' (with a
    defender)."""
    out = Path(out)
    if out.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise Trouble(f"{out}: a sheet is .html or .pdf", "name the file accordingly")
    if what == "routes":
        from vision.sheets.route_sheet import routes_sheet

        content = routes_sheet(season, ask)
    else:
        content = player_sheet(season, ask) if what == "player" else question_sheet(season, what, ask)
    html = render(content, paper)
    out.parent.mkdir(parents=True, exist_ok=True)
    if out.suffix.lower() == ".pdf":
        to_pdf(html, out)
    else:
        out.write_text(html, encoding="utf-8")
    return out


def render(content: dict[str, Any], paper: str) -> str:
    """The sheet as one HTML text that needs nothing else."""
    room = resources.files("vision.sheets")
    style = room.joinpath("style.css").read_text("utf-8") + room.joinpath("sheet.css").read_text("utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(room.joinpath("sheet.html").read_text("utf-8"))
    if any(_measures(block) > WIDE for block in content["blocks"]):
        paper = f"{paper} landscape"
    return template.render(**content, style=style, paper=paper, caution=CAUTION, kept=kept_together)


def _measures(block: Block) -> int:
    """Columns of a table in which some cell is a value with its interval or number in brackets."""
    return sum(
        any(BRACKETED.fullmatch(c) for c in column) for column in zip(*(block.rows or []), strict=True)
    )


def kept_together(cell: str) -> str:
    """A cell that may break only before its bracket: 6.7 ±1.2 on one line, (n 6) on the next."""
    found = BRACKETED.fullmatch(cell)
    return " ".join(part.replace(" ", "\u00a0") for part in found.groups()) if found else cell


def question_sheet(season: Season, what: str, ask: Asked) -> dict[str, Any]:
    """Content of the sheet of a standing question: answer, leverage, diagrams of its plays, tables."""
    found = answer(season, what, ask)
    blocks = []
    diagrams = play_figures(season, found.plays[:MOST_DIAGRAMS]) if what != "scout" else []
    if what == "scout":
        from vision.sheets.route_sheet import RECEIVER_TEXT, receiver_figures

        rows = find(season, ask)
        figures = receiver_figures(rows, runs_of(season, rows))
        blocks.append(Block("What each receiver runs", three=True, figures=figures, key=RECEIVER_TEXT))
    if what == "curls":
        rows = find(season, replace(ask, route=ask.route or ("curl",)))
        blocks.append(
            Block(
                "Where the defender stood at the throw",
                pair=True,
                key=KEY,
                figures=[_figure(leverage_chart(rows, "Leverage"), LEVERAGE_TEXT), *diagrams[:1]],
            )
        )
        diagrams = diagrams[1:]
    for name, table in found.tables.items():
        blocks.append(table_block(name.capitalize(), table))
    if diagrams:
        blocks.append(Block("On the field", figures=diagrams, key="" if what == "curls" else KEY))
    blocks.append(Block("For the meeting", lines=True))
    return {
        "title": found.title,
        "kicker": kicker(season, ask),
        "headline": found.headline,
        "blocks": blocks,
        "notes": found.notes,
        "meta": meta(season),
    }


def player_sheet(season: Season, ask: Asked) -> dict[str, Any]:
    """Content of one defender's sheet: his measures beside the unit's, drops, leverage, play by play."""
    if not ask.defender:
        raise QuestionTrouble("whose sheet?", "name a defender: --defender 54")
    everyone = drops(season, replace(ask, defender="", role=(), game=()))
    men = zip(everyone["player_id"], everyone["jersey"], strict=True)
    whole = everyone[[is_player(i, j, ask.defender) for i, j in men]]
    if not len(whole):
        there = sorted({int(j) for j in everyone["jersey"].dropna()})
        raise QuestionTrouble(
            f"no drop by defender {ask.defender!r} is stored",
            f"numbers there: {', '.join(map(str, there)) or 'none could be read'}",
        )
    mine = whole[whole["game_id"].isin(ask.game)] if ask.game else whole
    role = whole["role"].mode()
    same = everyone[everyone["role"] == role[0]] if len(role) else everyone
    faced = find(season, replace(ask, by="underneath"))
    faced = faced[faced["route"].isin(["curl", "hook", "hitch", "in", "shallow_cross", "flat"])]
    return {
        "title": str(whole["defender"].mode()[0]),
        "kicker": kicker(season, ask),
        "headline": f"{len(mine)} drops on {mine['play_id'].nunique()} pass plays.",
        "blocks": player_blocks(mine, whole, same, faced, bool(ask.game)),
        "notes": notes_on(season, None),
        "meta": meta(season),
    }


def player_blocks(
    mine: pd.DataFrame, whole: pd.DataFrame, same: pd.DataFrame, faced: pd.DataFrame, week: bool
) -> list[Block]:
    """The parts of a defender's sheet. mine: the drops asked for, whole: all of his, same: of his role,
    faced: short routes whose nearest underneath defender he was at the throw."""
    heads = ["", "measure", *(("this game", "season") if week else ("mean",)), "unit", "place in unit"]
    grey = "Each drop thin, his mean strong; grey: the middle half of all drops of his position in this file."
    figures = [
        _figure(leverage_chart(faced, "Leverage"), LEVERAGE_TEXT),
        _figure(drop_chart(mine, same, "Drops"), grey),
    ]
    aims = [
        ["2–3 yd inside and 2–3 yd underneath at the throw (half a yard of slack)", str(aim_on_curls(faced))],
        ["settled no later than 0.3 s after the quarterback's set", str(settled(mine))],
    ]
    return [
        Block(
            "Drop, read, break",
            head=[_head(t, i > 1) for i, t in enumerate(heads)],
            rows=measure_rows(mine, whole, same, whole["defender"].mode()[0], week),
        ),
        Block("At the throw, and over time", figures=figures, pair=True, key=KEY),
        Block(
            "Aim against curl and hook", head=[_head("aim (common practice)"), _head("met", True)], rows=aims
        ),
        table_block("Play by play", play_by_play(mine)),
        Block("For the meeting", lines=True),
    ]


def measure_rows(
    mine: pd.DataFrame, whole: pd.DataFrame, same: pd.DataFrame, name: str, week: bool
) -> list[list[str]]:
    """One row per measure: part, name and unit, his mean (and season), the unit's, his place."""
    rows, part = [], ""
    for m in MEASURES:
        means = [mean_of(mine[m.column], m.digits)] + ([mean_of(whole[m.column], m.digits)] if week else [])
        title = f"{m.name}{f', {m.unit}' if m.unit else ''}"
        rows.append(
            [
                m.part if m.part != part else "",
                title,
                *map(str, means),
                str(mean_of(same[m.column], m.digits)),
                standing(same, name, m) or "–",
            ]
        )
        part = m.part
    return rows


def play_by_play(mine: pd.DataFrame) -> pd.DataFrame:
    """The drops one by one, worst distance at the arrival first."""
    columns = {
        "play_id": "play",
        "qb_drop": "QB drop",
        "first_move": "first move",
        "start_depth_play_yd": "start",
        "throw_depth_play_yd": "at throw",
        "deepest_play_yd": "deepest",
        "settle_after_s": "settles after set",
        "reaction_s": "reaction",
        "arrival_distance_yd": "at arrival ",
        "result": "result",
        "yards": "yards",
    }
    return mine.sort_values("arrival_distance_yd", ascending=False)[list(columns)].rename(columns=columns)


def play_figures(season: Season, play_ids: list[str]) -> list[dict[str, str]]:
    """Diagrams of some plays with a caption each; reads the paths of twenty plays at a time."""
    from vision.clips import default_title

    out = []
    for start in range(0, len(play_ids), 20):
        some = play_ids[start : start + 20]
        plays = season.table("plays", some).set_index("play_id", drop=False)
        parts = {
            t: dict(list(season.frame(t, some).groupby("play_id"))) for t in ("players", "paths", "routes")
        }
        none = {t: season.frame(t, []) for t in parts}
        for p in some:
            players, paths, routes = (parts[t].get(p, none[t]) for t in ("players", "paths", "routes"))
            drawing = play_diagram(plays.loc[p], players, paths, routes)
            out.append(_figure(drawing, "   ".join(default_title(p, plays.loc[p]))))
    return out


def table_block(heading: str, table: pd.DataFrame) -> Block:
    """A table as a block, cells as text."""
    columns = [c for i, c in enumerate(table.columns) if i == 0 or c not in DROPPED]
    head = [_head(c.replace("_", " "), is_number(table[c])) for c in columns]
    rows = [[cell(table[c].iloc[i], c) for c in columns] for i in range(min(len(table), MOST_ROWS))]
    more = f"{len(table) - MOST_ROWS} more rows are in the season file." if len(table) > MOST_ROWS else ""
    return Block(heading, head=head, rows=rows, more=more)


def is_number(column: pd.Series) -> bool:
    """Whether a column is set to the right."""
    return all(isinstance(v, int | float) or v is None for v in column) and bool(len(column))


def cell(value: Any, column: str = "") -> str:
    """One cell as text; blank as a dash."""
    if value is None or value != value:
        return "–"
    if isinstance(value, Mean | Share | int):
        return str(value)
    if isinstance(value, float):
        digits = (
            0
            if column in ("yards", "caught_yards", "run", "n")
            else 2
            if column in ("reaction", "reaction_s", "settles after set")
            else 1
        )
        return f"{value:+.{digits}f}" if column in SIGNED else f"{value:.{digits}f}"
    return str(value) if column in ("play", "play_id") else shown(value)


def kicker(season: Season, ask: Asked) -> str:
    """The line above the title: season and filters."""
    said = ask.said()
    return season.path.stem if said == "every receiver" else f"{season.path.stem}: {said}"


def meta(season: Season) -> list[str]:
    """Plays, games and date, for the corner of a sheet."""
    plays = season.table("plays")
    games = plays["game_id"].nunique()
    return [
        f"{len(plays)} plays, {games} game{'s' if games != 1 else ''}",
        f"made {pd.Timestamp.now():%Y-%m-%d}",
    ]


def _head(text: str, number: bool = False) -> dict[str, Any]:
    return {"text": text, "number": number}


def _figure(svg: str, caption: str) -> dict[str, str]:
    return {"svg": svg, "caption": caption}


LEVERAGE_TEXT = (
    "The defender's place at the throw, the receiver in the middle. Filled: completed; hollow: not; cross: "
    "thrown elsewhere. Yellow: the aim, 2–3 yd inside and underneath."
)
KEY = (
    f'<span><svg viewBox="0 0 26 14"><path d="M1 7h16" stroke="{OFFENSE}" stroke-width="3"/>'
    f'<circle cx="20" cy="7" r="5" fill="{OFFENSE}"/></svg>offense, path to the throw</span>'
    f'<span><svg viewBox="0 0 26 14"><path d="M1 7h14" stroke="{DEFENSE}" stroke-width="3" '
    f'stroke-dasharray="5 3"/><path d="M15 2h10l-5 10z" fill="{DEFENSE}"/></svg>defense</span>'
    f'<span><svg viewBox="0 0 26 14"><path d="M1 7h14" stroke="{BALL}" stroke-width="2" '
    f'stroke-dasharray="1 4"/><ellipse cx="19" cy="7" rx="6" ry="4" fill="{BALL}"/></svg>'
    "throw, filled when caught</span>"
)


def to_pdf(html: str, out: Path) -> None:
    """Print through Chromium. Raises Trouble when it is not installed or fails."""
    names = (os.environ.get("UNDERNEATH_CHROMIUM"), "chromium", "chromium-browser", "google-chrome", "chrome")
    program = next((p for n in names if n and (p := shutil.which(n))), None)
    if program is None:
        raise Trouble(
            "a PDF needs Chromium, which is not installed",
            f"install it, or write {out.with_suffix('.html').name} and print that from any browser",
        )
    with tempfile.TemporaryDirectory() as folder:
        page, made = Path(folder) / "sheet.html", Path(folder) / "sheet.pdf"
        page.write_text(html, encoding="utf-8")
        run = subprocess.run(
            [
                program,
                "--headless",
                "--disable-gpu",
                "--no-pdf-header-footer",
                f"--user-data-dir={folder}/profile",
                *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
                f"--print-to-pdf={made}",
                page.as_uri(),
            ],
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        if not made.exists():
            last = (run.stderr.strip().splitlines() or ["no message"])[-1]
            raise Trouble(
                f"Chromium could not print the sheet ({last[:160]})", "write .html and print it by hand"
            )
        shutil.copyfile(made, out)
