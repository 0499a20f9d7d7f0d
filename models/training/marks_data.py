"""Targets for the mark network: from a camera and a list of painted marks to maps.

Targets are kept as distances (bytes, quarter pixels) rather than as masks, so that a random window
may scale them and the ridge still comes out at its proper width.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch

from calibration import Camera, get_standard
from models.marks.network import MASKS, POINTS

CANVAS_W, CANVAS_H = 1280, 720
TARGET_STRIDE = 2
STEP_PX = 0.25
RIDGE_SD_PX = 3.5
IGNORED, PRESENT = 0, 1
AHEAD = 128
"""frames labelled at a time, while the ones before them go to the device"""


@dataclass(frozen=True)
class MarkFrame:
    """One labelled picture. drawn: what was painted, in field yards, as models.synthetic writes it:
    yard_lines [[x, y0, y1]], side_lines [y], hash_rows_y_yd [y], row_ticks [[x, y]],
    numerals [[x, y, text, height, width, near]]; extent [x0, x1] of the end lines when known.
    occluded: (h, w) bool, True where a man or a post hides the ground (any size), or None.
    look: name of the look, for splits."""

    path: Path
    camera: Camera
    drawn: dict[str, Any]
    look: str = ""
    occluded: np.ndarray | Path | None = None


@dataclass
class MarkCache:
    """Everything on one device: images (N,3,H,W) uint8 RGB; distances (N,3,H/2,W/2) uint8 in quarter
    pixels; seen (N,1,H/2,W/2) uint8 0/1; points per frame (M,4): x, y (canvas px), class, state."""

    images: torch.Tensor
    distances: torch.Tensor
    seen: torch.Tensor
    points: list[torch.Tensor] = field(default_factory=list)
    looks: list[str] = field(default_factory=list)


def _polylines(
    camera: Camera, segments: list[tuple[tuple[float, float], tuple[float, float], float]]
) -> list[np.ndarray]:
    """Projected pieces (M, 2) of field segments (start, end, step in yards), cut where they leave the
    camera's domain. All segments are projected in one call: a frame has hundreds of ticks."""
    if not segments:
        return []
    places, owner = [], []
    for k, (a, b, step) in enumerate(segments):
        n = max(2, int(np.hypot(b[0] - a[0], b[1] - a[1]) / step) + 1)
        t = np.linspace(0, 1, n)[:, None]
        places.append(np.array(a) * (1 - t) + np.array(b) * t)
        owner.append(np.full(n, k))
    whose = np.concatenate(owner)
    px, valid = camera.to_image(np.concatenate(places))
    near = valid & (np.abs(px[:, 0]) < 8000) & (np.abs(px[:, 1]) < 8000)
    cut = np.nonzero((np.diff(near.astype(int)) != 0) | (np.diff(whose) != 0))[0] + 1
    return [px[p] for p in np.split(np.arange(len(px)), cut) if near[p[0]] and len(p) > 1]


def _draw(canvas: np.ndarray, pieces: Iterable[np.ndarray]) -> None:
    lines = [np.round(piece * 16).astype(np.int32) for piece in pieces]
    cv2.polylines(canvas, lines, False, 0, 1, cv2.LINE_8, 4)


