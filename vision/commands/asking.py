"""Commands of the morning: find, ask, cutup, sheet, page, export."""

from __future__ import annotations

import argparse
from pathlib import Path

import pandas as pd

from vision.commands.options import asked_of, filter_options, season_of, season_option
from vision.commands.printing import console, save, table_of
from vision.questions import QUESTIONS, Answer, answer, find, summarise
from vision.questions.answers import receiver_rows, route_name
from vision.trouble import QuestionTrouble


def add_commands(commands: argparse._SubParsersAction) -> None:
    """Add this file's commands to the parser."""
    for name, run, text, options in (
        ("find", run_find, "receivers that fit the filters, or any table by SQL", _find_options),
        ("ask", run_ask, "a standing question: " + ", ".join(QUESTIONS), _ask_options),
        ("cutup", run_cutup, "one film of the clips that fit, with title cards and chapters", _cutup_options),
        (
            "sheet",
            run_sheet,
            "a sheet to print: a question, routes by combination and receiver, or one defender",
            _sheet_options,
        ),
        ("page", run_page, "the season as a page to open in a browser, without a network", _page_options),
        ("export", run_export, "all tables as Parquet or CSV", _export_options),
    ):
        parser = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        season_option(parser)
        options(parser)
        parser.set_defaults(run=run)


def _save_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--csv", metavar="FILE", help="also write the table as CSV")
    parser.add_argument("--json", metavar="FILE", help="also write the table as JSON")


def _find_options(parser: argparse.ArgumentParser) -> None:
    filter_options(parser)
    _save_options(parser)
    parser.add_argument(
        "--group", metavar="WORDS", help="sum up by these, e.g. route or combination,leverage"
    )
    parser.add_argument("--sql", metavar="SELECT", help="free SQL instead of filters (read only)")
    parser.add_argument("--most", type=int, default=40, metavar="N", help="rows to print (default 40)")


def run_find(args: argparse.Namespace) -> int:
    """Print receivers that fit, summed up when asked to."""
    season, out = season_of(args), console()
    if args.sql:
        data = season.query(args.sql)
        out.print(table_of(data, "", out.width, args.most))
    else:
        ask = asked_of(args)
        found = find(season, ask)
        data = found
        shown_rows = receiver_rows(found)
        title = f"{len(found)} receivers on {found['play_id'].nunique()} plays: {ask.said()}"
        if args.group:
            data = shown_rows = summarise(found, [w.strip() for w in args.group.split(",") if w.strip()])
        if len(shown_rows):
            out.print(table_of(shown_rows, title, out.width, args.most))
        else:
            out.print(f"nothing fits: {ask.said()}")
        out.print(
            f"inside and underneath: yards of the {ask.by} defender at the {ask.moment}, + inside, "
            "+ underneath",
            style="dim",
        )
    for path in save(data, args.csv, args.json):
        out.print(f"wrote {path}")
    return 0


def _ask_options(parser: argparse.ArgumentParser) -> None:
    lines = "; ".join(f"{name}: {text}" for name, (text, _) in QUESTIONS.items())
    parser.add_argument("question", metavar="QUESTION", help=lines)
    filter_options(parser)
    _save_options(parser)
    parser.add_argument(
        "--most", type=int, default=20, metavar="N", help="rows to print of each table (default 20)"
    )


def run_ask(args: argparse.Namespace) -> int:
    """Print the answer to a standing question."""
    found = answer(season_of(args), args.question, asked_of(args))
    print_answer(found, args.most)
    first = next(iter(found.tables.values()), pd.DataFrame())
    for path in save(first, args.csv, args.json):
        console().print(f"wrote {path}")
    return 0


def print_answer(found: Answer, most: int = 20) -> None:
    """Title, answer in one line, tables, caveats."""
    out = console()
    out.print(f"\n[bold]{found.title}[/bold]\n{found.headline}\n")
    for name, table in found.tables.items():
        if len(table):
            out.print(table_of(table, name, out.width, most))
        else:
            out.print(f"[bold]{name}[/bold]: none\n")
    for note in found.notes:
        out.print(f"• {note}", style="dim")


def _cutup_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "out", metavar="OUT.mp4", help="film to write; chapters go to OUT.vtt, the index to OUT.csv"
    )
    parser.add_argument("--ask", dest="question", metavar="QUESTION", help="the clips of a standing question")
    filter_options(parser)
    parser.add_argument("--view", default="sideline", help="sideline, endzone, or sideline,endzone for both")
    parser.add_argument("--lead", type=float, default=3.0, metavar="S", help="seconds before the snap (3)")
    parser.add_argument("--tail", type=float, default=1.5, metavar="S", help="seconds after the end (1.5)")
    parser.add_argument("--card", type=float, default=2.0, metavar="S", help="seconds of each title card (2)")
    parser.add_argument("--film", metavar="FOLDER", help="where the clips are now, if they moved")
    parser.add_argument("--most", type=int, default=60, metavar="N", help="clips at most (60)")


