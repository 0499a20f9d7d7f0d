"""The camera alone, on film with truth: every figure of it that needs more than the season keeps.

`underneath score FILM_WITH_TRUTH --camera [--clicks] [--passes FOLDER]` decodes (or takes the kept passes),
solves each game anew as `process` does, and prints coverage of the stated error, jitter, lines within 5 px,
clips off by whole lines, and the time it takes. `--clicks` solves every game once more with points that a
simulated operator names: true crossings of yard lines with rows, each 2 px off (one sd, both axes); four on
the first clip of a camera, one on every later clip; no charting sheet.
"""

from __future__ import annotations

import pickle
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.camera import Camera
from calibration.clip import ClipCameras, cameras_from_table
from calibration.evidence import EvidenceCollector
from calibration.game import ClipJob, GameCameras, preferred
from calibration.prior import Clicks
from calibration.standards import FieldStandard, get_standard
from models.evaluation.camera import score_clip
from models.evaluation.tally import Tally
from vision.analyze import FilmPass, solve_pass
from vision.batch import asks
from vision.every_frame import cameras_of_every_frame

CLICK_SD_PX = 2.0
TIMED_CLIPS = 2
CORES = 2
SEED = 4

SPEED = "camera: film frames a second on two cores"
"""Marks and background motion of every frame and the clip's solving; reading the file and finding the men
(both done anyway) are not counted. Frames over processor seconds, times two."""


@dataclass(frozen=True)
class TrueClip:
    """One clip with its pass and its true cameras (of every frame of the file) and feet."""

    path: Path
    film: FilmPass
    view: str
    row: Mapping[str, Any] | None
    truth: ClipCameras
    feet: pd.DataFrame


def true_clips(
    folder: Path, passes: Path, standard: str, finder: Any, with_sheet: bool
) -> Iterator[TrueClip]:
    """The folder's clips in order whose pass is kept in ``passes``."""
    from vision.charting import read_sheet
    from vision.score import clip_files, feet_of, read_truth
    from vision.score_peers import pass_path

    truth, sheet = read_truth(folder), None
    if with_sheet and (folder / "sheet.csv").exists():
        sheet = read_sheet(folder / "sheet.csv")
    files = {p.stem: p for p in clip_files(folder)}
    for clip in truth["clips"].itertuples():
        path = pass_path(passes, files[clip.clip_id], standard)
        if not path.exists():
            continue
        with path.open("rb") as file:
            film: FilmPass = pickle.load(file)
        film.evidence.reader = finder
        true = cameras_from_table(truth["cameras"][truth["cameras"]["clip_id"] == clip.clip_id])
        feet = feet_of(truth, clip.clip_id, true)
        row = sheet.row_of(files[clip.clip_id]) if sheet else None
        yield TrueClip(files[clip.clip_id], film, clip.view, row, true, feet)


def add_clip(tally: Tally, view: str, row: Mapping[str, Any]) -> None:
    """Count one clip's figures (models.evaluation.camera.score_clip)."""
    tally.hit(f"{view}: clip with a camera", row["off_yd"] is not None)
    tally.counts[f"{view}: frames with a camera/n"] += int(row["frames"])
    tally.counts[f"{view}: frames with a camera/right"] += round(row["found"] * row["frames"])
    if row["off_yd"] is None:
        return
    asks = bool(row["needs_click"])
    tally.hit(f"{view}: yard number right or said to be open", row["off_yd"] == 0 or asks)
    tally.hit(f"{view}: clips off by 5 or 10 yd", row["off_yd"] != 0 and not asks)
    tally.hit(f"{view}: asks for a click", asks)
    tally.add(f"{view}: camera error yd (clip medians)", [row["median_yd"]])
    tally.add(f"{view}: camera error yd (clip 95th)", [row["p95_yd"]])
    tally.add(f"{view}: jitter of a still point yd (clip rms)", [row["jitter_yd"]])
    for name, share, n in (
        ("lines within 5 px", "lines_5px", "lines"),
        ("feet inside the stated 95 % ellipse", "within_95", "points"),
    ):
        if row[share] is not None:
            tally.counts[f"{view}: {name}/n"] += int(row[n])
            tally.counts[f"{view}: {name}/right"] += round(row[share] * row[n])
    if row["within_95"] is not None:
        tally.add(f"{view}: share inside the 95 % ellipse (by clip)", [row["within_95"]])
        tally.add(f"{view}: squared error over the stated (clip medians, 1 expected)", [row["over_stated"]])


def camera_tally(
    folder: Path, passes: Path, standard: str, with_sheet: bool = True, clicks: bool = False, seed: int = SEED
) -> Tally:
    """Solve a folder's game from its kept passes and count; clicks: once more with named points."""
    from models.marks.finder import MarkFinder

    field, finder, tally = get_standard(standard), MarkFinder.load(), Tally()
    clips = list(true_clips(folder, passes, standard, finder, with_sheet))
    began = time.process_time()
    found = solve_all(clips, field)
    solving = (time.process_time() - began) / max(sum(len(c.film.pts_s) for c in clips), 1)
    for clip, cameras in zip(clips, found, strict=True):
        add_clip(tally, clip.view, _figures(cameras, clip, field))
    for clip in clips[:TIMED_CLIPS]:
        tally.add(SPEED, [CORES / (collecting_s(clip.path, clip.film, field, finder) + solving)])
    if clicks:
        _with_clicks(tally, clips, field, np.random.default_rng(seed))
    return tally


