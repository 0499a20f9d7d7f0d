"""`underneath score FILM_WITH_TRUTH ...`: end-to-end figures against film whose answer is known.

Each folder is one that `models.synthetic.season` wrote: clips/, sheet.csv, roster.csv and truth/. The clips
are processed from their pixels like any film (truth files are opened only afterwards), into a season in a
temporary folder or in `--season FOLDER` (what is stored there already is not done again). Several folders
come out as one table, a column each; folders of one style (pro, college, school) also added up.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.clip import ClipCameras, cameras_from_table
from calibration.standards import get_standard
from models.evaluation.boxes import add_boxes
from models.evaluation.camera import score_clip
from models.evaluation.chart import score_tables
from models.evaluation.tally import Tally
from models.evaluation.tracking import TrackCounts, count_tracks
from vision.charting import read_roster
from vision.score_camera import add_clip, camera_tally
from vision.score_peers import fault_table, keep_passes, peer_counts, peer_figures, peer_table
from vision.score_table import Film, csv_rows, everything, pooled, text_table
from vision.store import Season
from vision.trouble import FilmTrouble, StoreTrouble

TABLES = ("clips", "plays", "cameras", "tracks", "loose_boxes", "players", "routes", "matchups", "drops")
ELSEWHERE_YD = 2.0
SHEET, ROSTER = "sheet.csv", "roster.csv"


def read_truth(folder: Path) -> dict[str, pd.DataFrame]:
    """Truth tables by name. Raises FilmTrouble when the folder holds none."""
    found = {p.stem: pd.read_parquet(p) for p in sorted((folder / "truth").glob("*.parquet"))}
    if "plays" not in found or "tracks" not in found:
        raise FilmTrouble(f"{folder}: no truth beside this film", "make some with models.synthetic.season")
    return found


def found_tables(season: Season, truth: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The season's tables, with each play under the truth's play_id (they share their clips)."""
    tables = {name: season.table(name) for name in TABLES}
    ours = tables["clips"].set_index("clip_id")["play_id"].to_dict()
    theirs = truth["clips"].set_index("clip_id")["play_id"].to_dict()
    names = {str(ours[c]): str(theirs[c]) for c in ours if c in theirs and pd.notna(ours[c])}
    for name, table in tables.items():
        if "play_id" in table:
            tables[name] = table.assign(play_id=table["play_id"].map(lambda p: names.get(str(p), str(p))))
    return tables


def with_men_outside(true: pd.DataFrame, tracking: pd.DataFrame | None) -> pd.DataFrame:
    """A clip's true tracks with rows (observed False) for men while they are outside its picture.

    true: rows of one clip of the truth's tracks table, men in or near the picture only; tracking: the truth's
    10 Hz positions of everybody on the same clock (seconds from the snap), or None (nothing is added).
    """
    if tracking is None or not len(true):
        return true
    clock = true.drop_duplicates("frame").set_index("frame")["t_s"]
    play = str(true["play_id"].iloc[0])
    rows = [true]
    there = tracking[(tracking["play_id"] == play) & tracking["team"].isin(["offense", "defense"])]
    for entity, path in there.groupby("entity_id"):
        name = f"{play}|{entity}"
        away = clock.drop(true.loc[true["player_id"] == name, "frame"])
        away = away[away.between(path["t_s"].min(), path["t_s"].max())]
        places = {k: np.interp(away, path["t_s"], path[k]) for k in ("x_field_yd", "y_field_yd")}
        known = {"player_id": name, "team": path["team"].iloc[0], "observed": False}
        rows.append(pd.DataFrame({"frame": away.index, "t_s": away.to_numpy(), **places, **known}))
    return pd.concat([r for r in rows if len(r)], ignore_index=True)


def identity_counts(found: pd.DataFrame, true: pd.DataFrame) -> TrackCounts:
    """Identity counts of one clip: true men in the picture against our players.

    A place of ours that belongs to a true man outside the picture is neither right nor wrong.
    """
    frames = np.sort(true["frame"].unique())
    at = {int(f): i for i, f in enumerate(frames)}
    men = true[true["team"].isin(["offense", "defense"])]
    truth_xy = _grid(men[men["observed"].astype(bool)], at)
    hidden_xy = _grid(men[~men["observed"].astype(bool)], at)
    ours = found[(found["team"] != "official") & found["frame"].isin(at)]
    ours_xy = _grid(ours, at)
    for q in range(len(ours_xy)):
        if len(hidden_xy):
            away = np.linalg.norm(hidden_xy - ours_xy[q], axis=-1)
            seen = np.linalg.norm(truth_xy - ours_xy[q], axis=-1)
            lost = (np.nan_to_num(away, nan=99).min(0) < ELSEWHERE_YD) & (
                np.nan_to_num(seen, nan=99).min(0) > 1.0
            )
            ours_xy[q, lost] = np.nan
    return count_tracks(truth_xy, ours_xy)


