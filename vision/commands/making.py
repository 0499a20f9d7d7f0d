"""Commands of the night: process, detect, calibrate, show. The heavy half is imported only when they run."""

from __future__ import annotations

import argparse
import csv
import difflib
import itertools
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vision.commands.options import season_option
from vision.commands.printing import console, table_of
from vision.store import Season
from vision.trouble import FilmTrouble, SheetTrouble, Trouble

if TYPE_CHECKING:
    from models.detector.detector import Boxes, Detector

FILM = (
    ".mp4",
    ".mov",
    ".mkv",
    ".avi",
    ".m4v",
    ".mts",
    ".m2ts",
    ".ts",
    ".mpg",
    ".mpeg",
    ".webm",
    ".wmv",
    ".mxf",
)


def add_commands(commands: argparse._SubParsersAction) -> None:
    """Add this file's commands to the parser."""
    text = "clips or a tracking table into the season file; stop and start it at will"
    process = commands.add_parser("process", aliases=["analyze"], help=text, description=text)
    process.add_argument("paths", nargs="*", metavar="FOLDER|CLIP", help="folders and film files")
    process.add_argument(
        "--season", required=True, metavar="FILE", help="season file to write (made if missing)"
    )
    _standard_option(process)
    process.add_argument("--sheet", metavar="CSV", help="charting sheet")
    process.add_argument(
        "--roster",
        metavar="CSV",
        action="append",
        default=[],
        help="roster, as FILE or TEAM=FILE; may be given twice",
    )
    process.add_argument(
        "--tracks", metavar="TABLE", help="positions in yards instead of film (CSV or Parquet)"
    )
    process.add_argument("--events", metavar="TABLE", help="events of the tracking table")
    process.add_argument(
        "--workers", type=int, default=0, metavar="N", help="clips at once (default: by cores)"
    )
    _detector_option(process)
    process.add_argument("--again", action="store_true", help="do clips again that are stored already")
    process.set_defaults(run=run_process)

    _picture_commands(commands)


def _picture_commands(commands: argparse._SubParsersAction) -> None:
    """The commands about single pictures and clips."""
    detect = commands.add_parser("detect", help="players, officials and ball in pictures or film, as CSV")
    detect.add_argument("inputs", nargs="+", metavar="IMAGE|CLIP", help="pictures or film")
    detect.add_argument("--out", required=True, metavar="FILE.csv", help="CSV to write")
    least = "least chance to be right (0.35)"
    detect.add_argument("--least", type=float, default=0.35, metavar="P", help=least)
    detect.add_argument("--every", type=int, default=1, metavar="N", help="every Nth frame of film (1)")
    _detector_option(detect)
    detect.add_argument("--weights", metavar="FILE", help="other detector weights")
    detect.set_defaults(run=run_detect)

    calibrate = commands.add_parser("calibrate", help="the camera of each frame: pixels to yards")
    calibrate.add_argument("input", metavar="CLIP|IMAGE", help="film or one picture")
    _standard_option(calibrate)
    calibrate.add_argument("--clicks", metavar="FILE", help="places named by a person, CSV")
    calibrate.add_argument("--out", required=True, metavar="FILE.parquet", help="cameras table to write")
    calibrate.set_defaults(run=run_calibrate)

    clicks = commands.add_parser(
        "clicks", help="a page on which to click field points for calibrate --clicks"
    )
    clicks.add_argument("input", metavar="CLIP|IMAGE", help="film or one picture")
    _standard_option(clicks)
    clicks.add_argument("--frame", type=int, default=0, metavar="N", help="frame of the film (0)")
    clicks.add_argument("--out", required=True, metavar="FILE.html", help="page to write")
    clicks.set_defaults(run=run_clicks)

    show = commands.add_parser("show", help="a clip with boxes, tracks, routes and field lines drawn over it")
    show.add_argument("clip", metavar="CLIP|PLAY", help="clip file, clip id or play id of the season")
    season_option(show)
    show.add_argument(
        "--out", metavar="FILE", help="film (.mp4) or one picture (.png); default CLIP_show.mp4"
    )
    show.add_argument(
        "--at",
        dest="moment",
        metavar="MOMENT",
        help="for a picture: snap, throw, arrival, or seconds in the clip (default throw)",
    )
    show.add_argument("--film", metavar="FOLDER", help="where the clips are now, if they moved")
    show.set_defaults(run=run_show)


def _detector_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--detector",
        default="small",
        metavar="SIZE",
        help="small (default); fast: smaller pictures, four times as quick, misses more small men; careful: "
        "four larger looks a frame, eight times as slow without a GPU, finds more on school film",
    )


