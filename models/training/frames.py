"""Labelled frames in memory: decoded once, kept as bytes on the training device.

Two kinds of folder are read: the renderer's data set (``models.synthetic.dataset``) and a plain
Ultralytics detection folder (``images/*.jpg`` with ``labels/*.txt`` beside it: kind, then centre x,
centre y, width and height as shares of the picture).
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import torch

from models.detector import CORNER_PX
from models.detector.network import KINDS

CANVAS_W, CANVAS_H = 1280, 720
FINE = 1.5
"""A fine cache holds 1920 x 1080 px of each picture: looks of 1600 and 1920 px at 1080p film use them."""
PICTURES = (".jpg", ".jpeg", ".png")


class LabelError(ValueError):
    """A label folder that cannot be used; the message lists the faults file by file."""


@dataclass(frozen=True)
class LabelledFrame:
    """One picture file and its boxes: xyxy_px (N, 4) float32 in the file's pixels, kind (N,) int64.

    As in label files (0, 0) is the corner of the first pixel; rendered truth (its middle) is moved.

    ignored_px (M, 4): balls half hidden, which are neither to be found nor wrong to be found.
    """

    path: Path
    xyxy_px: np.ndarray
    kind: np.ndarray
    ignored_px: np.ndarray = field(default_factory=lambda: np.zeros((0, 4), np.float32))


@dataclass
class FrameCache:
    """Decoded frames: images (N, 3, H, W) uint8 RGB on a device, of the canvas's size or ``FINE`` times it;
    boxes (canvas px) and kinds per frame, and the balls to ignore, in ordinary memory, where picture by
    picture work is quick."""

    images: torch.Tensor
    boxes: list[torch.Tensor] = field(default_factory=list)
    kinds: list[torch.Tensor] = field(default_factory=list)
    ignored: list[torch.Tensor] = field(default_factory=list)


def read_label_folder(folder: Path) -> list[LabelledFrame]:
    """Read an Ultralytics detection folder; every fault is collected before LabelError is raised."""
    folder = Path(folder)
    pictures = sorted(p for p in (folder / "images").glob("*") if p.suffix.lower() in PICTURES)
    if not pictures:
        raise LabelError(
            f"{folder}: no pictures in {folder / 'images'}; expected images/*.jpg and labels/*.txt"
        )
    frames, faults = [], []
    for picture in pictures:
        label = folder / "labels" / f"{picture.stem}.txt"
        rows = label.read_text().split("\n") if label.exists() else []
        bgr = cv2.imread(str(picture))
        if bgr is None:
            faults.append(f"{picture.name}: not a readable picture")
            continue
        kinds, boxes = [], []
        for number, row in enumerate(r for r in rows if r.strip()):
            fault = _row_fault(row)
            if fault:
                faults.append(f"{label.name} line {number + 1}: {fault}")
                continue
            k, x, y, w, h = (float(v) for v in row.split()[:5])
            kinds.append(int(k))
            boxes.append([x - w / 2, y - h / 2, x + w / 2, y + h / 2])
        size = np.array([bgr.shape[1], bgr.shape[0]] * 2, dtype=np.float32)
        xyxy = np.array(boxes, dtype=np.float32).reshape(-1, 4) * size
        frames.append(LabelledFrame(picture, xyxy, np.array(kinds, dtype=np.int64)))
    if faults:
        raise LabelError(f"{folder}: {len(faults)} faults: " + "; ".join(faults[:12]))
    return frames


LEAST_OF_A_BALL = 0.04
"""Share of a ball in view below which there is nothing to see."""
LEAST_SEEN = {"player": 0.12, "official": 0.12, "other": 0.2, "ball": 0.5}


def read_rendered_folder(folder: Path) -> list[LabelledFrame]:
    """Read the renderer's data set: men hidden almost whole are left out, boxes end at the border."""
    frames = []
    for label in sorted((Path(folder) / "frames").glob("*.json")):
        truth = json.loads(label.read_text())
        size = [truth["camera"]["width_px"], truth["camera"]["height_px"]] * 2
        kept = [p for p in truth["people"] if p["visible"] >= LEAST_SEEN[p["kind"]]]
        boxes = np.array([p["box"] for p in kept], dtype=np.float32).reshape(-1, 4)
        xyxy = (boxes + CORNER_PX).clip(0, np.array(size, np.float32))
        kind = np.array([KINDS.index(p["kind"]) for p in kept], dtype=np.int64)
        doubtful = [
            p["box"]
            for p in truth["people"]
            if p["kind"] == "ball" and LEAST_OF_A_BALL <= p["visible"] < LEAST_SEEN["ball"]
        ]
        ignored = np.array(doubtful, dtype=np.float32).reshape(-1, 4) + CORNER_PX
        frames.append(LabelledFrame(label.with_suffix(".jpg"), xyxy, kind, ignored))
    if not frames:
        raise LabelError(f"{folder}: no labelled frames in {Path(folder) / 'frames'}")
    return frames


