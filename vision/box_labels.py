"""A set to correct boxes on, for the detector: frames of the season's film with the boxes it finds, a page to
correct them on, and the corrected frames as labels to train on.

The folder is one that detection tools read: images/*.jpg, and labels/*.txt with one row a box (kind, centre
x, centre y, width, height as shares of the picture). Only frames that a person has checked count as labels:
a man left unboxed would teach the detector to pass him over.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
import numpy as np

from models.detector import CORNER_PX
from models.evaluation.boxes import CORNERS
from models.evaluation.fault_counts import iou_table
from vision.clips import locate
from vision.sheets.page import embed
from vision.store import Season
from vision.trouble import FilmTrouble, SheetTrouble, Trouble

KINDS = ("player", "official", "ball", "other")
"""Same order as the detector's own."""
SURE = 0.25
SAME_IOU = 0.5
APART_S = 0.7
NOTE = """Open boxes.html, correct every frame (also officials, bench and ball), tick it as checked, save
boxes.json, then run: underneath labels boxes.json --read
Then: underneath train detector --labels THIS_FOLDER --out FOLDER (see DEVELOPERS.md). Any tool that reads
images/ and labels/ may be used instead of the page; then leave only corrected frames in images/.
"""


@dataclass(frozen=True)
class Chosen:
    """A frame to label: clip, its play, its file, the frame."""

    clip_id: str
    play_id: str
    path: Path
    frame: int