def check_detector(size: str) -> None:
    """Raises Trouble when there are no weights of this size."""
    from models.detector.detector import weights_of
    from models.detector.network import WeightsError

    try:
        weights_of(size)
    except WeightsError as error:
        raise Trouble(str(error), "leave --detector out for the small one") from None


def _standard_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--standard", required=True, metavar="NAME", help="field: nfl, ncaa, nfhs, canadian")


def checked_standard(name: str) -> str:
    """The standard's name. Raises Trouble naming the known ones."""
    from calibration import STANDARDS

    if name.lower() in STANDARDS:
        return name.lower()
    near = difflib.get_close_matches(name.lower(), list(STANDARDS), 1)
    raise Trouble(
        f"field standard {name!r} is not known{f'; did you mean {near[0]}' if near else ''}",
        f"one of {', '.join(STANDARDS)}",
    )


def film_files(paths: list[str]) -> list[Path]:
    """All film files in folders (sorted, hidden ones left out) and the files named. Raises FilmTrouble."""
    found: list[Path] = []
    for name in paths:
        path = Path(name)
        if path.is_dir():
            inside = sorted(
                p for p in path.rglob("*") if p.suffix.lower() in FILM and not p.name.startswith(".")
            )
            if not inside:
                raise FilmTrouble(
                    f"{path}: no film in this folder", f"film ends in {', '.join(FILM[:5])}, ..."
                )
            found += inside
        elif path.exists():
            found.append(path)
        else:
            raise FilmTrouble(f"{path}: no such file or folder", "check the name")
    return list(dict.fromkeys(found))


def run_process(args: argparse.Namespace) -> int:
    """Analyse clips or a tracking table into the season file."""
    standard = checked_standard(args.standard)
    season, out = Season(args.season), console()
    _read_rosters(season, args.roster)
    if args.tracks:
        return _process_tracks(args, standard, season)
    if not args.paths:
        raise FilmTrouble("there is nothing to process", "name a folder, clips, or --tracks TABLE")
    files = film_files(args.paths)
    remarks = _check_sheet(args.sheet, files)
    for line in remarks:
        out.print(line, style="yellow", soft_wrap=True)
    check_detector(args.detector)
    from vision.batch import run_batch

    workers = args.workers or max(1, (os.cpu_count() or 2) // 2)
    run_batch(
        files,
        args.season,
        standard=standard,
        workers=workers,
        sheet=args.sheet,
        roster=[r.rpartition("=")[2] for r in args.roster],
        again=args.again,
        detector=args.detector,
    )
    return _report(season, {f.name for f in files}) or (1 if remarks else 0)


def _read_rosters(season: Season, rosters: list[str]) -> None:
    from vision.charting import read_roster

    for item in rosters:
        team, _, name = item.rpartition("=")
        season.write_roster(read_roster(name, team or None))


def _check_sheet(sheet: str | None, files: list[Path]) -> list[str]:
    if not sheet:
        return []
    from vision.charting import read_sheet, unknown_clips

    read = read_sheet(sheet)
    return [*read.notes, *unknown_clips(read, files)]


def _process_tracks(args: argparse.Namespace, standard: str, season: Season) -> int:
    for name in (args.tracks, args.events):
        if name and not Path(name).is_file():
            raise SheetTrouble(f"{name}: no such tracking table", "check the name and the folder")
    from vision.from_tables import run_tracks

    out = console()
    stored, refused = run_tracks(
        args.tracks, args.season, standard=standard, events=args.events, sheet=args.sheet,
        tell=lambda line: out.print(line, style="yellow", soft_wrap=True),
    )  # fmt: skip
    return _report(season, None) or (1 if refused or not stored else 0)


def _report(season: Season, names: set[str] | None) -> int:
    """Say what is done, what failed and why, what needs a look; status 1 when anything failed."""
    out = console()
    report = season.clip_report()
    if names is not None:
        report = report[report["path"].notna()]
        report = report[report["path"].map(lambda p: Path(str(p)).name in names)]
    failed = report[report["status"] == "failed"]
    look = report[report["look"].map(lambda v: v is not None and v == v and bool(v))].drop_duplicates(
        "play_id"
    )
    done = report[report["status"] != "failed"]["play_id"].nunique()
    out.print(f"{done} plays stored in {season.path}; {len(failed)} clips failed; {len(look)} worth a look")
    for title, data in (
        ("failed", failed[["path", "reason"]]),
        ("worth a look", look[["play_id", "look_reason"]]),
    ):
        if len(data):
            out.print(table_of(data, title, out.width, 100))
    return 1 if len(failed) else 0


def run_detect(args: argparse.Namespace) -> int:
    """Write boxes of all inputs; inputs that cannot be read are listed and the rest done."""
    import numpy as np

    from models.detector.detector import Detector

    if not args.weights:
        check_detector(args.detector)
    detector = Detector.load(Path(args.weights) if args.weights else None, size=args.detector)
    names = np.array(["player", "official", "ball"])
    out, troubles, count = console(), [], 0
    target = Path(args.out)
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f".{target.name}.part")
    with part.open("w", newline="", encoding="utf-8") as file:
        write = csv.writer(file)
        write.writerow(["image", "class", "confidence", "x0_px", "y0_px", "x1_px", "y1_px", "frame", "pts_s"])
        for name in args.inputs:
            try:
                for frame, pts_s, found in _boxes(detector, name, args.every):
                    boxes = found.at_least(args.least)
                    for kind, confidence, box in zip(
                        boxes.kind, boxes.confidence, boxes.xyxy_px, strict=True
                    ):
                        if kind < len(names):
                            count += 1
                            write.writerow(
                                [
                                    name,
                                    names[kind],
                                    f"{confidence:.4f}",
                                    *(f"{v:.2f}" for v in box),
                                    frame,
                                    "" if pts_s is None else f"{pts_s:.4f}",
                                ]
                            )
            except Trouble as trouble:
                troubles.append(str(trouble))
    part.replace(target)
    for line in troubles:
        out.print(line, style="yellow", soft_wrap=True)
    out.print(f"wrote {target}: {count} boxes of {len(args.inputs) - len(troubles)} files")
    return FilmTrouble.exit_status if len(troubles) == len(args.inputs) else 1 if troubles else 0