def run_cutup(args: argparse.Namespace) -> int:
    """Cut the clips that fit into one film."""
    from vision.clips import plan, write_reel

    season, out, ask = season_of(args), console(), asked_of(args)
    if args.question:
        found = answer(season, args.question, ask)
        plays, heading, titles = found.plays, found.title, None
    else:
        rows = find(season, ask)
        plays, heading = list(dict.fromkeys(rows["play_id"])), ask.said()
        titles = reel_titles(rows)
    if not plays:
        raise QuestionTrouble(f"no play fits: {heading}", "ask for something wider")
    views = [v.strip() for v in args.view.split(",")]
    cuts, missing = plan(season, plays[: args.most], titles, views, args.lead, args.tail, args.film)
    for line in missing:
        out.print(line, style="yellow")
    index = write_reel(cuts, args.out, heading, args.card)
    index.to_csv(Path(args.out).with_suffix(".csv"), index=False)
    broken = index[index["note"] != ""]
    for note in broken["note"]:
        out.print(str(note), style="yellow")
    length = float(index["reel_end_s"].iloc[-1])
    out.print(
        f"wrote {args.out}: {len(index) - len(broken)} clips, {length:.0f} s; chapters in "
        f"{Path(args.out).with_suffix('.vtt')}"
    )
    return 1 if missing or len(broken) else 0


def reel_titles(rows: pd.DataFrame) -> dict[str, tuple[str, str]]:
    """Title lines of the plays on which one or two receivers fit: the situation and the result; the
    receivers, and for a single one the defender's place in yards. Other plays keep the usual title."""
    from vision.questions.answers import receiver_name, situation
    from vision.questions.words import CAUGHT

    out = {}
    for play_id, group in rows.groupby("play_id", sort=False):
        if len(group) > 2:
            continue
        first = next(group.itertuples())
        who = [
            f"{receiver_name(r.jersey, r.role, r.side, r.receiver_number)} "
            f"{route_name(r.route, None, r.route_source)}"
            for r in group.itertuples()
        ]
        if len(group) == 1 and first.inside_yd == first.inside_yd and first.inside_yd is not None:
            who.append(
                f"{first.defender} {first.inside_yd:+.1f} yd inside, {first.under_yd:+.1f} yd underneath"
            )
        result = first.result if isinstance(first.result, str) else ""
        if result in CAUGHT and first.yards is not None and first.yards == first.yards:
            result += f" {first.yards:+.0f} yd"
        parts = (str(play_id), situation(first.down, first.distance), result)
        out[str(play_id)] = ("   ".join(p for p in parts if p and p != "–"), "; ".join(who))
    return out


def _sheet_options(parser: argparse.ArgumentParser) -> None:
    what = f"a question ({', '.join(QUESTIONS)}), 'routes', or 'player'"
    parser.add_argument("what", metavar="WHAT", help=what)
    parser.add_argument("out", metavar="OUT", help="OUT.html, or OUT.pdf where Chromium is installed")
    filter_options(parser)
    parser.add_argument("--paper", default="letter", choices=("letter", "a4"), help="paper size (letter)")


def run_sheet(args: argparse.Namespace) -> int:
    """Write a printable sheet."""
    from vision.sheets import write_sheet

    path = write_sheet(season_of(args), args.what, args.out, asked_of(args), args.paper)
    console().print(f"wrote {path}")
    return 0


def _page_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", help="folder to write; open FOLDER/index.html")
    parser.add_argument("--film", metavar="FOLDER", help="where the clips are now, if they moved")
    parser.add_argument("--serve", action="store_true", help="also serve it on this machine only")
    parser.add_argument("--port", type=int, default=8033, help="port for --serve (8033)")


def run_page(args: argparse.Namespace) -> int:
    """Write the season's page."""
    from vision.sheets.page import serve, write_page

    path = write_page(season_of(args), args.folder, args.film)
    console().print(f"wrote {path}")
    if args.serve:
        serve(season_of(args), path.parent, args.port, args.film)
    return 0


def _export_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="DIR", help="folder to write into")
    parser.add_argument("--kind", default="parquet", help="parquet (default), csv, or parquet,csv")
    parser.add_argument("--tables", metavar="NAMES", help="only these tables, with commas")


def run_export(args: argparse.Namespace) -> int:
    """Write the tables and the clip index."""
    from vision.export import KINDS, clip_index, export_season, write_index
    from vision.questions.words import choose
    from vision.store.columns import EXPORTED

    season, out = season_of(args), console()
    kinds = choose("kind", [args.kind], KINDS)
    tables = choose("table", [args.tables], EXPORTED) if args.tables else ()
    counts = export_season(season, args.folder, kinds, tables)
    write_index(clip_index(season), Path(args.folder) / "clip_index.csv")
    rows = pd.DataFrame({"table": list(counts), "rows": list(counts.values())})
    out.print(table_of(rows, f"wrote {args.folder}", out.width))
    return 0