def choose_frames(season: Season, most: int, film_folder: str | Path | None = None) -> list[Chosen]:
    """Frames spread over the clips: by turns the one on which most men were followed without a box of their
    own, and the one farthest from those taken. Raises FilmTrouble when no film of the season is found."""
    clips = season.table("clips")
    clips = clips[clips["status"] != "failed"].drop_duplicates("clip_id")
    there = [(clip, locate(season, clip["path"], film_folder)) for clip in clips.to_dict("records")]
    films = [(clip, path) for clip, path in there if path is not None]
    each = max(1, -(-most // max(1, len(films))))
    pools: list[list[Chosen]] = []
    for clip, path in films:
        rows = season.table("tracks", [clip["play_id"]])
        rows = rows[rows["clip_id"] == clip["clip_id"]]
        missed = (~rows["observed"].fillna(False).astype(bool)).groupby(rows["frame"]).sum()
        apart = APART_S * float(clip["fps_num"]) / float(clip["fps_den"])
        taken = _spread(missed.index.to_numpy(int), missed.to_numpy(float), each, apart)
        pools.append([Chosen(str(clip["clip_id"]), str(clip["play_id"]), path, f) for f in taken])
    if not any(pools):
        raise FilmTrouble(
            f"{season.path}: no film of this season was found", "name its folder with --film FOLDER"
        )
    out: list[Chosen] = []
    for k in range(each):
        out += [pool[k] for pool in pools if k < len(pool)]
    return out[:most]


def _spread(frames: np.ndarray, missed: np.ndarray, count: int, apart: float) -> list[int]:
    taken: list[int] = []
    for k in range(count):
        away = np.min([np.abs(frames - t) for t in taken], axis=0) if taken else np.full(len(frames), np.inf)
        free = np.flatnonzero(away >= apart)
        if not len(free):
            break
        best = free[missed[free].argmax()] if k % 2 == 0 else free[away[free].argmax()]
        taken.append(int(frames[best]))
    return taken


def write_box_labels(
    season: Season, folder: Path, most: int = 24, film_folder: str | Path | None = None, detector: Any = None
) -> int:
    """Write images/, labels/, boxes.json, boxes.html and README.txt; returns the number of frames.

    Boxes are the detector's at confidence 0.25; where the season's track says what a man is (also after a
    person's correction of his team), his box takes that kind.
    """
    import cv2

    from vision.film import open_clip

    chosen = choose_frames(season, most, film_folder)
    if detector is None:
        from models.detector.detector import Detector

        detector = Detector.load()
    (folder / "images").mkdir(parents=True, exist_ok=True)
    frames = []
    for item in chosen:
        bgr = open_clip(item.path).picture(item.frame)
        boxes = detector.detect([bgr])[0].at_least(SURE)
        kind = kinds_known(season, item, np.asarray(boxes.xyxy_px, float), np.asarray(boxes.kind, int))
        height, width = bgr.shape[:2]
        name = f"{item.clip_id}_f{item.frame:05d}"
        cv2.imwrite(str(folder / "images" / f"{name}.jpg"), bgr, [cv2.IMWRITE_JPEG_QUALITY, 95])
        rows = [
            [int(k), *clipped(b + CORNER_PX, width, height)] for k, b in zip(kind, boxes.xyxy_px, strict=True)
        ]
        frames.append({"name": name, "width": width, "height": height, "checked": False, "boxes": rows})
    content = {"kinds": KINDS, "frames": frames}
    (folder / "boxes.json").write_text(json.dumps(content), encoding="utf-8")
    write_labels_text(folder, frames)
    room = resources.files("vision.sheets")
    template = jinja2.Environment(autoescape=True).from_string(room.joinpath("boxes.html").read_text("utf-8"))
    style = room.joinpath("style.css").read_text("utf-8")
    html = template.render(style=style, data=embed(content), name=season.path.stem)
    (folder / "boxes.html").write_text(html, encoding="utf-8")
    (folder / "README.txt").write_text(NOTE, encoding="utf-8")
    return len(frames)


def clipped(box: Any, width: int, height: int) -> list[float]:
    """A box within the picture, to a tenth of a pixel."""
    limits = (width, height, width, height)
    return [round(float(np.clip(v, 0, m)), 1) for v, m in zip(box, limits, strict=True)]


def kinds_known(season: Season, item: Chosen, xyxy: np.ndarray, kind: np.ndarray) -> np.ndarray:
    """Kinds of boxes, those of players and officials as the season's tracks have them."""
    rows = season.table("tracks", [item.play_id])
    seen = (rows["clip_id"] == item.clip_id) & (rows["frame"] == item.frame) & rows["observed"].astype(bool)
    rows = rows[seen].dropna(subset=["x0_px"])
    players = season.table("players", [item.play_id])
    named = players.dropna(subset=["team"]).drop_duplicates("player_id").set_index("player_id")["team"]
    teams = [named.get(p, t) for p, t in zip(rows["player_id"], rows["team"], strict=True)]
    out = kind.copy()
    if not len(rows) or not len(xyxy):
        return out
    theirs = rows[CORNERS].to_numpy(float)
    iou = iou_table(xyxy, theirs)
    for k in np.flatnonzero((iou.max(1) >= SAME_IOU) & (kind != KINDS.index("ball"))):
        team = teams[int(iou[k].argmax())]
        if team in ("offense", "defense", "official"):
            out[k] = KINDS.index("official" if team == "official" else "player")
    return out


def write_labels_text(folder: Path, frames: Sequence[dict[str, Any]]) -> None:
    """labels/*.txt of the frames."""
    (folder / "labels").mkdir(parents=True, exist_ok=True)
    for f in frames:
        w, h = float(f["width"]), float(f["height"])
        lines = []
        for k, x0, y0, x1, y1 in f["boxes"]:
            shares = ((x0 + x1) / 2 / w, (y0 + y1) / 2 / h, (x1 - x0) / w, (y1 - y0) / h)
            lines.append(f"{int(k)} " + " ".join(f"{v:.6f}" for v in shares))
        (folder / "labels" / f"{f['name']}.txt").write_text("\n".join(lines) + "\n")


def read_box_labels(path: Path, folder: Path | None = None) -> tuple[int, int]:
    """Take in a saved boxes.json: labels of the checked frames are written, frames not checked are moved to
    unchecked/, so that a training run sees corrected frames only. Returns (checked, boxes). Raises
    SheetTrouble naming frame and box of everything that is wrong; nothing is written then.

    folder: the labelling set (default: where the file lies).
    """
    folder = folder or path.parent
    try:
        frames = json.loads(path.read_text(encoding="utf-8"))["frames"]
        faults = [fault for f in frames for fault in _faults(f, folder)]
    except (ValueError, KeyError, TypeError) as error:
        raise SheetTrouble(f"{path}: not a file saved by boxes.html ({error})", "save it again") from None
    except FileNotFoundError:
        raise Trouble(f"{path}: no such file", "save it from boxes.html") from None
    if faults:
        raise SheetTrouble(f"{path}: {'; '.join(faults[:8])}", "correct these on the page and save again")
    checked = [f for f in frames if f["checked"]]
    if not checked:
        raise SheetTrouble(f"{path}: no frame is ticked as checked", "check at least one on the page")
    for f in frames:
        if not f["checked"]:
            for part, ending in (("images", "jpg"), ("labels", "txt")):
                source = folder / part / f"{f['name']}.{ending}"
                if source.exists():
                    (folder / "unchecked" / part).mkdir(parents=True, exist_ok=True)
                    shutil.move(source, folder / "unchecked" / part / source.name)
        else:
            back = folder / "unchecked" / "images" / f"{f['name']}.jpg"
            if back.exists():
                shutil.move(back, folder / "images" / back.name)
    write_labels_text(folder, checked)
    return len(checked), sum(len(f["boxes"]) for f in checked)


def _faults(f: dict[str, Any], folder: Path) -> list[str]:
    name, out = str(f["name"]), []
    if not any((folder / part / f"{name}.jpg").is_file() for part in ("images", "unchecked/images")):
        out.append(f"{name}: its picture is not in {folder / 'images'}")
    for k, (kind, x0, y0, x1, y1) in enumerate(f["boxes"], 1):
        if not 0 <= int(kind) < len(KINDS):
            out.append(f"{name} box {k}: kind {kind} is not one of {', '.join(KINDS)}")
        elif not (0 <= x0 < x1 <= f["width"] and 0 <= y0 < y1 <= f["height"]):
            out.append(f"{name} box {k}: outside the picture or empty")
    return out
