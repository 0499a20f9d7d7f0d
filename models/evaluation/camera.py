"""How good the cameras are, on rendered film with exact truth: pure metrics and one runner.

    python -m models.evaluation.camera FOLDER [FOLDER ...] [--boxes truth|none] [--spot] [--out FILE.json]

FOLDER holds ``clips`` and ``truth`` as models.synthetic.season writes them. Truth cameras are the
renderer's own (another projection code than the solver's). Figures are those of the camera's
quality goals: field error at the players' feet, frames with a camera, clips off by whole five
yards, clips that ask for a click, share of lines within five pixels, jitter, coverage of the stated
covariance, cost a frame.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from calibration import Camera, ClipCameras, get_standard
from calibration.clip import cameras_from_table
from calibration.evidence import ClipEvidence, EvidenceCollector
from calibration.game import ClipJob, GameCameras
from calibration.standards import FieldStandard
from models.evaluation.boxes import CORNERS

CHI2_95, CHI2_50 = 5.991, 1.386  # quantiles of chi-squared with two degrees of freedom
FOOT_SD_PX = 1e-3  # the truth's foot points are exact: the camera's covariance stands alone


def field_errors(
    cameras: ClipCameras, feet: pd.DataFrame, standard: FieldStandard, turned: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Error vectors (N, 2) in yards of every visible true foot point on frames with a camera, and its
    squared Mahalanobis length (N,) under the stated covariance.

    feet: columns frame, foot_x_px, foot_y_px, x_field_yd, y_field_yd. turned: compare after a turn of
    the field.
    """
    errors, lengths = [], []
    for frame, rows in feet.groupby("frame"):
        camera = cameras.camera(int(frame))  # type: ignore[call-overload]
        if camera is None:
            continue
        xy, valid, covariance = camera.to_field(rows[["foot_x_px", "foot_y_px"]].to_numpy(float), FOOT_SD_PX)
        if turned:
            xy = np.array([standard.length_yd, standard.width_yd]) - xy
        e = (xy - rows[["x_field_yd", "y_field_yd"]].to_numpy(float))[valid]
        c = covariance[valid] + 1e-8 * np.eye(2)
        errors.append(e)
        lengths.append(np.einsum("ni,nij,nj->n", e, np.linalg.inv(c), e))
    if not errors:
        return np.zeros((0, 2)), np.zeros(0)
    return np.concatenate(errors), np.concatenate(lengths)


def lines_within(
    camera: Camera, truth: Camera, standard: FieldStandard, pixels: float = 5.0
) -> tuple[int, int]:
    """(lines whose every visible point is within ``pixels`` (of a picture 1280 wide), lines visible)."""
    gate = pixels * truth.width_px / 1280
    good = seen = 0
    segments = [((x, 0.0), (x, standard.width_yd)) for x in standard.yard_lines_yd]
    segments += [
        ((0.0, y), (standard.length_yd, y)) for y in (0.0, *standard.hash_rows_yd, standard.width_yd)
    ]
    t = np.linspace(0, 1, 41)[:, None]
    for a, b in segments:
        xy = np.array(a) * (1 - t) + np.array(b) * t
        px, ok = truth.to_image(xy)
        ok &= (px[:, 0] >= 0) & (px[:, 1] >= 0) & (px[:, 0] < truth.width_px) & (px[:, 1] < truth.height_px)
        if ok.sum() < 4:
            continue
        mine, ok2 = camera.to_image(xy[ok])
        seen += 1
        good += bool(ok2.all() and np.hypot(*(mine - px[ok]).T).max() < gate)
    return good, seen


def jitter_yd(cameras: ClipCameras, truth: ClipCameras) -> float:
    """Rms over frames of the quick part of the error at the picture's middle (less its mean over 9
    frames)."""
    rows = []
    for frame in range(len(truth)):
        a, b = cameras.camera(frame), truth.camera(frame)
        if a is None or b is None:
            rows.append([np.nan, np.nan])
            continue
        middle = np.array([[b.principal[0], b.principal[1] * 1.2]])
        p, ok, _ = a.to_field(middle)
        q, ok2, _ = b.to_field(middle)
        rows.append((p - q)[0] if ok[0] and ok2[0] else [np.nan, np.nan])
    e = pd.DataFrame(rows)
    quick = e - e.rolling(9, center=True, min_periods=5).mean()
    return (
        float(np.sqrt(np.nanmean(quick.to_numpy() ** 2) * 2))
        if quick.notna().to_numpy().any()
        else float("nan")
    )


