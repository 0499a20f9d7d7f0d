"""The console command `underneath`: thin skins over the library, plain words when something is wrong."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from vision.commands import asking, keeping, making, research
from vision.trouble import Trouble

CAUTION = (
    "Measurements from film are estimates: they guide a look at the film and do not replace it, and are no "
    "basis for medical or return-to-play decisions. Film of people stays on this machine unless you move it."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status. 0 done; 1 done in part (some clips failed); 2 and up: a
    trouble, said in one line on stderr (see `vision.trouble`); 130 stopped by hand."""
    parser = build_parser()
    args = parser.parse_args(_own_words(list(sys.argv[1:] if argv is None else argv)))
    if not hasattr(args, "run"):
        parser.print_help()
        return 0
    try:
        return int(args.run(args) or 0)
    except Trouble as trouble:
        if args.debug:
            raise
        print(f"underneath {args.command}: {trouble}", file=sys.stderr)
        return trouble.exit_status
    except KeyboardInterrupt:
        print("stopped; what was finished is stored, the same command goes on from there", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        if args.debug:
            raise
        print(
            f"underneath {args.command}: unexpected {type(error).__name__}: {error}. "
            "Run it again with --debug and report what it prints.",
            file=sys.stderr,
        )
        return 70


def _own_words(words: list[str]) -> list[str]:
    """All words after `score` are its own, options that come first (and --help) too; argparse would take
    those for the program's."""
    at = next((i for i, word in enumerate(words) if not word.startswith("-")), len(words))
    return [*words[: at + 1], "--", *words[at + 1 :]] if words[at : at + 1] == ["score"] else words


def build_parser() -> argparse.ArgumentParser:
    """The whole command line; every command and option has its help text."""
    parser = argparse.ArgumentParser(
        prog="underneath",
        epilog=CAUTION,
        description="From wide football film to a chart of routes and coverage, and the clips behind it.",
    )
    parser.add_argument("--debug", action="store_true", help="show the traceback when something goes wrong")
    commands = parser.add_subparsers(title="commands", dest="command", metavar="COMMAND")
    for part in (making, asking, keeping, research):
        part.add_commands(commands)
    for command in set(commands.choices.values()):
        command.add_argument(
            "--debug", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS
        )
    return parser