def _grid(rows: pd.DataFrame, at: dict[int, int]) -> np.ndarray:
    people = {p: i for i, p in enumerate(rows["player_id"].unique())}
    out = np.full((len(people), len(at), 2), np.nan)
    i = rows["player_id"].map(people).to_numpy(int)
    k = rows["frame"].map(at).to_numpy(int)
    out[i, k] = rows[["x_field_yd", "y_field_yd"]].to_numpy(float)
    return out


def feet_of(
    truth: dict[str, pd.DataFrame], clip_id: str, cameras: ClipCameras, most: int = 60
) -> pd.DataFrame:
    """True foot points (px) and places (yd) of men in the picture on up to ``most`` frames of a clip: as the
    renderer's box table gives them, else (lean truth) the true places through the true cameras."""
    boxes = truth["boxes"]
    feet = boxes[(boxes["clip_id"] == clip_id) & boxes["kind"].isin(["player", "official"])]
    feet = feet[feet["visible"] > 0.5].dropna(subset=["foot_x_px"])
    if not len(feet):
        tracks = truth["tracks"]
        feet = tracks[(tracks["clip_id"] == clip_id) & tracks["observed"].astype(bool)]
    frames = np.unique(feet["frame"])
    feet = feet[feet["frame"].isin(frames[:: max(1, len(frames) // most)])].copy()
    if "foot_x_px" in feet:
        return feet
    parts = []
    for frame, rows in feet.groupby("frame"):
        camera = cameras.camera(int(frame))  # type: ignore[call-overload]
        if camera is not None:
            px, valid = camera.to_image(rows[["x_field_yd", "y_field_yd"]].to_numpy(float))
            parts.append(rows.assign(foot_x_px=px[:, 0], foot_y_px=px[:, 1])[valid])
    return pd.concat(parts) if parts else feet.assign(foot_x_px=np.nan, foot_y_px=np.nan)


def camera_figures(tally: Tally, found: pd.DataFrame, truth: dict[str, pd.DataFrame], standard: str) -> None:
    """Field error at the feet, share of frames with a camera, clips off by whole lines; share of field lines
    that lie within 5 px along all they show (the Jaccard count of soccer registration), jitter of a still
    point. The season keeps no covariance: coverage comes from vision.score_camera."""
    field = get_standard(standard)
    for clip in truth["clips"].itertuples():
        rows = found[found["clip_id"] == clip.clip_id]
        if not len(rows):
            tally.hit(f"{clip.view}: clip with a camera", False)
            continue
        theirs = truth["cameras"][truth["cameras"]["clip_id"] == clip.clip_id]
        true_cameras = cameras_from_table(theirs)
        feet = feet_of(truth, clip.clip_id, true_cameras)
        add_clip(tally, clip.view, score_clip(cameras_from_table(rows), true_cameras, feet, field))


def about_film(folder: Path) -> dict[str, Any]:
    """What the truth says of a film: standard, style ... Raises FilmTrouble when the folder holds none."""
    path = folder / "truth" / "game.json"
    if not path.is_file():
        raise FilmTrouble(f"{folder}: no truth beside this film", "make some with models.synthetic.season")
    return dict(json.loads(path.read_text()))


def clip_files(folder: Path) -> list[Path]:
    """The film files of a folder with truth."""
    return sorted(p for p in (folder / "clips").iterdir() if p.suffix in (".mp4", ".avi", ".mkv", ".mov"))


def process_folder(
    folder: Path,
    season_path: Path,
    workers: int,
    with_sheet: bool,
    with_roster: bool = True,
    detector: str = "small",
) -> Season:
    """Process what is not stored yet, as `process` does with the folder's sheet and roster."""
    from vision.batch import run_batch

    if with_roster and (folder / ROSTER).exists():
        Season(season_path).write_roster(read_roster(folder / ROSTER))
    sheet = folder / SHEET if with_sheet and (folder / SHEET).exists() else None
    standard = about_film(folder)["standard"]
    files = clip_files(folder)
    run_batch(files, season_path, standard=standard, workers=workers, sheet=sheet, detector=detector)
    return Season(season_path)


def what_was_shown(folder: Path, with_sheet: bool, with_roster: bool) -> str:
    """A line for the table: which of a folder's papers the program was shown."""
    papers = (("sheet", SHEET, with_sheet), ("roster", ROSTER, with_roster))
    said = [
        f"{'with' if on and (folder / name).exists() else 'without'} the {word}" for word, name, on in papers
    ]
    return f"{folder.name}: {' and '.join(said)}"


def score_folder(
    folder: Path, season_path: Path, workers: int = 1, with_sheet: bool = True, with_roster: bool = True
) -> dict[str, Any]:
    """Process (what is not stored yet) and score one folder of film with truth."""
    season = process_folder(folder, season_path, workers, with_sheet, with_roster)
    return figures_of(folder, season, about_film(folder)["standard"])


def tally_of(folder: Path, season: Season, standard: str) -> Tally:
    """Counts of a season already processed."""
    truth = read_truth(folder)
    found = found_tables(season, truth)
    tally = score_tables(found, truth)
    camera_figures(tally, found["cameras"], truth, standard)
    for clip in truth["clips"].itertuples():
        ours = found["tracks"][found["tracks"]["clip_id"] == clip.clip_id]
        theirs = truth["tracks"][truth["tracks"]["clip_id"] == clip.clip_id]
        if clip.view == "sideline":
            theirs = with_men_outside(theirs, truth.get("tracking"))
            tally.tracks.append(identity_counts(ours.dropna(subset=["x_field_yd"]), theirs))
        if len(ours) and "boxes" in truth:
            boxes = truth["boxes"][truth["boxes"]["clip_id"] == clip.clip_id]
            loose = found["loose_boxes"][found["loose_boxes"]["clip_id"] == clip.clip_id]
            add_boxes(tally, ours, boxes, (int(clip.width_px), int(clip.height_px)), loose=loose)
    return tally


def figures_of(folder: Path, season: Season, standard: str) -> dict[str, Any]:
    """Figures of a season already processed: name -> {value or median.., n}."""
    return tally_of(folder, season, standard).figures()


def print_figures(figures: dict[str, Any], title: str) -> None:
    """One aligned line a figure, with n."""
    print(f"\n{title}")
    for name, f in sorted(figures.items()):
        if "value" in f:
            print(f"  {name:<58} {f['value']:8.3f}  n={f['n']}")
        else:
            values = f"median {f['median']:.3f}  mean {f['mean']:.3f}  95th {f['p95']:.3f}"
            print(f"  {name:<58} {values}  n={f['n']}")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("film", nargs="+", type=Path, metavar="FILM_WITH_TRUTH")
    add("--season", type=Path, metavar="FOLDER", help="folder for the seasons (default: temporary)")
    add("--passes", type=Path, metavar="FOLDER", help="keep decoded clips here and use those kept")
    add("--peers", action="store_true", help="also general-purpose trackers on the same boxes")
    add(
        "--faults", type=int, default=0, metavar="N", help="also the tracker on N simulated plays with faults"
    )
    add("--camera", action="store_true", help="the camera alone: solve anew, all its figures, its speed")
    add("--clicks", action="store_true", help="with --camera: also with points a simulated operator names")
    add("--no-sheet", action="store_true", help="do not show the program the charting sheet")
    add("--no-roster", action="store_true", help="do not show the program the roster")
    add("--detector", default="small", help="small (default), fast or careful, as in process")
    add("--workers", type=int, default=max(1, (os.cpu_count() or 2) // 2))
    add("--every", action="store_true", help="print every figure of every folder, not the table alone")
    add("--json", type=Path, metavar="FILE", help="also write all figures as JSON")
    add("--csv", type=Path, metavar="FILE", help="also write all figures as CSV, one row a figure and film")
    return parser


def main(argv: list[str] | None = None) -> int:
    """Command line of `underneath score`."""
    args = _parser().parse_args(argv)
    films, peers, shown = [], [], []
    with tempfile.TemporaryDirectory() as scratch:
        keep = args.season or Path(scratch)
        if keep.is_file():
            raise StoreTrouble(
                f"{keep}: a season file", "--season names a folder, one season a film goes there"
            )
        keep.mkdir(parents=True, exist_ok=True)
        passes = args.passes or (Path(scratch) / "passes" if args.peers or args.camera else None)
        for folder in args.film:
            about, path = about_film(folder), keep / f"{folder.name}.duckdb"
            if passes is not None:
                keep_passes(folder, path, passes, args.workers, not args.no_sheet)
            standard, style = str(about["standard"]), str(about["style"])
            if args.camera and passes is not None:
                tally = camera_tally(folder, passes, standard, not args.no_sheet, args.clicks)
                films.append(Film(folder.name, style, tally))
                continue
            papers = (not args.no_sheet, not args.no_roster)
            season = process_folder(folder, path, args.workers, *papers, args.detector)
            shown.append(what_was_shown(folder, not args.no_sheet, not args.no_roster))
            films.append(Film(folder.name, style, tally_of(folder, season, standard)))
            if args.every:
                print_figures(films[-1].figures, f"{folder.name}:")
            if args.peers and passes is not None:
                peers.append(peer_counts(folder, season, passes))
    columns = [*films, *pooled(films)]
    if args.camera:
        columns.append(everything(films))
    print(text_table(columns))
    for line in dict.fromkeys(shown):
        print(line)
    if peers:
        print("\n" + peer_table(peers))
    if args.faults:
        print("\n" + fault_table(args.faults, args.peers))
    if args.json:
        every: dict[str, Any] = {c.name: c.figures for c in columns}
        for film in peers:
            every[film.film] = {**every[film.film], "trackers": peer_figures(film)}
        args.json.write_text(json.dumps(every, indent=1))
    if args.csv:
        csv_rows(columns).to_csv(args.csv, index=False)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