def half_turn(cameras: ClipCameras, standard: FieldStandard) -> ClipCameras:
    """The same cameras on the field turned by 180 degrees."""
    p, turn = cameras.parameters.copy(), np.diag([1.0, 1, 1, 1, 1, -1, -1, 1, 1])
    p[:, 0] -= 180.0
    p[:, 5], p[:, 6] = standard.length_yd - p[:, 5], standard.width_yd - p[:, 6]
    return replace(cameras, parameters=p, covariance=turn @ cameras.covariance @ turn, _cache={})


def score_clip(
    cameras: ClipCameras, truth: ClipCameras, feet: pd.DataFrame, standard: FieldStandard
) -> dict[str, Any]:
    """All figures of one clip. An end-zone clip whose end is openly unknown is compared at the better end."""
    e, length = field_errors(cameras, feet, standard)
    turned = False
    if cameras.view == "endzone" and len(e):
        other, other_length = field_errors(cameras, feet, standard, True)
        if np.median(np.abs(other)) < np.median(np.abs(e)):
            e, length, turned = other, other_length, True
            cameras = half_turn(cameras, standard)
    row: dict[str, Any] = {
        "frames": len(cameras),
        "found": cameras.found_share,
        "needs_click": cameras.needs_click,
        "margin": cameras.offset_margin,
        "message": cameras.message,
        "points": len(e),
        "turned": turned,
    }
    if not len(e):
        return row | {"off_yd": None, "median_yd": None, "p95_yd": None}
    off = float(np.round(np.median(e[:, 0]) / 5) * 5)
    modulo = np.hypot(e[:, 0] - off, e[:, 1])
    lines = [
        lines_within(c, t, standard)
        for f in range(0, len(truth), 10)
        if (c := cameras.camera(f)) is not None and (t := truth.camera(f)) is not None
    ]
    stated = off == 0 and bool(np.nanmax(np.abs(cameras.covariance)) > 0)  # a stored table may lack it
    row |= {
        "off_yd": off,
        "median_yd": float(np.median(modulo)),
        "p95_yd": float(np.percentile(modulo, 95)),
        "within_95": float(np.mean(length < CHI2_95)) if stated else None,
        "over_stated": float(np.median(length)) / CHI2_50 if stated else None,
        "lines_5px": sum(g for g, _ in lines) / max(sum(s for _, s in lines), 1) if off == 0 else None,
        "lines": sum(s for _, s in lines),
        "jitter_yd": jitter_yd(cameras, truth),
    }
    return row


def collect(
    path: Path, standard: FieldStandard, finder: Any, boxes: pd.DataFrame | None, every: int = 12
) -> tuple[ClipEvidence, dict[str, float]]:
    """Decode a clip once and gather its evidence; seconds spent decoding and collecting."""
    collector = EvidenceCollector(standard, finder, every)
    film = cv2.VideoCapture(str(path))
    by_frame = {} if boxes is None else {f: b for f, b in boxes.groupby("frame")}
    spent, decode, i = 0.0, 0.0, 0
    while True:
        t0 = time.process_time()
        ok, bgr = film.read()
        t1 = time.process_time()
        if not ok:
            break
        rows = by_frame.get(i)
        xyxy = None if rows is None else rows[CORNERS].to_numpy(float)
        collector.add(i, bgr, xyxy)
        decode += t1 - t0
        spent += time.process_time() - t1
        i += 1
    if collector.evidence is None:
        raise ValueError(f"{path.name}: no frame could be read")
    return collector.evidence, {"decode_s": decode, "collect_s": spent}