def solve_all(clips: list[TrueClip], field: FieldStandard) -> list[ClipCameras]:
    """A game's cameras as `process` solves them: each clip in order, then those that were lost, ask or were
    solved before the game knew its camera again with what the whole game has taught."""
    game = GameCameras(field)
    found, early = [], []
    for clip in clips:
        early.append(not game.knows(clip.view))
        found.append(solve_pass(clip.film, game, field, clip.row, clip.view))
    for k, clip in enumerate(clips):
        settled = early[k] and game.knows(clip.view)
        if settled or asks(found[k]):
            again = solve_pass(clip.film, game, field, clip.row, clip.view)
            if preferred(found[k], again, settled):
                found[k] = again
    return found


def _figures(found: ClipCameras, clip: TrueClip, field: FieldStandard) -> dict[str, Any]:
    full = cameras_of_every_frame(found, clip.film.step, len(clip.film.pts_s))
    return score_clip(full, clip.truth, clip.feet, field)


def collecting_s(path: Path, film: FilmPass, field: FieldStandard, finder: Any) -> float:
    """Processor seconds a frame of the file for marks and background motion, the men's boxes given."""
    from vision.film import open_clip

    collector, spent = EvidenceCollector(field, finder), 0.0
    found = film.detections
    for index, _, bgr in open_clip(path):
        if index % film.step:
            continue
        mine = (found.frame == index // film.step) & (found.confidence > 0.3) & (found.kind != 2)
        began = time.process_time()
        collector.add(index // film.step, bgr, found.xyxy_px[mine])
        spent += time.process_time() - began
    return spent / max(len(film.pts_s), 1)


def _with_clicks(tally: Tally, clips: list[TrueClip], field: FieldStandard, rng: np.random.Generator) -> None:
    """The clicks way over all clips, in their order."""
    game, seen = GameCameras(field), set[str]()
    for clip in clips:
        count = 1 if clip.view in seen else 4
        named = named_points(clip, field, count, rng)
        name = f"{clip.view}: with clicks"
        if not named:
            tally.hit(f"{name}: four crossings in one frame", False)
            continue
        try:
            found = game.solve(ClipJob(clip.film.clip_id, clip.film.evidence, clip.view, None, named)).cameras
        except ValueError:
            tally.hit(f"{name}: refused", True)
            continue
        if found.found_share > 0.5:
            seen.add(clip.view)
        row = _figures(found, clip, field)
        tally.hit(f"{name}: refused", False)
        tally.hit(f"{name}: clips off by 5 or 10 yd", bool(row["off_yd"]) or bool(row["turned"]))
        tally.hit(f"{name}: still asks", bool(row["needs_click"]))
        if row["off_yd"] is not None:
            tally.add(f"{name}: camera error yd (clip medians)", [row["median_yd"]])


def named_points(clip: TrueClip, field: FieldStandard, count: int, rng: np.random.Generator) -> Clicks:
    """Points a careful operator names on the first frame that shows them: one, or four where two yard lines
    cross two rows, far apart; {} when no frame shows enough."""
    evidence = clip.film.evidence
    gate = 0.02 * evidence.width_px
    for frame in sorted(evidence.marks):
        camera = clip.truth.camera(frame * clip.film.step)
        if camera is None:
            continue
        px, xy = _crossings(camera, field, gate)
        chosen = _spread(px, xy, count, rng)
        if len(chosen):
            at = px[chosen] + rng.normal(0, CLICK_SD_PX, (len(chosen), 2))
            return {frame: [(*map(float, a), *map(float, b)) for a, b in zip(at, xy[chosen], strict=True)]}  # type: ignore[misc]
    return {}


def _crossings(camera: Camera, field: FieldStandard, margin_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Crossings of yard lines with rows and side lines in the picture: px (N, 2), field yards (N, 2)."""
    rows = (0.0, *field.hash_rows_yd, field.width_yd)
    xy = np.array([(x, y) for x in field.yard_lines_yd for y in rows])
    px, ok = camera.to_image(xy)
    size = np.array([camera.width_px, camera.height_px])
    ok &= (np.nan_to_num(px, nan=-1.0) > margin_px).all(1) & (np.nan_to_num(px) < size - margin_px).all(1)
    return px[ok], xy[ok]


def _spread(px: np.ndarray, xy: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    """Indices of ``count`` points: one at random, or the four of two rows and two lines with the largest area
    in the picture; empty when there are none."""
    if not len(px):
        return np.zeros(0, int)
    if count == 1:
        return np.array([rng.integers(len(px))])
    index = {(float(x), float(y)): i for i, (x, y) in enumerate(xy)}
    best, most = np.zeros(0, int), 0.0
    lines, rows = np.unique(xy[:, 0]), np.unique(xy[:, 1])
    for a, x0 in enumerate(lines):
        for x1 in lines[a + 1 :]:
            for b, y0 in enumerate(rows):
                for y1 in rows[b + 1 :]:
                    four = [
                        index.get((float(x), float(y))) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
                    ]
                    if None in four:
                        continue
                    u, v = px[np.array(four, int)].T
                    area = 0.5 * abs(float(u @ np.roll(v, 1) - v @ np.roll(u, 1)))
                    if area > most:
                        best, most = np.array(four, int), area
    return best
