"""Commands of the researcher: labels, train, evaluate, score. Training code is imported only when it runs."""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path

from vision.commands.options import season_of, season_option
from vision.commands.printing import console
from vision.trouble import Trouble

Target = tuple[str, tuple[str, ...]]
"""A module with `main()` and the words put before the user's."""

TRAININGS: dict[str, Target] = {
    "detector": ("models.training.train_detector", ()),
    "marks": ("models.training.train_marks", ()),
    "routes": ("models.routes.research", ("train",)),
}
EVALUATIONS: dict[str, Target] = {"routes": ("models.routes.research", ("evaluate",))}
SHIPPED_STARTS = {"detector": "detector.pt"}
"""Weights in models/weights that a training starts from where the user names none."""
SCORE: Target = ("vision.score", ())


def add_commands(commands: argparse._SubParsersAction) -> None:
    """Add this file's commands to the parser."""
    labels = commands.add_parser("labels", help="a set to label routes or boxes on, and labels back in")
    season_option(labels)
    labels.add_argument(
        "folder", metavar="DIR|FILE", help="folder to write, or with --read the labelled CSV or boxes.json"
    )
    labels.add_argument(
        "--read", action="store_true", help="take labels in: routes as corrections, boxes as training labels"
    )
    labels.add_argument("--boxes", action="store_true", help="frames and their boxes, to train the detector")
    labels.add_argument("--most", type=int, default=24, metavar="N", help="frames with --boxes (24)")
    labels.add_argument("--film", metavar="FOLDER", help="where the clips are now, if they moved")
    labels.add_argument(
        "--unsure", action="store_true", help="only routes below 0.6 or unknown, least sure first"
    )
    labels.add_argument("--who", default=None, help="who labelled (default: your user name)")
    labels.set_defaults(run=run_labels)
    train = commands.add_parser(
        "train",
        help="train on your own labels: detector, marks, routes",
        description="Options after the name go to that training; see `underneath train routes --help`.",
    )
    train.add_argument("what", choices=sorted(TRAININGS))
    train.add_argument("rest", nargs=argparse.REMAINDER, metavar="...")
    train.set_defaults(run=lambda args: _pass_on(TRAININGS[args.what], args))
    evaluate = commands.add_parser(
        "evaluate",
        help="score a model on labels: routes",
        description="Options after the name go to that evaluation.",
    )
    evaluate.add_argument("what", choices=sorted(EVALUATIONS))
    evaluate.add_argument("rest", nargs=argparse.REMAINDER, metavar="...")
    evaluate.set_defaults(run=lambda args: _pass_on(EVALUATIONS[args.what], args))
    score = commands.add_parser("score", help="end-to-end figures against film whose answer is known")
    score.add_argument("rest", nargs=argparse.REMAINDER, metavar="FILM_WITH_TRUTH ...")
    score.set_defaults(run=lambda args: _pass_on(SCORE, args))


def _pass_on(target: Target, args: argparse.Namespace) -> int:
    """Run a module's `main()` with the rest of the command line."""
    name, first = target
    module = importlib.import_module(name)
    before = sys.argv
    own = args.rest[1:] if args.rest[:1] == ["--"] else args.rest
    rest = [*first, *own]
    start = SHIPPED_STARTS.get(getattr(args, "what", "")) if args.command == "train" else None
    if start and not {"--from", "--start", "-h", "--help"} & {word.split("=")[0] for word in rest}:
        rest += ["--from", str(find_weights() / start)]
    sys.argv = [f"underneath {args.command}" + (f" {args.what}" if hasattr(args, "what") else ""), *rest]
    try:
        return int(module.main() or 0)
    except FileNotFoundError as error:
        raise Trouble(f"{error.filename}: no such file", "check the name and the folder") from None
    finally:
        sys.argv = before


def find_weights() -> Path:
    """The folder of the shipped weights."""
    import models

    return Path(str(models.__file__)).parent / "weights"


def run_labels(args: argparse.Namespace) -> int:
    """Write a labelling set, or read labels back."""
    from vision.sheets.labelling import read_labels, write_labels

    if args.boxes or (args.read and args.folder.lower().endswith(".json")):
        return run_box_labels(args)
    season, out = season_of(args), console()
    if args.read:
        taken, remarks = read_labels(season, Path(args.folder), args.who)
        for line in remarks:
            out.print(line, style="yellow", soft_wrap=True)
        out.print(f"{taken} labels taken in as corrections")
        return 1 if remarks else 0
    count = write_labels(season, Path(args.folder), args.unsure)
    out.print(
        f"wrote {args.folder}: {count} routes to label; fill in the column route of labels.csv, then run "
        f"underneath labels --read {Path(args.folder) / 'labels.csv'}",
        soft_wrap=True,
    )
    return 0


def run_box_labels(args: argparse.Namespace) -> int:
    """Write frames and boxes to correct, or take a corrected boxes.json in as labels."""
    from vision.box_labels import read_box_labels, write_box_labels

    out, path = console(), Path(args.folder)
    if args.read:
        checked, boxes = read_box_labels(path)
        out.print(
            f"{checked} checked frames with {boxes} boxes in {path.parent}; train on them with "
            f"underneath train detector --labels {path.parent} --out FOLDER",
            soft_wrap=True,
        )
        return 0
    count = write_box_labels(season_of(args), path, args.most, args.film)
    out.print(f"wrote {path}: {count} frames; open {path / 'boxes.html'} to correct them", soft_wrap=True)
    return 0
