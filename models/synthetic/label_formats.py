"""Rendered labels in the open formats other tools read: Ultralytics detection, COCO, and MOT text.

``python -m models.synthetic.label_formats ultralytics DATASET OUT`` (also ``coco DATASET FILE.json`` and
``mot SEASON OUT``). Boxes are amodal; those seen less than ``min_visible`` are left out of Ultralytics
files and marked ``iscrowd`` in COCO.
"""

from __future__ import annotations

import argparse
import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd

from models.detector import CORNER_PX

KINDS = ("player", "official", "ball")


def read_frames(dataset: Path) -> list[tuple[Path, dict[str, Any]]]:
    """(picture, labels) of every frame of a rendered data set. FileNotFoundError when there are none."""
    pictures = sorted((Path(dataset) / "frames").glob("*.jpg"))
    if not pictures:
        raise FileNotFoundError(
            f"{dataset}: no frames/*.jpg; make it with python -m models.synthetic.dataset"
        )
    return [(p, json.loads(p.with_suffix(".json").read_text())) for p in pictures]


def _clipped(box: list[float], width: int, height: int) -> tuple[float, float, float, float] | None:
    x0, y0 = max(box[0] + CORNER_PX, 0.0), max(box[1] + CORNER_PX, 0.0)
    x1, y1 = min(box[2] + CORNER_PX, float(width)), min(box[3] + CORNER_PX, float(height))
    return (x0, y0, x1, y1) if x1 - x0 >= 1 and y1 - y0 >= 1 else None


def to_ultralytics(dataset: Path, out: Path, min_visible: float = 0.1) -> int:
    """images/ and labels/ (kind, centre, size as shares of the picture). Returns the number of frames."""
    frames = read_frames(dataset)
    for part in ("images", "labels"):
        (Path(out) / part).mkdir(parents=True, exist_ok=True)
    for picture, label in frames:
        w, h = label["camera"]["width_px"], label["camera"]["height_px"]
        lines = []
        for p in label["people"]:
            box = _clipped(p["box"], w, h)
            if p["kind"] not in KINDS or box is None or p["visible"] < min_visible:
                continue
            x0, y0, x1, y1 = box
            values = ((x0 + x1) / 2 / w, (y0 + y1) / 2 / h, (x1 - x0) / w, (y1 - y0) / h)
            lines.append(f"{KINDS.index(p['kind'])} " + " ".join(f"{v:.6f}" for v in values))
        shutil.copyfile(picture, Path(out) / "images" / picture.name)
        (Path(out) / "labels" / f"{picture.stem}.txt").write_text("\n".join(lines) + "\n")
    return len(frames)


def to_coco(dataset: Path, out: Path, min_visible: float = 0.1) -> int:
    """One COCO detection file; ``visible`` is kept as an extra field. Returns the number of boxes."""
    images: list[dict[str, Any]] = []
    boxes: list[dict[str, Any]] = []
    for number, (picture, label) in enumerate(read_frames(dataset), 1):
        w, h = label["camera"]["width_px"], label["camera"]["height_px"]
        images.append({"id": number, "file_name": picture.name, "width": w, "height": h})
        for p in label["people"]:
            if p["kind"] not in KINDS:
                continue
            x0, y0, x1, y1 = (v + CORNER_PX for v in p["box"])
            boxes.append(
                {
                    "id": len(boxes) + 1,
                    "image_id": number,
                    "category_id": KINDS.index(p["kind"]) + 1,
                    "bbox": [x0, y0, x1 - x0, y1 - y0],
                    "area": (x1 - x0) * (y1 - y0),
                    "iscrowd": int(p["visible"] < min_visible),
                    "visible": p["visible"],
                }
            )
    kinds = [{"id": i + 1, "name": k} for i, k in enumerate(KINDS)]
    Path(out).write_text(json.dumps({"images": images, "annotations": boxes, "categories": kinds}))
    return len(boxes)


def to_mot(season: Path, out: Path, min_visible: float = 0.2) -> int:
    """CLIP.txt per clip: frame (from 1), identity, left, top, width, height, 1, class, visibility."""
    table = pd.read_parquet(Path(season) / "truth" / "boxes.parquet")
    table = table[table["kind"].isin(["player", "official"]) & (table["visible"] >= min_visible)]
    Path(out).mkdir(parents=True, exist_ok=True)
    clips = 0
    for clip, rows in table.groupby("clip_id"):
        identity = pd.factorize(rows["player_id"], sort=True)[0] + 1
        made = pd.DataFrame(
            {
                "frame": rows["frame"] + 1,
                "id": identity,
                "x": rows["x0_px"] + CORNER_PX,
                "y": rows["y0_px"] + CORNER_PX,
                "w": rows["x1_px"] - rows["x0_px"],
                "h": rows["y1_px"] - rows["y0_px"],
                "use": 1,
                "kind": [KINDS.index(k) + 1 for k in rows["kind"]],
                "visible": rows["visible"],
            }
        )
        made.sort_values(["frame", "id"]).to_csv(Path(out) / f"{clip}.txt", header=False, index=False)
        clips += 1
    return clips


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(description="Write rendered labels in open formats.")
    p.add_argument("format", choices=("ultralytics", "coco", "mot"))
    p.add_argument("source", type=Path)
    p.add_argument("out", type=Path)
    a = p.parse_args(argv)
    made = {"ultralytics": to_ultralytics, "coco": to_coco, "mot": to_mot}[a.format](a.source, a.out)
    print(f"{made} written to {a.out.name}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
