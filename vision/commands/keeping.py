"""Commands of the analyst: what failed, what needs a look, and corrections."""

from __future__ import annotations

import argparse
import getpass

import pandas as pd

from vision.commands.options import season_of, season_option
from vision.commands.printing import console, table_of
from vision.questions.words import ROUTES, routes
from vision.trouble import QuestionTrouble

SHORT = {
    "route": "routes.route", "role": "players.role", "jersey": "players.jersey", "team": "players.team",
    "snap": "plays.snap_s", "throw": "plays.throw_s", "arrival": "plays.arrival_s", "end": "plays.end_s",
    "result": "plays.result", "yards": "plays.yards", "target": "plays.target_player_id",
    "down": "plays.down", "distance": "plays.distance", "hash": "plays.hash", "formation": "plays.formation",
    "kind": "plays.kind",
    "drop": "plays.qb_drop", "los": "plays.los_field_yd", "direction": "plays.direction",
}  # fmt: skip


def add_commands(commands: argparse._SubParsersAction) -> None:
    """Add this file's commands to the parser."""
    todo = commands.add_parser("todo", help="clips that failed and plays worth a look, with reasons")
    season_option(todo)
    todo.set_defaults(run=run_todo)
    correct = commands.add_parser(
        "correct",
        help="change one value as a person; it survives every new analysis",
        description="Change one value. WHAT is " + ", ".join(SHORT) + ", or table.column.",
    )
    season_option(correct)
    correct.add_argument("play", help="the play's id")
    correct.add_argument("what", help="what to change")
    correct.add_argument("value", help="the right value; '' for not known")
    correct.add_argument("--player", help="the player's id or jersey number, where it is about one man")
    correct.add_argument("--who", default=None, help="who says so (default: your user name)")
    correct.set_defaults(run=run_correct)
    listing = commands.add_parser("corrections", help="corrections in force; --withdraw N takes one back")
    season_option(listing)
    listing.add_argument("--play", help="only of this play")
    listing.add_argument("--withdraw", type=int, metavar="N", help="take correction number N back")
    listing.set_defaults(run=run_corrections)


def run_todo(args: argparse.Namespace) -> int:
    """Print failures first, then plays worth a look. Exit status 0: the list itself is the answer."""
    out = console()
    report = season_of(args).clip_report()
    failed = report[report["status"] == "failed"][["path", "view", "reason"]]
    partial = report[(report["status"] != "failed") & report["reason"].notna()][["play_id", "path", "reason"]]
    look = report[report["look"].map(lambda v: v is not None and v == v and bool(v))]
    look = look.drop_duplicates("play_id")[["play_id", "path", "look_reason"]]
    done = report[report["status"] != "failed"]["play_id"].nunique()
    out.print(f"{done} plays stored, {len(failed)} clips failed, {len(look)} plays worth a look")
    for title, data in (("failed", failed), ("done with a remark", partial), ("worth a look", look)):
        if len(data):
            out.print(table_of(data, title, out.width, 200))
    return 0


def run_correct(args: argparse.Namespace) -> int:
    """Store one correction."""
    season = season_of(args)
    what = SHORT.get(args.what.lower(), args.what)
    value = args.value
    if what == "routes.route" and value:
        found = routes([value])
        if len(found) != 1 or found[0] not in ROUTES:
            raise QuestionTrouble(f"route {value!r} means several routes", f"name one: {', '.join(found)}")
        value = found[0]
    player = args.player
    if player:
        player = _player(season.table("players", [args.play]), player)
    row = season.correct(args.play, what, value, args.who or getpass.getuser(), player)
    console().print(
        f"correction {row['correction_id']}: {row['what']} of {row['play_id']}: "
        f"{row['before']} → {row['after']}"
    )
    return 0


def _player(players: pd.DataFrame, wanted: str) -> str:
    """The id of a man given by id or jersey number."""
    from vision.questions.filters import is_player

    ids = [p for p, j in zip(players["player_id"], players["jersey"], strict=True) if is_player(p, j, wanted)]
    if len(ids) > 1:
        raise QuestionTrouble(f"number {wanted} is worn by {len(ids)} men", f"name one id: {', '.join(ids)}")
    return ids[0] if ids else wanted


def run_corrections(args: argparse.Namespace) -> int:
    """List corrections, or withdraw one."""
    season, out = season_of(args), console()
    if args.withdraw is not None:
        season.withdraw(args.withdraw)
        out.print(f"correction {args.withdraw} withdrawn")
        return 0
    data = season.corrections(args.play)
    data = data[["correction_id", "play_id", "what", "before", "after", "who", "when", "state"]]
    data = data.assign(when=[str(v)[:16] for v in data["when"]]).rename(columns={"correction_id": "number"})
    out.print(table_of(data, f"{len(data)} corrections", out.width, 500))
    return 0
