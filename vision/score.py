"""`underneath score FILM_WITH_TRUTH`: end-to-end figures against film whose answer is known.

The folder is one that `models.synthetic.season` wrote: clips/, sheet.csv and truth/. The clips are
processed from their pixels like any film (truth files are opened only afterwards), into a season
beside them or into `--season FILE` (which is reused as it is when it exists).
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
from models.evaluation.camera import score_clip
from models.evaluation.chart import Tally, score_tables
from models.evaluation.tracking import TrackCounts, add_counts, count_tracks
from vision.store import Season
from vision.trouble import FilmTrouble

TABLES = ("clips", "plays", "cameras", "tracks", "players", "routes", "matchups", "drops")
ELSEWHERE_YD = 2.0


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
    """Field error at the feet, share of frames with a camera, clips off by whole lines."""
    field = get_standard(standard)
    for clip in truth["clips"].itertuples():
        rows = found[found["clip_id"] == clip.clip_id]
        if not len(rows):
            tally.hit(f"{clip.view}: clip with a camera", False)
            continue
        theirs = truth["cameras"][truth["cameras"]["clip_id"] == clip.clip_id]
        true_cameras = cameras_from_table(theirs)
        feet = feet_of(truth, clip.clip_id, true_cameras)
        row = score_clip(cameras_from_table(rows), true_cameras, feet, field)
        tally.hit(f"{clip.view}: clip with a camera", row["off_yd"] is not None)
        tally.counts[f"{clip.view}: frames with a camera/n"] += int(row["frames"])
        tally.counts[f"{clip.view}: frames with a camera/right"] += round(row["found"] * row["frames"])
        if row["off_yd"] is not None:
            tally.hit(
                f"{clip.view}: yard number right or said to be open", row["off_yd"] == 0 or row["needs_click"]
            )
            tally.hit(f"{clip.view}: asks for a click", bool(row["needs_click"]))
            tally.add(f"{clip.view}: camera error yd (clip medians)", [row["median_yd"]])
            tally.add(f"{clip.view}: camera error yd (clip 95th)", [row["p95_yd"]])


def score_folder(
    folder: Path, season_path: Path, workers: int = 1, with_sheet: bool = True
) -> dict[str, Any]:
    """Process (what is not stored yet) and score one folder of film with truth."""
    from vision.batch import run_batch

    truth_about = json.loads((folder / "truth" / "game.json").read_text())
    clips = sorted(p for p in (folder / "clips").iterdir() if p.suffix in (".mp4", ".avi", ".mkv", ".mov"))
    sheet = folder / "sheet.csv" if with_sheet and (folder / "sheet.csv").exists() else None
    run_batch(clips, season_path, standard=truth_about["standard"], workers=workers, sheet=sheet)
    return figures_of(folder, Season(season_path), truth_about["standard"])


def figures_of(folder: Path, season: Season, standard: str) -> dict[str, Any]:
    """Figures of a season already processed: name -> {value or median.., n}."""
    truth = read_truth(folder)
    found = found_tables(season, truth)
    tally = score_tables(found, truth)
    camera_figures(tally, found["cameras"], truth, standard)
    counts = []
    for clip in truth["clips"].itertuples():
        ours = found["tracks"][found["tracks"]["clip_id"] == clip.clip_id]
        theirs = truth["tracks"][truth["tracks"]["clip_id"] == clip.clip_id]
        if clip.view == "sideline":
            counts.append(identity_counts(ours.dropna(subset=["x_field_yd"]), theirs))
    figures = tally.figures()
    if counts:
        total = add_counts(counts)
        figures["HOTA in yards (1 yd gate)"] = {"value": total.hota_gate, "n": len(counts)}
        figures["IDF1 in yards"] = {"value": total.idf1, "n": len(counts)}
    return figures


def print_figures(figures: dict[str, Any], title: str) -> None:
    """One aligned line a figure, with n."""
    print(f"\n{title}")
    for name, f in sorted(figures.items()):
        if "value" in f:
            print(f"  {name:<58} {f['value']:8.3f}  n={f['n']}")
        else:
            values = f"median {f['median']:.3f}  mean {f['mean']:.3f}  95th {f['p95']:.3f}"
            print(f"  {name:<58} {values}  n={f['n']}")


def main(argv: list[str] | None = None) -> int:
    """Command line of `underneath score`."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("film", nargs="+", type=Path, metavar="FILM_WITH_TRUTH")
    parser.add_argument(
        "--season", type=Path, metavar="FOLDER", help="folder for the seasons (default: temporary)"
    )
    parser.add_argument("--no-sheet", action="store_true", help="do not show the program the charting sheet")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) // 2))
    parser.add_argument("--json", type=Path, metavar="FILE", help="also write the figures as JSON")
    args = parser.parse_args(argv)
    every: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as scratch:
        keep = args.season or Path(scratch)
        keep.mkdir(parents=True, exist_ok=True)
        for folder in args.film:
            path = keep / f"{folder.name}.duckdb"
            every[folder.name] = score_folder(folder, path, args.workers, not args.no_sheet)
            print_figures(every[folder.name], f"{folder.name}:")
    if args.json:
        args.json.write_text(json.dumps(every, indent=1))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