def _boxes(detector: Detector, name: str, every: int) -> Iterator[tuple[int, float | None, Boxes]]:
    """(frame, pts_s, boxes) of a picture file or of film. Where every frame of film is read, the frames
    beside it count as further looks at the same men."""
    from models.detector.band import detect_still
    from models.detector.in_time import over_film

    looked = ((frame, pts_s, detect_still(detector, bgr)) for frame, pts_s, bgr in _pictures(name, every))
    if every > 1:
        yield from looked
        return
    rows, looks = itertools.tee(looked)
    settled = over_film(boxes for _, _, boxes in looks)
    yield from ((frame, pts_s, boxes) for (frame, pts_s, _), boxes in zip(rows, settled, strict=True))


def _pictures(name: str, every: int) -> Iterator[tuple[int, float | None, Any]]:
    """(frame, pts_s, bgr) of a picture file or of film."""
    from vision.film import PICTURES, open_clip, read_picture

    path = Path(name)
    if path.suffix.lower() in PICTURES:
        yield 0, None, read_picture(path)
        return
    clip = open_clip(path, threads=2)
    yield from clip.frames(step=every)


def run_calibrate(args: argparse.Namespace) -> int:
    """Write the cameras table of a clip or picture."""
    standard = checked_standard(args.standard)
    if not Path(args.input).is_file():
        raise FilmTrouble(f"{args.input}: no such file", "check the name and the folder")
    from calibration import save_cameras
    from vision.analyze import calibrate_film

    cameras, pts_s = calibrate_film(Path(args.input), standard, Path(args.clicks) if args.clicks else None)
    save_cameras(args.out, cameras, Path(args.input).stem, pts_s)
    share = float((cameras.status == 0).mean()) if len(cameras) else 0.0
    console().print(
        f"wrote {args.out}: {len(cameras)} frames, {share:.0%} measured, "
        f"{float((cameras.status == 2).mean()):.0%} lost"
        + (f"; {cameras.message}" if cameras.message else ""),
        soft_wrap=True,
    )
    return 1 if cameras.needs_click or (cameras.status == 2).all() else 0


def run_clicks(args: argparse.Namespace) -> int:
    """Write the page on which a person clicks field points."""
    from calibration import get_standard
    from vision.clicking import named_lines, named_rows, write_click_page
    from vision.film import PICTURES, open_clip, read_picture

    field = get_standard(checked_standard(args.standard))
    path = Path(args.input)
    picture = read_picture(path) if path.suffix.lower() in PICTURES else open_clip(path).picture(args.frame)
    written = write_click_page(
        picture, args.frame, path.name, args.out, named_lines(field.length_yd),
        named_rows(field.width_yd, field.hash_rows_yd),
    )  # fmt: skip
    console().print(
        f"wrote {written}: open it, click, save the CSV, then run underneath calibrate "
        f"{args.input} --standard {args.standard} --clicks FILE.csv --out FILE.parquet",
        soft_wrap=True,
    )
    return 0


def run_show(args: argparse.Namespace) -> int:
    """Draw what was found over the film, beside a diagram from above."""
    from vision.commands.options import season_of
    from vision.show import show_clip

    path = show_clip(season_of(args), args.clip, args.out, args.moment, args.film)
    console().print(f"wrote {path}")
    return 0