def _row_fault(row: str) -> str | None:
    parts = row.split()
    try:
        k, x, y, w, h = (float(v) for v in parts[:5])
    except ValueError:
        return f"expected five numbers, found {row!r}"
    if k != int(k) or not 0 <= k < len(KINDS):
        return f"unknown kind {parts[0]}; known: " + ", ".join(f"{i} {n}" for i, n in enumerate(KINDS))
    if w <= 0 or h <= 0 or x - w / 2 < -0.01 or y - h / 2 < -0.01 or x + w / 2 > 1.01 or y + h / 2 > 1.01:
        return "box outside the picture (shares must lie in 0..1)"
    return None


def decode_frame(frame: LabelledFrame, fine: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Picture on the canvas (3, CANVAS_H, CANVAS_W) uint8 RGB, ``FINE`` times as large if asked; boxes and
    balls to ignore in pixels of the plain canvas."""
    bgr = cv2.imread(str(frame.path))
    if bgr is None:
        raise LabelError(f"{frame.path}: not a readable picture")
    times = FINE if fine else 1.0
    width, height = round(CANVAS_W * times), round(CANVAS_H * times)
    scale = min(width / bgr.shape[1], height / bgr.shape[0])
    size = (min(width, round(bgr.shape[1] * scale)), min(height, round(bgr.shape[0] * scale)))
    resized = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    canvas = np.zeros((height, width, 3), np.uint8)
    canvas[: size[1], : size[0]] = resized
    rgb = np.ascontiguousarray(canvas[:, :, ::-1].transpose(2, 0, 1))
    boxes_scale = np.float32(scale / times)
    return rgb, frame.xyxy_px * boxes_scale, frame.ignored_px * boxes_scale


def cache_frames(frames: Iterable[LabelledFrame], device: torch.device, fine: bool = False) -> FrameCache:
    """Decode in a thread pool and move to the device in chunks. fine: at 1920 x 1080 px (6.2 MB a frame)."""
    frames = list(frames)
    times = FINE if fine else 1.0
    shape = (len(frames), 3, round(CANVAS_H * times), round(CANVAS_W * times))
    images = torch.empty(shape, dtype=torch.uint8, device=device)
    cache = FrameCache(images)
    with ThreadPoolExecutor(min(32, os.cpu_count() or 2)) as pool:
        for start in range(0, len(frames), 64):
            chunk = frames[start : start + 64]
            done = list(pool.map(partial(decode_frame, fine=fine), chunk))
            images[start : start + len(chunk)] = torch.from_numpy(np.stack([d[0] for d in done])).to(device)
            cache.boxes += [torch.from_numpy(d[1].astype(np.float32)) for d in done]
            cache.ignored += [torch.from_numpy(d[2].astype(np.float32)) for d in done]
            cache.kinds += [torch.from_numpy(f.kind) for f in chunk]
    return cache


def read_folder(folder: Path) -> list[LabelledFrame]:
    """Labelled frames of either kind of folder."""
    readers: dict[str, Callable[[Path], list[LabelledFrame]]] = {
        "images": read_label_folder,
        "frames": read_rendered_folder,
    }
    for name, reader in readers.items():
        if (Path(folder) / name).is_dir():
            return reader(Path(folder))
    raise LabelError(f"{folder}: neither a rendered data set nor a folder with images/ and labels/")


def load_cache(folders: Iterable[Path], device: torch.device, fine: bool = False) -> FrameCache:
    """Cache of every labelled frame in the folders."""
    return cache_frames([f for folder in folders for f in read_folder(folder)], device, fine)
