"""Options that several commands share."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from vision.questions import Asked, asked
from vision.store import Season
from vision.trouble import StoreTrouble

FILTERS: tuple[tuple[str, str], ...] = (
    ("route", "routes, e.g. curl,hook or in-breaking"),
    ("combination", "combination of the receiver's side, e.g. flat-curl"),
    ("side", "left, right, field, boundary, strong, weak"),
    ("formation", "e.g. 2x2, 3x1, trips, empty"),
    ("strength", "where the side with more receivers lies: left, right, field, boundary"),
    ("result", "complete, incomplete, intercepted, sack, ..."),
    ("drop", "quarterback's drop: quick, three-step, five-step, seven-step"),
    ("hash", "left, middle, right"),
    ("role", "role of the man asked about: WR, TE, RB; LB, CB, S"),
    ("receiver", "one receiver, by jersey number or id"),
    ("number", "receiver number counted from the sideline: 1, 2, 3"),
    ("defender", "one defender, by jersey number or id"),
    ("leverage", "inside, head-up, outside; underneath, level, over the top"),
    ("down", "1, 3 or 2,3"),
    ("distance", "yards to go, e.g. 7-10 or 7+"),
    ("quarter", "quarter"),
    ("yards", "yards gained, e.g. 10+"),
    ("depth", "deepest point of the route in yards, e.g. 8-14"),
    ("game", "game"),
    ("offense", "offense"),
    ("defense", "defense"),
    ("play", "plays by id"),
)


def season_option(parser: argparse.ArgumentParser) -> None:
    """--season FILE, or the environment's UNDERNEATH_SEASON, or the only *.season file in this folder."""
    parser.add_argument(
        "--season",
        metavar="FILE",
        help="season file (default: $UNDERNEATH_SEASON, or the only .season file in this folder)",
    )


def season_of(args: argparse.Namespace) -> Season:
    """The season meant; raises StoreTrouble when none or several could be."""
    name = args.season or os.environ.get("UNDERNEATH_SEASON")
    if name:
        return Season(name)
    here = sorted(Path(".").glob("*.season"))
    if len(here) == 1:
        return Season(here[0])
    found = f"there are {len(here)} season files here" if here else "there is no season file in this folder"
    raise StoreTrouble(found, "name one with --season FILE")


def filter_options(parser: argparse.ArgumentParser) -> None:
    """The filters in trade words."""
    group = parser.add_argument_group("filters (several words with commas; all filters must fit)")
    for name, text in FILTERS:
        group.add_argument(f"--{name}", metavar="WORD", help=text)
    group.add_argument("--target", action="store_true", help="only receivers the ball was thrown to")
    fake = group.add_mutually_exclusive_group()
    fake.add_argument("--play-action", action="store_true", default=None, help="only play action")
    fake.add_argument(
        "--no-play-action",
        dest="play_action",
        action="store_false",
        default=None,
        help="only without play action",
    )
    group.add_argument(
        "--sure",
        type=float,
        default=0.0,
        metavar="P",
        help="only routes named with at least this probability, 0 to 1",
    )
    group.add_argument(
        "--by",
        default="nearest",
        metavar="WHO",
        help="defender beside the receiver: nearest, underneath, responsible",
    )
    group.add_argument(
        "--at",
        dest="moment",
        default="throw",
        metavar="MOMENT",
        help="moment of leverage and distance: snap, break, throw, arrival",
    )


def asked_of(args: argparse.Namespace) -> Asked:
    """The filters given on the command line, checked."""
    given: dict[str, Any] = {name: getattr(args, name) for name, _ in FILTERS}
    return asked(
        **given,
        target=args.target,
        play_action=args.play_action,
        sure=args.sure,
        by=args.by,
        moment=args.moment,
    )