def distance_maps(camera: Camera, drawn: dict[str, Any]) -> np.ndarray:
    """(3, H/2, W/2) uint8: distance in quarter pixels of the canvas to the nearest mark of each mask."""
    h, w = camera.height_px, camera.width_px
    lines = drawn.get("yard_lines", [])
    xs = [row[0] for row in lines]
    x0, x1 = drawn.get("extent", (min(xs, default=0.0) - 10.0, max(xs, default=100.0) + 10.0))
    sides = drawn.get("side_lines", [])
    segments: dict[str, list[tuple[tuple[float, float], tuple[float, float], float]]] = {m: [] for m in MASKS}
    segments["yard_line"] = [((x, a), (x, b), 1.0) for x, a, b in lines]
    segments["boundary"] = [((x0, y), (x1, y), 1.0) for y in sides]
    if len(sides) == 2:
        segments["boundary"] += [((x, sides[0]), (x, sides[1]), 1.0) for x in (x0, x1)]
    middle = sum(sides) / 2 if sides else camera.field_width_yd / 2
    for x, y in drawn.get("row_ticks", []):
        out = -1.0 if y < middle and drawn.get("standard") == "nfl" else 1.0
        segments["tick"].append(((x, y), (x, y + out * 2 / 3), 2 / 3))
    maps = []
    for name in MASKS:
        canvas = np.full((h, w), 255, np.uint8)
        _draw(canvas, _polylines(camera, segments[name]))
        far = np.minimum(cv2.distanceTransform(canvas, cv2.DIST_L2, 5), 255 * STEP_PX)
        at = far[TARGET_STRIDE // 2 :: TARGET_STRIDE, TARGET_STRIDE // 2 :: TARGET_STRIDE]
        maps.append(np.round(at / STEP_PX).astype(np.uint8))
    return np.stack(maps)


def _hidden_share(occluded: np.ndarray | None, quad: np.ndarray) -> float:
    """Share of a pixel rectangle (x0, y0, x1, y1) that is hidden."""
    if occluded is None:
        return 0.0
    h, w = occluded.shape
    x0, y0 = max(0, int(quad[0])), max(0, int(quad[1]))
    x1, y1 = min(w, int(quad[2]) + 1), min(h, int(quad[3]) + 1)
    return float(occluded[y0:y1, x0:x1].mean()) if x1 > x0 and y1 > y0 else 0.0


def point_targets(camera: Camera, drawn: dict[str, Any], occluded: np.ndarray | None) -> np.ndarray:
    """(M, 4) float32: x, y in canvas pixels, class index in POINTS, state (IGNORED or PRESENT).

    Hidden marks and marks too small to tell apart are ignored: neither asked for nor punished.
    """
    rows: list[tuple[float, float, int, int]] = []
    xs = [row[0] for row in drawn.get("yard_lines", [])]
    for kind, ys in (("row", drawn.get("hash_rows_y_yd", [])), ("side", drawn.get("side_lines", []))):
        at = np.array([(x, y) for x in xs for y in ys]).reshape(-1, 2)
        if not len(at):
            continue
        px, ok = camera.to_image(at)
        beside, ok2 = camera.to_image(at + [1.0, 0.0])
        for p, q, good in zip(px, beside, ok & ok2, strict=True):
            if good and -20 < p[0] < camera.width_px + 20 and -20 < p[1] < camera.height_px + 20:
                hidden = _hidden_share(occluded, np.array([p[0] - 3, p[1] - 3, p[0] + 3, p[1] + 3])) > 0.5
                small = np.hypot(*(q - p)) < 3.0
                rows.append((p[0], p[1], POINTS.index(kind), IGNORED if hidden or small else PRESENT))
    for x, y, _, height, width, _ in drawn.get("numerals", []):
        corners = np.array([[x + i * width / 2, y + j * height / 2] for i in (-1, 1) for j in (-1, 1)])
        px, ok = camera.to_image(np.vstack([[x, y], corners]))
        if not ok.all():
            continue
        box = np.array([*px[1:].min(0), *px[1:].max(0)])
        if -20 < px[0, 0] < camera.width_px + 20 and -20 < px[0, 1] < camera.height_px + 20:
            hidden = _hidden_share(occluded, box) > 0.5
            small = box[3] - box[1] < 5 or box[2] - box[0] < 8
            rows.append(
                (px[0, 0], px[0, 1], POINTS.index("numeral"), IGNORED if hidden or small else PRESENT)
            )
    return np.array(rows, np.float32).reshape(-1, 4)


def build_targets(frame: MarkFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Decode and label one frame on the canvas: image (3,H,W) uint8 RGB, distances, seen, points."""
    bgr = cv2.imread(str(frame.path))
    if bgr is None:
        raise ValueError(f"{frame.path.name}: not a readable picture")
    scale = min(CANVAS_W / bgr.shape[1], CANVAS_H / bgr.shape[0])
    size = (min(CANVAS_W, round(bgr.shape[1] * scale)), min(CANVAS_H, round(bgr.shape[0] * scale)))
    if size != (bgr.shape[1], bgr.shape[0]):
        bgr = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    canvas = np.zeros((CANVAS_H, CANVAS_W, 3), np.uint8)
    canvas[: size[1], : size[0]] = bgr
    camera = frame.camera.scaled(size[0] / frame.camera.width_px, size[1] / frame.camera.height_px)
    camera = camera.cropped(0, 0, CANVAS_W, CANVAS_H)
    hidden = frame.occluded
    if isinstance(hidden, Path):
        read = cv2.imread(str(hidden), cv2.IMREAD_GRAYSCALE)
        hidden = read > 0 if read is not None else None
    occluded = np.ones((CANVAS_H, CANVAS_W), bool)
    occluded[: size[1], : size[0]] = False
    if hidden is not None:
        occluded[: size[1], : size[0]] = (
            cv2.resize(hidden.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        )
    seen = (~occluded)[TARGET_STRIDE // 2 :: TARGET_STRIDE, TARGET_STRIDE // 2 :: TARGET_STRIDE]
    points = point_targets(camera, frame.drawn, occluded)
    image = np.ascontiguousarray(canvas[:, :, ::-1].transpose(2, 0, 1))
    return image, distance_maps(camera, frame.drawn), seen[None].astype(np.uint8), points


def camera_from_dict(values: dict[str, Any]) -> Camera:
    """A Camera from the keys of its constructor (centre_field_yd as a list)."""
    keys = (
        "width_px",
        "height_px",
        "centre_field_yd",
        "pan_deg",
        "tilt_deg",
        "roll_deg",
        "focal_px",
        "k1",
        "crown_yd",
        "field_width_yd",
    )
    return Camera(**{k: values[k] for k in keys if k in values})


def read_rendered_folder(folder: Path) -> list[MarkFrame]:
    """Frames of the renderer's data set (models.synthetic.dataset): frames/, looks/."""
    folder = Path(folder)
    drawn_by_look: dict[str, dict[str, Any]] = {}
    frames = []
    for label in sorted((folder / "frames").glob("*.json")):
        look = label.stem.rsplit("_", 1)[0]
        if look not in drawn_by_look:
            truth = json.loads((folder / "looks" / f"{look}.json").read_text())
            length, depth = get_standard(truth["standard"]).length_yd, truth["end_zone_depth_yd"]
            drawn_by_look[look] = truth["drawn"] | {
                "extent": [-depth, length + depth],
                "standard": truth["standard"],
            }
        row = json.loads(label.read_text())
        values = row["camera"] | {
            "crown_yd": row["camera"]["field_crown_yd"],
            "field_width_yd": get_standard(row["standard"]).width_yd,
        }
        frames.append(
            MarkFrame(
                label.with_suffix(".jpg"),
                camera_from_dict(values),
                drawn_by_look[look],
                f"{folder.name}/{look}",
                label.with_suffix(".covered.png"),
            )
        )
    return frames


def read_frames(folder: Path) -> list[MarkFrame]:
    """Labelled frames of either kind of folder. Raises ValueError naming the folder when it is neither."""
    folder = Path(folder)
    if (folder / "marks.json").exists():
        return read_mark_folder(folder)
    if (folder / "frames").is_dir():
        return read_rendered_folder(folder)
    raise ValueError(
        f"{folder.name}: neither a rendered data set (frames/, looks/) nor a folder with marks.json"
    )


def read_mark_folder(folder: Path) -> list[MarkFrame]:
    """Frames of a plain folder: ``marks.json`` (a list of {image, camera, drawn, look, occluded})."""
    rows = json.loads((Path(folder) / "marks.json").read_text())
    return [
        MarkFrame(
            Path(folder) / r["image"],
            camera_from_dict(r["camera"]),
            r["drawn"],
            str(r.get("look", "")),
            Path(folder) / r["occluded"] if r.get("occluded") else None,
        )
        for r in rows
    ]


def cache_marks(frames: list[MarkFrame], device: torch.device) -> MarkCache:
    """Label every frame in a thread pool and move it to the device."""
    n, h, w = len(frames), CANVAS_H // TARGET_STRIDE, CANVAS_W // TARGET_STRIDE
    cache = MarkCache(
        torch.empty((n, 3, CANVAS_H, CANVAS_W), dtype=torch.uint8, device=device),
        torch.empty((n, len(MASKS), h, w), dtype=torch.uint8, device=device),
        torch.empty((n, 1, h, w), dtype=torch.uint8, device=device),
    )
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)  # the pool is the parallel part
    try:
        with ThreadPoolExecutor(min(32, os.cpu_count() or 2)) as pool:
            ahead = [pool.submit(build_targets, f) for f in frames[:AHEAD]]
            for start in range(0, n, AHEAD):
                now = ahead
                ahead = [pool.submit(build_targets, f) for f in frames[start + AHEAD : start + 2 * AHEAD]]
                done = [d.result() for d in now]
                stop = start + len(done)
                for target, part in zip((cache.images, cache.distances, cache.seen), range(3), strict=True):
                    target[start:stop] = torch.from_numpy(np.stack([d[part] for d in done])).to(device)
                cache.points += [torch.from_numpy(d[3]).to(device) for d in done]
    finally:
        cv2.setNumThreads(threads)
    cache.looks = [f.look for f in frames]
    return cache