def evaluate_folder(
    folder: Path, finder: Any, use_boxes: bool = True, use_spot: bool = False, every: int = 12
) -> list[dict[str, Any]]:
    """One row per clip of a season folder, solved as one game."""
    folder = Path(folder)
    read = lambda name: pd.read_parquet(folder / "truth" / f"{name}.parquet")  # noqa: E731
    clips, plays, cameras, boxes = (
        read("clips"),
        read("plays").set_index("play_id"),
        read("cameras"),
        read("boxes"),
    )
    rows = []
    games: dict[str, GameCameras] = {}
    for clip in clips.to_dict("records"):
        play = plays.loc[clip["play_id"]]
        standard = get_standard(play["standard"])
        mine = boxes[boxes.clip_id == clip["clip_id"]]
        seen = mine[(mine.kind != "ball") & (mine.visible > 0.05)]
        if not cv2.VideoCapture(str(folder / "clips" / clip["path"])).read()[0]:
            print(f"{clip['path']}: no frame could be read; left out", flush=True)
            continue
        evidence, cost = collect(
            folder / "clips" / clip["path"], standard, finder, seen if use_boxes else None, every
        )
        spot = (float(play["los_field_yd"]), None) if use_spot else None
        began = time.process_time()
        found = games.setdefault(standard.name, GameCameras(standard)).solve(
            ClipJob(clip["clip_id"], evidence, clip["view"], spot)
        )
        cost["solve_s"] = time.process_time() - began
        truth_rows = cameras[cameras.clip_id == clip["clip_id"]].assign(
            width_px=clip["width_px"], height_px=clip["height_px"], field_width_yd=standard.width_yd
        )
        truth = cameras_from_table(truth_rows)
        feet = mine[
            (mine.kind == "player")
            & (mine.visible > 0.2)
            & mine.foot_x_px.between(0, clip["width_px"])
            & mine.foot_y_px.between(0, clip["height_px"])
        ]
        row = {
            "clip": clip["clip_id"],
            "view": clip["view"],
            "standard": standard.name,
            "width_px": clip["width_px"],
        }
        row |= score_clip(found.cameras, truth, feet, standard)
        rows.append(row | {k: v / max(len(evidence), 1) * 1000 for k, v in cost.items()})
    return rows


def _middle(rows: list[dict[str, Any]], key: str) -> float:
    """Median of a figure over the clips that have it."""
    return float(np.median([r[key] for r in rows if r.get(key) is not None] or [np.nan]))


def summarise(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Figures over clips, by view; counts are added, ratios computed last."""
    out: dict[str, Any] = {}
    for view in sorted({r["view"] for r in rows}):
        mine = [r for r in rows if r["view"] == view]
        solved = [r for r in mine if r["points"]]
        out[view] = {
            "clips": len(mine),
            "solved": len(solved),
            "frames_with_camera": sum(r["found"] * r["frames"] for r in mine)
            / max(sum(r["frames"] for r in mine), 1),
            "median_yd": _middle(solved, "median_yd"),
            "p95_yd_median_clip": _middle(solved, "p95_yd"),
            "p95_yd_worst_clip": max((r["p95_yd"] for r in solved), default=float("nan")),
            "silently_off": sum(bool(r["off_yd"]) and not r["needs_click"] for r in solved),
            "asks_for_click": sum(bool(r["needs_click"]) for r in mine),
            "lines_within_5px": _middle(solved, "lines_5px"),
            "jitter_yd": _middle(solved, "jitter_yd"),
            "within_95": _middle(solved, "within_95"),
            "solve_ms_a_frame": _middle(solved, "solve_s"),
            "collect_ms_a_frame": _middle(mine, "collect_s"),
        }
    return out


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--weights", type=Path)
    parser.add_argument("--boxes", choices=("truth", "none"), default="truth")
    parser.add_argument("--spot", action="store_true", help="give the charted line of scrimmage")
    parser.add_argument("--every", type=int, default=12)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    from models.marks.finder import MarkFinder

    finder = MarkFinder.load(args.weights)
    rows = []
    for folder in args.folders:
        rows += evaluate_folder(folder, finder, args.boxes == "truth", args.spot, args.every)
    result = {"summary": summarise(rows), "clips": rows}
    print(
        pd.DataFrame(rows).drop(columns="message").to_string(index=False, float_format=lambda v: f"{v:.3f}")
    )
    print(json.dumps(result["summary"], indent=1))
    if args.out:
        args.out.write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
