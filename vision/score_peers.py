"""Our tracker beside general-purpose trackers on the same boxes and cameras, in field yards.

The peers (PyPI `trackers`, a package for development) follow boxes in the picture as they come; the foot
points of their boxes go through the cameras that the season holds. All are judged alike: true men in the
picture, one yard, IDF1 and HOTA. Decoded clips are kept in a folder so that a film is decoded once.
"""

from __future__ import annotations

import contextlib
import multiprocessing as mp
import os
import pickle
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.clip import ClipCameras, cameras_from_table
from calibration.standards import get_standard
from models.evaluation.tracking import TrackCounts, add_counts
from vision.records import Detections
from vision.store import Season
from vision.store.keys import film_key
from vision.trouble import Trouble

OURS = "this program"


@dataclass(frozen=True)
class PeerCounts:
    """Counts of one film: tracker -> one TrackCounts a sideline clip."""

    film: str
    counts: dict[str, list[TrackCounts]]


def keep_passes(folder: Path, season_path: Path, keep: Path, workers: int, with_sheet: bool) -> int:
    """Decode the clips whose pass is not kept yet, and give the kept ones to the batch that follows.

    Passes are kept under the clip's name and a hash of film, standard and weights, so new weights decode
    anew. Returns how many were decoded.
    """
    from vision import batch, decoding
    from vision.charting import read_sheet
    from vision.score import about_film, clip_files

    standard = str(about_film(folder)["standard"])
    clips = clip_files(folder)
    sheet = folder / "sheet.csv" if with_sheet and (folder / "sheet.csv").exists() else None
    plays = batch.plan_plays(clips, read_sheet(sheet) if sheet else None, standard)
    keep.mkdir(parents=True, exist_ok=True)
    kept = {path: pass_path(keep, path, standard) for path in clips}
    missing = [path for path in clips if not kept[path].exists()]
    if missing:
        threads = max(1, (os.cpu_count() or 2) // max(1, workers))
        context = mp.get_context("spawn")
        with ProcessPoolExecutor(workers, context, decoding.start_worker, (threads,)) as pool:
            for done in [pool.submit(decoding.decode_to_file, p, standard, kept[p]) for p in missing]:
                with contextlib.suppress(Trouble):  # the batch meets it again and writes it down
                    done.result()
    done_keys = Season(season_path).finished_keys()
    room = season_path.with_name(f".{season_path.name}.film")
    for work in plays:
        keys = {path: film_key(path, batch._settings(standard, work.row)) for path, _ in work.clips}
        if set(keys.values()) <= done_keys:
            continue
        room.mkdir(parents=True, exist_ok=True)
        for path, key in keys.items():
            if kept[path].exists():
                _link(kept[path], room / f"{key}.pass")
    return len(missing)


def pass_path(keep: Path, clip: Path, standard: str) -> Path:
    """Where a clip's pass is kept."""
    from vision import batch

    key = film_key(clip, {**batch._settings(standard, None), "sheet": None})
    return keep / f"{clip.stem}.{key[:12]}.pass"


def _link(source: Path, target: Path) -> None:
    if target.exists():
        return
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def peer_counts(folder: Path, season: Season, keep: Path) -> PeerCounts:
    """All trackers on the sideline clips of one film. Raises Trouble where the package is not installed."""
    from vision.score import about_film, clip_files, found_tables, read_truth, with_men_outside
    from vision.tracking.peers import PEERS

    if find_spec("trackers") is None:
        raise Trouble("the package `trackers` is not installed", "pip install the development extras")
    standard = str(about_film(folder)["standard"])
    truth = read_truth(folder)
    found = found_tables(season, truth)
    files = {p.stem: p for p in clip_files(folder)}
    out: dict[str, list[TrackCounts]] = {name: [] for name in (OURS, *PEERS)}
    for clip in truth["clips"][truth["clips"]["view"] == "sideline"].itertuples():
        path = pass_path(keep, files[clip.clip_id], standard)
        cameras = found["cameras"][found["cameras"]["clip_id"] == clip.clip_id]
        if not path.exists() or not len(cameras):
            continue
        with path.open("rb") as file:
            film = pickle.load(file)
        ours = found["tracks"][found["tracks"]["clip_id"] == clip.clip_id]
        theirs = truth["tracks"][truth["tracks"]["clip_id"] == clip.clip_id]
        theirs = with_men_outside(theirs, truth.get("tracking"))
        one = clip_counts(
            film.detections, film.step, cameras_of(cameras, film.step), standard, ours, theirs,
            pictures(files[clip.clip_id], film.step),
        )  # fmt: skip
        for name, counts in one.items():
            out[name].append(counts)
    return PeerCounts(folder.name, out)


def cameras_of(table: pd.DataFrame, step: int) -> ClipCameras:
    """Cameras of the frames that were looked at, from the season's table of all frames."""
    table = table[table["frame"] % step == 0]
    return cameras_from_table(table.assign(frame=table["frame"] // step))


def clip_counts(
    detections: Detections, step: int, cameras: Any, standard: str, ours: pd.DataFrame, true: pd.DataFrame,
    picture: Callable[[int], np.ndarray] | None = None,
) -> dict[str, TrackCounts]:  # fmt: skip
    """Counts of one clip, tracker by tracker. ours, true: `tracks` rows of the clip (frames of the file);
    picture(i): the frame that detections call i, for the tracker that watches the background move."""
    from vision.score import identity_counts
    from vision.tracking.peers import PEERS, peer_tracks

    true = true[true["frame"] % step == 0]
    ours = ours[ours["frame"] % step == 0].dropna(subset=["x_field_yd", "y_field_yd"])
    out = {OURS: identity_counts(ours, true)}
    for name in PEERS:
        xy = peer_tracks(name, detections, cameras, get_standard(standard), picture)
        out[name] = identity_counts(rows_of(xy, step), true)
    return out


def rows_of(xy: np.ndarray, step: int) -> pd.DataFrame:
    """Places (Q,T,2) as `tracks` rows."""
    who, frame = np.nonzero(np.isfinite(xy).all(-1))
    return pd.DataFrame({
        "player_id": [f"t{k}" for k in who], "team": "unknown", "frame": frame * step,
        "x_field_yd": xy[who, frame, 0], "y_field_yd": xy[who, frame, 1],
    })  # fmt: skip


def pictures(path: Path, step: int) -> Callable[[int], np.ndarray]:
    """Frames of a clip one after the other (asked for in order, as a tracker does)."""
    from vision.film import open_clip

    def stream() -> Iterator[tuple[int, Any, np.ndarray]]:
        yield from open_clip(path).frames(step=step)

    state: dict[str, Any] = {"film": stream(), "at": -1, "bgr": None}

    def picture(frame: int) -> np.ndarray:
        if frame < state["at"]:
            state.update(film=stream(), at=-1)
        while state["at"] < frame:
            _, _, state["bgr"] = next(state["film"])
            state["at"] += 1
        return np.asarray(state["bgr"])

    return picture


def peer_figures(film: PeerCounts) -> dict[str, dict[str, float]]:
    """Tracker -> IDF1, HOTA at the gate, MOTA, identity changes a clip, n clips; for the JSON file."""
    out = {}
    for name, counts in film.counts.items():
        if counts:
            c, n = add_counts(counts), len(counts)
            out[name] = {
                "idf1": c.idf1,
                "hota": c.hota_gate,
                "mota": c.mota,
                "changes": c.switches / n,
                "n": n,
            }
    return out


def fault_table(plays: int, with_peers: bool) -> str:
    """The tracker on simulated plays under the fault settings fitted to the detector (test seeds), beside
    general-purpose trackers: the same figures without any film."""
    from models.synthetic.fault_settings import read_fitted
    from vision.tracking.benchmark import TEST, run
    from vision.tracking.peers import PEERS

    peers = PEERS[:3] if with_peers else ()
    lines = [
        f"Under fitted faults, {plays} simulated plays: IDF1 / HOTA (1 yd gate) / one identity to arrival"
    ]
    for preset in read_fitted():
        for name, result in run(preset, range(TEST, TEST + plays), peers=peers).items():
            c = add_counts(result.counts)
            kept = f"{float(np.mean(result.kept)):.2f} ({len(result.kept)})"
            words = f"{preset}, {OURS if name == 'ours' else name}"
            lines.append(f"{words:<36} {c.idf1:.2f} / {c.hota_gate:.2f} / {kept}")
    return "\n".join(lines)


def peer_table(films: list[PeerCounts]) -> str:
    """IDF1 and HOTA (1 yd gate) of every tracker on every film, and the lead of ours over the best peer."""
    names = list(films[0].counts)
    columns = [(f.film, f.counts) for f in films]
    if len(films) > 1:
        columns.append(("all", {n: [c for f in films for c in f.counts[n]] for n in names}))
    wide = max(17, *(len(n) for n, _ in columns))
    lines = [
        "IDF1 / HOTA in yards (1 yd gate), same boxes and cameras, sideline clips",
        f"{'tracker (n clips)':<28}" + "".join(f"  {n:>{wide}}" for n, _ in columns),
    ]
    totals = [{n: add_counts(v) for n, v in c.items() if v} for _, c in columns]
    for name in names:
        cells = [
            f"{t[name].idf1:.2f} / {t[name].hota_gate:.2f} ({len(c[name])})" if name in t else "–"
            for (_, c), t in zip(columns, totals, strict=True)
        ]
        lines.append(f"{name:<28}" + "".join(f"  {v:>{wide}}" for v in cells))
    leads = []
    for t in totals:
        peers = [c.idf1 for n, c in t.items() if n != OURS]
        leads.append(f"{t[OURS].idf1 - max(peers):+.2f}" if OURS in t and peers else "–")
    lines.append(f"{'IDF1 ahead of the best peer':<28}" + "".join(f"  {v:>{wide}}" for v in leads))
    return "\n".join(lines)
